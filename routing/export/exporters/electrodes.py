"""The electrodes of all that is sink-eroded: a body each, how many, how deep, what the material costs."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from featurize import tolerances as tol
from routing.export.work import Work
from routing.processes.flags import Flag, Severity

if TYPE_CHECKING:  # these load the kernel
    from featurize.feature import Feature
    from routing.plan.plan import Pass
    from routing.processes.sink_erode.body import Body
    from routing.processes.sink_erode.cavity import Cavity
    from routing.processes.sink_erode.zones import Zone

ORDER = 30
FILES = ("electrode_*.step",)
_CAUTION = (
    "an electrode's dust is fine, graphite's conducts: extract it; in the burn the electrode carries voltage "
    "under a dielectric that may burn; local codes and the machine's manual come first"
)


def depends(work: Work) -> Hashable:
    """The eroded regions with their sides and what is taken ahead of them, and the shop."""
    made = [(p.task.feature, p.task.approach, p.task.ahead) for p in _eroded(work)]
    return repr(made), repr(work.plan.estimate.electrodes), work.choices.material, repr(work.shop)


def _eroded(work: Work) -> list[Pass]:
    from routing.processes.protocol import Stage

    return [p for step in work.plan.steps if step.stage == Stage.ERODE for p in step.passes]


def write(work: Work, folder: Path) -> dict[str, Any]:
    """``electrode_<feature>_<finish|rough>.step``: in the part's own place, at the end of the burn."""
    from dataclasses import asdict

    listed: list[dict[str, Any]] = []
    flags: list[Flag] = []
    for p in _eroded(work):
        more, said = _of_pass(work, p, folder)
        listed += more
        flags += said
    return {"electrodes": listed, "flags": [asdict(f) | {"severity": str(f.severity)} for f in flags]}


def _of_pass(work: Work, burn: Pass, folder: Path) -> tuple[list[dict[str, Any]], list[Flag]]:
    from routing.export.solid_files import WriteError, write_step
    from routing.processes.sink_erode.body import bodies_of, cavity_of
    from routing.processes.sink_erode.rules import FINISH, ROUGH, gap_of
    from routing.processes.sink_erode.shop import ErodeShop
    from routing.processes.sink_erode.verdict import SinkVerdict
    from routing.processes.sink_erode.zones import zones_of

    task, job = burn.task, work.plan.job
    feature, owned = task.feature, work.shop[ErodeShop].electrodes
    kinds = (ROUGH, FINISH)
    if isinstance(task.verdict, SinkVerdict) and task.verdict.sideways_mm is not None:
        return _missing(feature, kinds, task.verdict.reason)
    toward = task.approach.direction
    try:
        groups = zones_of(job, feature, toward, task.ahead) or ((),)
        gaps = [gap_of(k, owned) for k in kinds]
        cavity = cavity_of(
            work.part, feature, toward, margin_mm=min(owned.finish_gap_mm, owned.rough_gap_mm) / 2
        )
        made = [(zones, bodies_of(cavity, gaps, owned, zones)) for zones in groups]
    except Exception as error:  # the kernel's own have many names
        return _missing(feature, kinds, str(error) or type(error).__name__)
    listed: list[dict[str, Any]] = []
    flags: list[Flag] = []
    for n, (zones, bodies) in enumerate(made, 1):
        for kind, body in zip(kinds, bodies, strict=True):
            name = f"{feature.id}-{n}" if len(made) > 1 else feature.id
            notes = []
            if isinstance(body, str) and zones:
                notes = [f"it has the whole shape, as none for corners alone could be made: {body}"]
                (body,) = bodies_of(cavity, [gap_of(kind, owned)], owned)
            file = f"electrode_{name}_{kind}.step"
            if not isinstance(body, str):
                try:
                    title = f"{work.solid.name} electrode {name} {kind}"
                    write_step(body.solid, folder / file, name=title, header=work.header)
                except WriteError as error:
                    body = str(error)
            if isinstance(body, str):
                more, missing = _missing(feature, (kind,), body)
            else:
                group = n if zones else 0
                burnt = () if notes else zones
                entry, missing = _entry(work, burn, cavity, body, kind, file, group, burnt)
                entry["notes"] += notes
                more = [entry]
            listed += more
            flags += missing
    warning = next((n for e in listed for n in e.get("notes", ()) if "flush through" in n), None)
    if warning:
        said = f"{feature.kind} {feature.id}: {warning}."
        flags.append(Flag("electrode-flushing", Severity.WARNING, feature.id, said))
    return listed, flags


def _missing(feature: Feature, kinds: tuple[str, ...], why: str) -> tuple[list[dict[str, Any]], list[Flag]]:
    listed = [{"feature": feature.id, "kind": kind, "file": None, "reason": why} for kind in kinds]
    named = f"{feature.kind} {feature.id}"
    said = f"no {' and no '.join(kinds)} electrode is written for {named}: {why}: draw it by hand."
    return listed, [Flag("no-electrode", Severity.WARNING, feature.id, said)]


def _entry(
    work: Work,
    burn: Pass,
    cavity: Cavity,
    body: Body,
    kind: str,
    file: str,
    group: int,
    zones: Sequence[Zone],
) -> tuple[dict[str, Any], list[Flag]]:
    """What the list says of one body; wear, blank and money are the estimate's own."""
    from routing.export.numbers import rounded, vector
    from routing.export.route_json import plain
    from routing.processes.protocol import feature_of
    from routing.processes.sink_erode import rules as plan
    from routing.processes.sink_erode.shop import ErodeShop

    shop, frame = work.shop, work.part.frame
    owned, rates, rule = shop[ErodeShop].electrodes, shop.rates, shop.rule(work.plan.job.material)
    feature = burn.task.feature
    depth = cavity.mouth_mm - cavity.low_mm
    width = plan.smallest_width_mm(cavity.outline)
    ahead = burn.task.ahead.rest if burn.task.ahead else None
    volume = ahead.volume_mm3 if ahead else cavity.volume_mm3
    area = sum(work.part.faces[i].area_mm2 for i in feature.faces)
    mine = [e for e in work.plan.estimate.electrodes if (e.feature, e.group) == (feature.id, group)]
    priced = next(e for e in mine if e.kind == kind)
    also = [e for e in mine if kind == plan.FINISH and e.kind == plan.LAST]
    front = float(cavity.outline.area)
    if zones:
        area = len(zones) * 2 * max(z.burn_mm for z in zones) * depth
        volume *= len(zones) / len(ahead.places) if ahead else 1.0
        front = float(sum(2 * z.burn_mm**2 for z in zones))
    worn = plan.wear(
        kind,
        volume_mm3=volume,
        area_mm2=area,
        front_mm2=front,
        owned=owned,
        number=priced.number,
        scale=rule.erode_scale,
    )
    number = worn.number + sum(e.number for e in also)
    notes = [_CAUTION]
    if warning := plan.flush_warning(depth, width, owned, closed=not cavity.open_sides):
        notes.append(warning)
    if ahead:
        notes.append(f"the bulk is taken before, left are {ahead.words}")
    if zones:
        notes.append(f"it burns {len(zones)} of them and stands back from the walls between")
    if also:
        notes.append("the last of them for what is called out finer")
    if worn.shorter_mm > body.gap_mm:
        notes.append(
            f"its end wears by about {worn.shorter_mm:.2g} mm: more than its gap, dress it or make another"
        )
    flags = []
    fits = sorted(s + 2 * owned.blank_allowance_mm for s in body.size_mm)
    if any(s > b + tol.LENGTH_MM for s, b in zip(fits, priced.blank_mm, strict=True)):
        said = f"electrode {file} does not come out of the blank that is priced: {_by(priced.blank_mm)}."
        flags.append(Flag("electrode-blank", Severity.WARNING, feature_of(feature.id), said))
    entry = {
        "feature": feature.id,
        "kind": kind,
        "file": file,
        "corners_mm": [vector(z.corner.place) for z in zones],
        "from_side": burn.task.approach.side,
        "method": body.method,
        "gap_mm": rounded(body.gap_mm),
        "orbit_mm": rounded(plan.orbit_mm(owned) if kind == plan.ROUGH else 0.0),
        "corner_reached_mm": rounded(plan.reached_mm(body.gap_mm, owned)),
        "number": number,
        "wear_mm3_each": rounded(worn.lost_mm3),
        "wear_end_mm": rounded(worn.shorter_mm),
        "depth_mm": rounded(depth),
        "smallest_width_mm": rounded(width, 3),
        "depth_ratio": rounded(depth / width if width else 0.0, 2),
        "open_sides": list(cavity.open_sides),
        "burn_from_top_mm": rounded(cavity.top_mm - body.tip_mm),
        "base_above_top_mm": rounded(body.base_mm - cavity.top_mm),
        "base_centre_mm": vector(frame.local(body.base_centre)),
        "base_from_sides_mm": {
            s: rounded(float(frame.local(body.base_centre)[k] - work.part.low[k]))
            for k, s in enumerate(("-x", "-y", "-z"))
            if abs(float(frame.axes[k] @ cavity.view.along)) < 1e-6
        },
        "chamfer_toward": vector(frame.axes @ (-cavity.view.across - cavity.view.up)),
        "size_mm": vector(body.size_mm),
        "form_mm": vector(body.form_mm),
        "base_mm": vector(body.base_size_mm),
        "shank_mm": vector(body.shank_mm),
        "volume_mm3": rounded(body.volume_mm3),
        "material": owned.material,
        "blank_mm": vector(priced.blank_mm),
        "material_cost_each": rounded(priced.cost, 2),
        "material_cost": rounded(sum(e.used() * e.cost for e in (priced, *also)), 2),
        "currency": rates.currency,
        "clearance": plain(body.clearance),
        "notes": notes,
    }
    return entry, flags


def _by(size_mm: Sequence[float]) -> str:
    return " x ".join(f"{s:g}" for s in size_mm)

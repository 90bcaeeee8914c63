"""What the route file says of one electrode; wear, blank and money are the estimate's own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from featurize import tolerances as tol
from routing.export.work import Work
from routing.processes.flags import Flag, Severity
from routing.processes.protocol import feature_of

if TYPE_CHECKING:  # these load the kernel
    from routing.plan.plan import Pass, PlannedStep
    from routing.processes.sink_erode.body import ElectrodeBody
    from routing.processes.sink_erode.forecast import Set
    from routing.processes.sink_erode.stages import Burn

_CAUTION = (
    "an electrode's dust is fine, graphite's conducts: extract it; in the burn the electrode carries voltage "
    "under a dielectric that may burn; local codes and the machine's manual come first"
)
_REFERENCE = (
    "origin: middle of the base's underside, which is the reference face; X along the flats, Z up the shank"
)


@dataclass(frozen=True, eq=False)
class DrawnElectrode:
    """A body of a set at a stage; ``alone`` tells that it burns the set's corners and no more."""

    name: str
    set: Set
    burn: Burn
    body: ElectrodeBody
    alone: bool


def own_file(name: str) -> str:
    return f"electrode_{name}.step"


def burn_file(name: str) -> str:
    return f"electrode_{name}_burn.step"


def described(
    work: Work, step: PlannedStep, made: Pass, drawn: DrawnElectrode
) -> tuple[dict[str, Any], list[Flag]]:
    """Every figure of one electrode, and what is wrong with its blank."""
    from routing.export.numbers import rounded, vector
    from routing.export.route_json import plain
    from routing.processes.sink_erode import rules
    from routing.processes.sink_erode.shop import ErodeShop
    from routing.processes.sink_erode.stages import FINISH, LAST, number_for

    one, burn, body, feature = drawn.set, drawn.burn, drawn.body, made.task.feature
    owned, currency = work.shop[ErodeShop].electrodes, work.shop.rates.currency
    cavity, region, frame = body.cavity, one.region, work.part.frame
    zero = work.plan.setup_of(step.number).zero
    depth = cavity.mouth_mm - body.floor_mm
    ours = [e for e in work.plan.estimate.electrodes if (e.feature, e.group) == (feature.id, one.group)]
    priced = next(e for e in ours if e.kind == burn.stage)
    also = [e for e in ours if burn.stage == FINISH and e.kind == LAST]
    first = body.own_axis(np.array(zero.x))
    own = zero.axes @ first
    is_turned = abs(float(first @ cavity.view.up)) > abs(float(first @ cavity.view.across))

    def along_own(size: Sequence[float]) -> list[float]:
        """A size of the view along X, Y, Z of the own frame."""
        a, b, c = size
        return vector((b, a, c) if is_turned else (a, b, c))

    entry = {
        "file": own_file(drawn.name),
        "burn_file": burn_file(drawn.name),
        "reference": _REFERENCE,
        "position_mm": vector(zero.local(body.base_centre)),
        "c_deg": rounded(float(np.degrees(np.arctan2(own[1], own[0]))), 6),
        "corners_mm": [vector(z.corner.place) for z in one.zones] if drawn.alone else [],
        "from_side": made.task.approach.side,
        "method": body.method,
        "material": burn.material.name,
        "gap_mm": rounded(burn.gap_mm),
        "orbit_mm": rounded(burn.orbit_mm),
        "orbit": one.orbit if burn.orbit_mm else "none",
        "leaves_mm": rounded(burn.leaves_mm),
        "undersize_mm": rounded(burn.undersize_mm),
        "corner_reached_mm": rounded(rules.reached_mm(burn.undersize_mm, owned)),
        "number": number_for(burn.share) + sum(e.number for e in also),
        "removes_mm3": rounded(burn.removes_mm3, 3),
        "wear_mm": rounded(burn.wear_mm),
        "wear_mm3": rounded(burn.wear_mm3),
        "spark_area_mm2": rounded(region.front_mm2, 3),
        "depth_mm": rounded(depth),
        "smallest_width_mm": rounded(region.width_mm, 3),
        "flushing": rules.flushing(
            depth, region.width_mm, owned, closed=not cavity.open_sides, through=region.through
        ),
        "open_sides": list(cavity.open_sides),
        "burn_from_top_mm": rounded(cavity.top_mm - body.tip_mm),
        "base_above_top_mm": rounded(body.base_mm - cavity.top_mm),
        "base_from_sides_mm": {
            s: rounded(float(frame.local(body.base_centre)[k] - work.part.low[k]))
            for k, s in enumerate(("-x", "-y", "-z"))
            if abs(float(frame.axes[k] @ cavity.view.along)) < 1e-6
        },
        "chamfer_toward": vector(frame.axes @ (-cavity.view.across - cavity.view.up)),
        "size_mm": along_own(body.size_mm),
        "form_mm": along_own(body.form_mm),
        "base_mm": along_own(body.base_size_mm),
        "shank_mm": vector(body.shank_mm),
        "volume_mm3": rounded(body.volume_mm3),
        "blank_mm": vector(priced.blank_mm),
        "material_cost_each": rounded(priced.cost, 2),
        "material_cost": rounded(sum(e.used() * e.cost for e in (priced, *also)), 2),
        "currency": currency,
        "clearance": plain(body.clearance),
        "notes": _notes(made, drawn, last=bool(also)),
    }
    fits = sorted(s + 2 * owned.blank_allowance_mm for s in body.size_mm)
    if all(s <= b + tol.LENGTH_MM for s, b in zip(fits, priced.blank_mm, strict=True)):
        return entry, []
    text = f"electrode {entry['file']} does not come out of the blank that is priced: {_by(priced.blank_mm)}."
    return entry, [Flag("electrode-blank", Severity.WARNING, feature_of(feature.id), text)]


def _notes(made: Pass, drawn: DrawnElectrode, *, last: bool) -> list[str]:
    one, burn = drawn.set, drawn.burn
    ahead = made.task.ahead.rest if made.task.ahead else None
    notes = [_CAUTION]
    if burn.orbit_mm:
        notes.append(f"orbit {one.orbit}, radius {burn.orbit_mm:g}, and as much deeper than it is drawn")
    else:
        notes.append("sunk straight: an orbit would be too much for its width or for a corner")
    if burn.leaves_mm:
        notes.append(f"drawn {burn.leaves_mm:g} further back, which stays for the next electrode")
    if ahead:
        notes.append(f"the bulk is taken before, left are {ahead.words}")
    if drawn.alone:
        notes.append(f"it burns {len(one.zones)} of them and stands back from the walls between")
    if last:
        notes.append("the last of them for what is called out finer")
    return notes


def _by(size_mm: Sequence[float]) -> str:
    return " x ".join(f"{s:g}" for s in size_mm)

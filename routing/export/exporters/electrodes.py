"""The electrodes of all that is sink-eroded: a body each, how many, how deep, what the material costs."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from routing.export.electrode_list import DrawnElectrode, burn_file, described, own_file
from routing.export.work import Work
from routing.processes.flags import Flag, Severity
from routing.processes.protocol import feature_of
from routing.processes.sink_erode.shop import Electrodes, ErodeShop

if TYPE_CHECKING:  # these load the kernel
    from featurize.feature import Feature
    from routing.plan.plan import Pass, PlannedStep
    from routing.processes.sink_erode.body import ElectrodeBody
    from routing.processes.sink_erode.forecast import Set

ORDER = 30
AFTER = ()
FILES = ("electrode_*.step",)


def depends(work: Work) -> Hashable:
    """The eroded regions with their sides and what is taken ahead of them, and the shop."""
    made = [
        (step.setup, step.number, number, p.task.feature, p.task.approach, p.task.ahead, p.task.volume_mm3)
        for step, number, p in _eroded(work)
    ]
    return repr(made), repr(work.plan.estimate.electrodes), work.choices.material, repr(work.shop)


def _eroded(work: Work) -> list[tuple[PlannedStep, int, Pass]]:
    """Passes with electrodes, their steps and their places in them, from 1."""
    from routing.processes.protocol import Stage

    steps = (step for step in work.plan.steps if step.stage == Stage.ERODE)
    return [(step, n, p) for step in steps for n, p in enumerate(step.passes, 1)]


def write(work: Work, folder: Path) -> dict[str, Any]:
    """Two files for each: ``electrode_<name>.step`` in its own frame, and ``..._burn.step`` in the part's.

    The own frame has its origin in the middle of the base's underside, the reference face, X along the
    base's flats and Z up to the shank.
    """
    from dataclasses import asdict

    listed: list[dict[str, Any]] = []
    flags: list[Flag] = []
    for step, number, burn in _eroded(work):
        more, raised = _of_pass(work, step, number, burn, folder)
        listed += more
        flags += raised
    return {"electrodes": listed, "flags": [asdict(f) | {"severity": str(f.severity)} for f in flags]}


def _of_pass(
    work: Work, step: PlannedStep, number: int, burn: Pass, folder: Path
) -> tuple[list[dict[str, Any]], list[Flag]]:
    from routing.processes.sink_erode.body import bodies_of, cavity_of
    from routing.processes.sink_erode.forecast import sets_of
    from routing.processes.sink_erode.verdict import SinkVerdict

    task, job, owned = burn.task, work.plan.job, work.shop[ErodeShop].electrodes
    feature, verdict = task.feature, task.verdict
    head = {"feature": feature_of(feature.id), "setup": step.setup, "step": step.number, "pass": number}
    sets = sets_of(job, task)
    names = [
        [f"{feature.id}-{s.group}-{b.stage}" if len(sets) > 1 else f"{feature.id}-{b.stage}" for b in s.burns]
        for s in sets
    ]
    every = [
        {"name": name, **head, "stage": b.stage}
        for s, own in zip(sets, names, strict=True)
        for name, b in zip(own, s.burns, strict=True)
    ]
    if isinstance(verdict, SinkVerdict) and verdict.sideways_mm is not None:
        return _missing(feature, every, verdict.reason)
    undersizes = [[b.undersize_mm for b in s.burns] for s in sets]
    try:
        margin = min(min(u) for u in undersizes) / 2
        cavity = cavity_of(work.part, feature, task.approach.direction, margin_mm=margin)
        made = [bodies_of(cavity, u, owned, s.zones) for s, u in zip(sets, undersizes, strict=True)]
    except Exception as error:  # the kernel's own have many names
        return _missing(feature, every, str(error) or type(error).__name__)
    listed: list[dict[str, Any]] = []
    flags: list[Flag] = []
    heads = iter(every)
    for one, bodies in zip(sets, made, strict=True):
        for part, body in zip(one.burns, bodies, strict=True):
            entry, notes = next(heads), []
            name = str(entry["name"])
            if isinstance(body, str) and one.zones:
                notes = [f"it has the whole shape, as none for corners alone could be made: {body}"]
                (body,) = bodies_of(cavity, [part.undersize_mm], owned)
            if not isinstance(body, str):
                body = _written(work, step, body, name, folder)
            if isinstance(body, str):
                more, missing = _missing(feature, [entry], body)
            else:
                drawn = DrawnElectrode(name, one, part, body, alone=bool(one.zones) and not notes)
                noted, missing = described(work, step, burn, drawn)
                more = [entry | noted | {"notes": [*noted["notes"], *notes]}]
            listed += more
            flags += missing
    return listed, [*flags, *_warned(feature, sets, listed, owned)]


def _written(
    work: Work, step: PlannedStep, body: ElectrodeBody, name: str, folder: Path
) -> ElectrodeBody | str:
    """The body once both its files are there; else why they are not."""
    import numpy as np

    from routing.export.solid_files import WriteError, write_step

    axis = body.own_axis(np.array(work.plan.setup_of(step.number).zero.x))
    title = f"{work.solid.name} electrode {name}"
    try:
        write_step(body.in_own_frame(axis), folder / own_file(name), name=title, header=work.header)
        burnt = f"{title} at the end of its burn"
        write_step(body.solid, folder / burn_file(name), name=burnt, header=work.header)
    except WriteError as error:
        return str(error)
    return body


def _missing(
    feature: Feature, heads: Sequence[dict[str, Any]], why: str
) -> tuple[list[dict[str, Any]], list[Flag]]:
    listed = [head | {"file": None, "burn_file": None, "reason": why} for head in heads]
    kinds = dict.fromkeys(str(head["stage"]) for head in heads)
    named = f"{feature.kind} {feature.id}"
    text = f"no {' and no '.join(kinds)} electrode is written for {named}: {why}: draw it by hand."
    return listed, [Flag("no-electrode", Severity.WARNING, feature_of(feature.id), text)]


def _warned(
    feature: Feature, sets: Sequence[Set], listed: Sequence[dict[str, Any]], owned: Electrodes
) -> Iterator[Flag]:
    from routing.processes.sink_erode.stages import sections

    named, about = f"{feature.kind} {feature.id}", feature_of(feature.id)
    if deep := next((e["flushing"] for e in listed if "flush through" in e.get("flushing", "")), None):
        yield Flag("electrode-flushing", Severity.WARNING, about, f"{named}: {deep}.")
    large = max((s.region for s in sets), key=lambda r: r.front_mm2)
    if (parts := sections(large, owned)) > 1:
        area = f"{large.front_mm2:.4g} mm2 spark at once, more than one electrode's {owned.spark_area_mm2:g}"
        text = f"{named}: {area}: sink it in {parts} sections, each drawn by hand from the whole form."
        yield Flag("electrode-spark-area", Severity.WARNING, about, text)

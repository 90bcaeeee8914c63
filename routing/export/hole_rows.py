"""Every step of every hole, thread and start hole, in the zero of its setup: a row is one tool in one stage.

Steps, tools and zeros are the plan's. Where a process tells of a bore's stages itself (``steps_of`` of its
verdict) these are the rows; else the stages of the model are, by the mouth that they widen to.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, fields, replace
from typing import Any, Protocol, runtime_checkable

import numpy as np

from featurize import tolerances as tol
from featurize.bores import from_far
from featurize.brep.surfaces import Array
from featurize.feature import Bore, Callout, Feature
from featurize.recognise.thread_bores import is_through, relief_bore, thread_bore
from featurize.standards.threads import parse
from routing.export.numbers import rounded
from routing.export.table import harmless
from routing.export.tool_words import diameter_of, kind_of
from routing.plan.plan import Pass, Plan, PlannedStep, Setup
from routing.plan.threads import RUN_OUT_PITCHES
from routing.processes.protocol import Stage, Task
from routing.processes.tools import Drill, Tool

MODEL = "the model's own coordinates: nothing in the shop makes it"
# These do nothing to a bore that its other rows do not say.
_NO_ROW = (Stage.SQUARE, Stage.SIZE, Stage.GRIND, Stage.SEMI_FINISH)
# A cone narrower than this at its end comes to a point.
_POINT_MM = 0.01
_SAME_MM = 1e-3


@dataclass(frozen=True)
class HoleRow:
    """One row. Lengths mm; depths count from the mouth; ``count`` is how many rows are alike in a setup.

    ``from_mm`` to ``to_mm`` is where the tool's full diameter works, short of a drill's point; a cone narrows
    to ``end_diameter_mm``. ``full_thread_mm`` is what is left of a blind bore after a pitch of run-out.
    """

    feature: str
    setup: int | None
    step: int | None
    side: str
    process: str
    what: str
    tool_kind: str
    tool_mm: float | None
    tool: str
    count: int
    x_mm: float
    y_mm: float
    mouth_z_mm: float
    from_mm: float
    to_mm: float
    diameter_mm: float
    end_diameter_mm: float | None
    bottom: str
    thread: str
    pitch_mm: float | None
    hand: str
    full_thread_mm: float | None
    callouts: str
    zero: str


@dataclass(frozen=True)
class _Cut:
    """One stage of a bore as a tool makes it, from the mouth that it comes in by."""

    what: str
    tool: Tool | None
    from_mm: float
    to_mm: float
    diameter_mm: float
    bottom: str
    end_diameter_mm: float | None = None
    is_thread: bool = False


@runtime_checkable
class _TellsSteps(Protocol):
    """A verdict whose process plans a bore stage by stage."""

    def steps_of(self, task: Task) -> Sequence[Any]: ...


def holes(plan: Plan) -> list[HoleRow]:
    """The rows, in the order of setup, step, size and place; last what nothing makes."""
    rows = [
        _row(plan, setup, step, p, cut)
        for setup in plan.setups
        for step in setup.steps
        if step.process in plan.job.processes
        for p in step.passes
        for cut in _cuts(plan, step, p)
    ]
    made = {r.feature for r in rows}
    left = [
        r.feature for r in plan.features if r.feature.bores and r.feature.axis and r.feature.id not in made
    ]
    rows += [
        _unmade(plan, feature, cut) for feature in left for cut in _drawn(feature, feature.bores, "none")
    ]
    unplaced = [replace(r, feature="", x_mm=0.0, y_mm=0.0) for r in rows]
    counted = [replace(r, count=unplaced.count(k)) for r, k in zip(rows, unplaced, strict=True)]
    order = sorted(counted, key=_place)
    seen: set[int | None] = set()
    found = []
    for row in order:  # each setup's zero once, with its first row
        found.append(replace(row, zero="") if row.setup in seen else row)
        seen.add(row.setup)
    return found


def _place(row: HoleRow) -> tuple[Any, ...]:
    last = row.setup is None
    return last, row.setup or 0, row.step or 0, -row.diameter_mm, row.thread, row.y_mm, row.x_mm, row.feature


def _cuts(plan: Plan, step: PlannedStep, p: Pass) -> Iterator[_Cut]:
    """What a pass makes of a bore; nothing where it is not about one."""
    task = p.task
    if step.stage == Stage.START_HOLE:
        if _start(task) is not None and (wide := diameter_of(task.tool)) is not None:
            deep = plan.job.extent_mm(task.approach.direction)
            yield _Cut(step.stage.words, task.tool, 0.0, deep, wide, "through")
        return
    if not task.feature.bores or task.feature.axis is None or step.stage in _NO_ROW:
        return
    steps: Sequence[Any] = task.verdict.steps_of(task) if isinstance(task.verdict, _TellsSteps) else ()
    for s in steps:
        threads = step.stage == Stage.THREAD
        yield _Cut(s.what, s.tool, s.from_mm, s.to_mm, s.diameter_mm, s.bottom, s.end_diameter_mm, threads)
    if not steps:
        bores, _ = _from_side(task.feature, task.approach.direction)
        yield from _stages(task.feature, bores, step, task)


def _stages(feature: Feature, bores: Sequence[Bore], step: PlannedStep, task: Task) -> Iterator[_Cut]:
    """The model's stages that a step makes: of a thread its own, else all of them."""
    seen, words = feature.but(bores=tuple(bores)), step.stage.words
    size = None
    if feature.thread is not None and feature.thread.designation is not None:
        size = parse(feature.thread.designation)[0]
    if size is None:
        yield from _drawn(feature, bores, words, task.tool)
        return
    carrier, relief = thread_bore(seen, size), relief_bore(seen, size)
    bottom = _bottom_of(feature, bores, carrier)
    if step.stage == Stage.THREAD:
        yield _Cut(words, task.tool, carrier.start_mm, carrier.end_mm, size.major_mm, bottom, is_thread=True)
    elif step.stage == Stage.RELIEF and relief is not None:
        yield _Cut(words, task.tool, relief.start_mm, relief.end_mm, relief.start_diameter_mm, "step")
    elif step.stage == Stage.DRILL:
        wide = diameter_of(task.tool) or carrier.start_diameter_mm
        yield _Cut(words, task.tool, 0.0, carrier.end_mm, wide, bottom)
    else:
        yield from _drawn(feature, bores, words, task.tool)


def _drawn(feature: Feature, bores: Sequence[Bore], what: str, tool: Tool | None = None) -> Iterator[_Cut]:
    """Each stage as the model shows it; a drill's point goes with its bore."""
    for n, b in enumerate(bores):
        if not b.is_cylinder and n and b.end_diameter_mm < _POINT_MM:
            continue
        fits = tool is not None and _fits(tool, b)
        end = None if b.is_cylinder else b.end_diameter_mm
        bottom = _bottom_of(feature, bores, b)
        yield _Cut(what, tool if fits else None, b.start_mm, b.end_mm, b.start_diameter_mm, bottom, end)


def _fits(tool: Tool, bore: Bore) -> bool:
    """Whether a tool of one size makes a bore: a drill only its own."""
    return not isinstance(tool, Drill) or abs(tool.diameter_mm - bore.start_diameter_mm) < _SAME_MM


def _bottom_of(feature: Feature, bores: Sequence[Bore], bore: Bore) -> str:
    """What a stage ends on: "through", "point 118", "flat", "step", or "cone 90" of a cone itself."""
    if not bore.is_cylinder:
        return f"cone {_angle(bore):.4g}"
    place = list(bores).index(bore)
    below = bores[place + 1] if place + 1 < len(bores) else None
    if below is not None:
        pointed = not below.is_cylinder and below.end_diameter_mm < _POINT_MM
        return f"point {_angle(below):.4g}" if pointed else "step"
    return "through" if is_through(feature) else "flat"


def _angle(cone: Bore) -> float:
    wide = abs(cone.start_diameter_mm - cone.end_diameter_mm) / 2
    return 2 * math.degrees(math.atan2(wide, cone.end_mm - cone.start_mm))


def _start(task: Task) -> Any:
    """Where a start hole stands (model): as its process says, else at a bore's axis; None where unknown."""
    place = getattr(task, "at", None)
    axis = task.feature.axis if task.feature.bores else None
    return place if place is not None else axis and axis.origin


def _from_side(feature: Feature, toward: Array) -> tuple[tuple[Bore, ...], Array]:
    """The bores from the mouth that a tool comes in by, and that mouth."""
    assert feature.axis is not None
    out, mouth = np.array(feature.axis.direction), np.array(feature.axis.origin)
    if float(toward @ out) > -np.cos(np.radians(tol.AXIS_DEG)):
        return feature.bores, mouth
    length = feature.bores[-1].end_mm
    return from_far(feature.bores, length), mouth - length * out


def _mouth(plan: Plan, step: PlannedStep, task: Task) -> Array:
    """Where depths count from (3,): the mouth of a bore; of a start hole the stock's top over its place."""
    toward = step.approach.direction
    if step.stage == Stage.START_HOLE:
        at = np.array(_start(task))
        top = plan.job.top_mm(toward) + float(plan.job.part.frame.origin @ toward)
        return np.asarray(at + (top - at @ toward) * toward)
    return _from_side(task.feature, toward)[1]


def _row(plan: Plan, setup: Setup, step: PlannedStep, p: Pass, cut: _Cut) -> HoleRow:
    place = setup.zero.local(_mouth(plan, step, p.task))
    feature = p.task.feature
    common = _told(feature, cut, (float(place[0]), float(place[1]), float(place[2])))
    whole = plan.by_id[p.feature].feature
    return replace(
        common,
        feature=p.feature,
        setup=setup.number,
        step=step.number,
        side=step.from_side,
        process=step.process,
        callouts="; ".join(_callout(c) for c in whole.callouts),
        zero=setup.zero.words,
    )


def _unmade(plan: Plan, feature: Feature, cut: _Cut) -> HoleRow:
    assert feature.axis is not None
    side = plan.job.part.frame.side_of(np.array(feature.axis.direction)) or ""
    entry = _told(feature, cut, feature.axis.origin)
    callouts = "; ".join(_callout(c) for c in feature.callouts)
    return replace(entry, process=plan.process_of(feature.id), side=side, callouts=callouts, zero=MODEL)


def _told(feature: Feature, cut: _Cut, place: Sequence[float]) -> HoleRow:
    """What a row says of a cut; the rest is the step's to say."""
    thread, hand = "", ""
    pitch = full = None
    if feature.thread is not None and feature.thread.designation is None:
        thread = " or ".join(feature.thread.asked) + "?"
    elif feature.thread is not None and cut.is_thread:
        size, _ = parse(str(feature.thread.designation))
        thread, hand = size.designation, "left" if feature.thread.left_hand else "right"
        pitch = rounded(size.pitch_mm)
        run_out = 0.0 if cut.bottom == "through" else RUN_OUT_PITCHES * size.pitch_mm
        full = rounded(max(0.0, cut.to_mm - cut.from_mm - run_out))
    across = diameter_of(cut.tool)
    return HoleRow(
        feature=feature.id,
        setup=None,
        step=None,
        side="",
        process="",
        what=cut.what,
        tool_kind="" if cut.tool is None else kind_of(cut.tool),
        tool_mm=None if across is None else rounded(across),
        tool="" if cut.tool is None else str(cut.tool),
        count=1,
        x_mm=rounded(place[0]),
        y_mm=rounded(place[1]),
        mouth_z_mm=rounded(place[2]),
        from_mm=rounded(cut.from_mm),
        to_mm=rounded(cut.to_mm),
        diameter_mm=rounded(cut.diameter_mm),
        end_diameter_mm=None if cut.end_diameter_mm is None else rounded(cut.end_diameter_mm),
        bottom=cut.bottom,
        thread=thread,
        pitch_mm=pitch,
        hand=hand,
        full_thread_mm=full,
        callouts="",
        zero="",
    )


def _callout(callout: Callout) -> str:
    if callout.upper_mm is not None and callout.lower_mm is not None and callout.value_mm is not None:
        return f"{callout.kind} {callout.value_mm:.6g} {callout.upper_mm:+.6g}/{callout.lower_mm:+.6g}"
    value = "" if callout.value_mm is None else f" {callout.value_mm:.6g}"
    return f"{callout.kind}{value}{f' {callout.datum}' if callout.datum else ''}".strip()


def text(rows: Sequence[HoleRow]) -> str:
    """CSV (RFC 4180)."""
    stream = io.StringIO()
    writer = csv.DictWriter(stream, [f.name for f in fields(HoleRow)])
    writer.writeheader()
    for row in rows:
        cells = {k: "" if v is None else v for k, v in asdict(row).items()}
        writer.writerow({k: harmless(v) if isinstance(v, str) else v for k, v in cells.items()})
    return stream.getvalue()

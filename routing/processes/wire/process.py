"""Wire erosion: a straight wire through the part, leaning up to the machine's taper limit."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from featurize import tolerances as tol
from featurize.brep.surfaces import Array
from featurize.feature import Feature
from routing.processes.context import JobContext
from routing.processes.corners import lean_deg
from routing.processes.outlines import outline_of
from routing.processes.protocol import Allowance, Approach, Effort, Process, Removal, Stage, Task, Verdict
from routing.processes.rest.left import NEARLY_ALL, Left, NoBodyError, rolled
from routing.processes.rest.slabs import Stack
from routing.processes.sweeps import through_opening
from routing.processes.tools import Wire
from routing.processes.wire import ROOM, reach
from routing.processes.wire.effort import effort_of, trim_effort
from routing.processes.wire.paths import passes_on
from routing.processes.wire.shop import WireShop
from routing.processes.wire.verdict import WIRE, WirePass, WireVerdict


class WireErosion(Process):
    room = ROOM
    alters_skin = True
    is_forceful = False

    def judge(self, job: JobContext, feature: Feature) -> WireVerdict:
        return reach.judge(job, feature)

    def tasks(self, job: JobContext, feature: Feature, verdict: Verdict) -> Sequence[Task]:
        assert isinstance(verdict, WireVerdict)
        way = verdict.approaches[0] if verdict.approaches else job.approach(_along(job, feature))
        passes = _passes(job, feature, verdict, way)
        cut = Task(Stage.WIRE, WIRE, way, feature, verdict, verdict.tool, notes=_trims(job), passes=passes)
        hole = verdict.start_hole
        if hole is None or hole.made is None or verdict.start_at is None:
            return [cut]
        note = f"{feature.id} start hole {hole.diameter_mm:g}"
        if hole.made.how != "drilled":
            note += f", {hole.made.how}"
        start = Task(
            Stage.START_HOLE,
            hole.made.by,
            way,
            feature,
            verdict,
            hole.made.tool,
            notes=(note,),
            at=verdict.start_at,
        )
        return [start, cut]

    def fine_task(self, job: JobContext, feature: Feature, verdict: Verdict, why: str) -> Task:
        note = f"{feature.id} {why}: trim cuts at low energy until it holds"
        assert isinstance(verdict, WireVerdict)
        passes = _passes(job, feature, verdict, verdict.approach)
        return Task(
            Stage.TRIM, WIRE, verdict.approach, feature, verdict, verdict.tool, (note,), passes=passes
        )

    def blend_tasks(
        self, job: JobContext, feature: Feature, verdict: Verdict, faces: tuple[int, ...]
    ) -> Sequence[Task]:
        return ()

    def unmade(self, job: JobContext, tasks: Sequence[Task]) -> dict[str, str]:
        return {}

    def squaring(self, job: JobContext, faces: Sequence[Feature]) -> Sequence[Task]:
        return ()

    def leaves(self, job: JobContext, task: Task) -> Allowance:
        return Allowance()

    def effort(self, job: JobContext, task: Task) -> Effort:
        if task.stage not in (Stage.WIRE, Stage.TRIM):
            raise ValueError(f"the wire does not do {task.stage.words}")
        verdict = task.verdict
        assert isinstance(verdict, WireVerdict)
        passes, wire = _passes(job, task.feature, verdict, task.approach), _wire(job, verdict)
        if task.stage == Stage.TRIM:
            return trim_effort(job, passes, wire)
        height = verdict.height_mm or job.extent_mm(task.approach.direction)
        return effort_of(job, passes, height, wire, closed=verdict.start_hole is not None)

    def running_cost_per_hour(self, job: JobContext) -> tuple[float, str]:
        return 0.0, ""

    def removal(self, job: JobContext, task: Task, blank_mm: Array) -> Removal:
        along = task.approach.direction
        levels = blank_mm @ along
        ends = float(levels.min()), float(levels.max())
        return Removal(partial(through_opening, job.part, task.feature, *ends))

    def takes_run(self, job: JobContext, feature: Feature) -> bool:
        return False

    def pierces(self, job: JobContext, diameter_mm: float, depth_mm: float) -> None:
        return None

    def left(self, job: JobContext, feature: Feature, verdict: Verdict, *, forced: bool) -> Left:
        assert isinstance(verdict, WireVerdict)
        shop = job.shop[WireShop]
        along = verdict.approach.direction if verdict.wire else _along(job, feature)
        owned = min(shop.wires, key=lambda w: w.corner_mm)
        if any(tol.CONE_MIN_DEG < lean_deg(f, along) < 89.0 for f in job.faces(feature)):
            raise NoBodyError("the wire would lean along its walls")
        barred = job.extent_mm(along) > shop.machine.height_limit_mm
        # Where no start hole can be the wire is not threaded at all.
        barred |= verdict.start_hole is not None and verdict.start_hole.diameter_mm is None
        stack = Stack.along(job, along)
        _, silhouette = job.silhouette(along)
        outline = outline_of(job.part, stack.view, np.array(feature.faces))
        if barred or float(outline.intersection(silhouette).area) > NEARLY_ALL * float(outline.area):
            raise NoBodyError("it would leave nearly all")
        tool = f"wire {owned.diameter_mm:g} and its {owned.gap_mm:g} gap"
        return rolled(stack, feature, tool, owned.corner_mm, silhouette=silhouette)


def _along(job: JobContext, feature: Feature) -> Array:
    """Where a wire that was refused everywhere would come from."""
    return reach.axes(job, feature)[0]


def _wire(job: JobContext, verdict: WireVerdict) -> Wire:
    """A forced feature that no wire makes gets the thinnest."""
    return verdict.wire or min(job.shop[WireShop].wires, key=lambda w: w.diameter_mm)


def _passes(job: JobContext, feature: Feature, verdict: WireVerdict, way: Approach) -> tuple[WirePass, ...]:
    return verdict.passes or passes_on(job, feature, way.direction, _wire(job, verdict))


def _trims(job: JobContext) -> tuple[str, ...]:
    """What eroding leaves altered is taken off by passes at ever lower energy."""
    n = job.shop.rule(job.material).finishing_passes
    if n < 2:
        return ()
    how = f"at least {n} trims at ever lower energy"
    return (f"{how}: erosion leaches the binder and cracks the skin (common practice)",)

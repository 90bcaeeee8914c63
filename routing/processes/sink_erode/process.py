"""Sink-erosion: an electrode of the feature's own shape, sunk from one side and orbited."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from featurize.brep.surfaces import Array
from featurize.feature import Feature
from routing.processes.approaches import approaches
from routing.processes.context import JobContext
from routing.processes.protocol import (
    Allowance,
    Approach,
    Effort,
    Pierced,
    Process,
    Removal,
    Stage,
    Task,
    Verdict,
    total,
)
from routing.processes.rest.left import Left, rolled
from routing.processes.rest.slabs import Stack
from routing.processes.sink_erode import ROOM, reach
from routing.processes.sink_erode.effort import erode, start_hole
from routing.processes.sink_erode.forecast import made_tools, sets_of
from routing.processes.sink_erode.shop import ErodeShop
from routing.processes.sink_erode.verdict import SINK, SinkVerdict
from routing.processes.sweeps import pierced
from routing.processes.tools import ElectrodeSet, TubeElectrode


class SinkErosion(Process):
    room = ROOM
    alters_skin = True
    is_forceful = False

    def judge(self, job: JobContext, feature: Feature) -> SinkVerdict:
        return reach.judge(job, feature)

    def tasks(self, job: JobContext, feature: Feature, verdict: Verdict) -> Sequence[Task]:
        n = job.shop.rule(job.material).finishing_passes
        how = f"at least {n} finishing steps at ever lower energy"
        why = "erosion leaches the binder and cracks the skin (common practice)"
        notes = (f"{how}: {why}",) if n > 1 else ()
        return [Task(Stage.ERODE, SINK, _way(job, feature, verdict), feature, verdict, ElectrodeSet(), notes)]

    def fine_task(self, job: JobContext, feature: Feature, verdict: Verdict, why: str) -> Task:
        note = f"{feature.id} {why}: a fresh finishing electrode at low energy"
        return Task(Stage.LAST, SINK, _way(job, feature, verdict), feature, verdict, ElectrodeSet(), (note,))

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
        shop, scale = job.shop[ErodeShop], job.shop.rule(job.material).erode_scale
        if task.stage == Stage.START_HOLE:
            assert isinstance(task.tool, TubeElectrode)
            depth = job.extent_mm(task.approach.direction)
            return start_hole(depth, task.tool.diameter_mm, shop.rates, scale=scale)
        if task.stage not in (Stage.ERODE, Stage.LAST):
            raise ValueError(f"the sinker does not do {task.stage.words}")
        sets = sets_of(job, task, last=task.stage == Stage.LAST)
        tools = made_tools(job, task, sets)
        return total(
            erode(s.region, s.burns, shop.rates, tuple(t for t in tools if t.group == s.group)) for s in sets
        )

    def running_cost_per_hour(self, job: JobContext) -> tuple[float, str]:
        return 0.0, ""

    def removal(self, job: JobContext, task: Task, blank_mm: Array) -> Removal:
        if task.stage == Stage.START_HOLE:
            return Removal(partial(pierced, task, blank_mm), in_part=True)
        return Removal(everything=task.stage == Stage.ERODE)

    def takes_run(self, job: JobContext, feature: Feature) -> bool:
        return False

    def pierces(self, job: JobContext, diameter_mm: float, depth_mm: float) -> Pierced:
        return Pierced(self.name, "eroded", TubeElectrode(diameter_mm))

    def left(self, job: JobContext, feature: Feature, verdict: Verdict, *, forced: bool) -> Left:
        toward, owned = _way(job, feature, verdict).direction, job.shop[ErodeShop].electrodes
        stack = Stack.along(job, toward)
        mouth = stack.extent(feature.faces)[1]
        radius = reach.leaves_mm(owned)
        edge = f"electrode edge {owned.corner_radius_mm:g} and its {owned.finish_gap_mm:g} gap"
        words = f"{edge} from {job.side_name(toward)}"
        return rolled(stack, feature, words, radius, floor_mm=mouth - owned.max_depth_mm)


def _way(job: JobContext, feature: Feature, verdict: Verdict) -> Approach:
    """The verdict's own, else the most natural one."""
    return verdict.approaches[0] if verdict.approaches else job.approach(approaches(job, feature)[0])

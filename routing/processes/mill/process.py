"""Milling, drilling and thread milling: a round cutter from one side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from featurize import tolerances as tol
from featurize.brep.surfaces import Array
from featurize.feature import Feature
from routing.processes.approaches import approaches
from routing.processes.context import JobContext
from routing.processes.mill import ROOM, effort, reach
from routing.processes.mill.bore_tools import opening
from routing.processes.mill.hole import Hole
from routing.processes.mill.levels import ROUGH_FLOOR_MM, ROUGH_WALL_MM, SEMI_MM
from routing.processes.mill.pace import owned, reach_mm, worn
from routing.processes.mill.region import region_of
from routing.processes.mill.shop import MillShop
from routing.processes.mill.sweep import swept
from routing.processes.mill.verdict import MILL, BoreStep, FinishCut, MillVerdict, RoughCut
from routing.processes.protocol import (
    Allowance,
    Approach,
    Effort,
    Pierced,
    Process,
    Removal,
    Stage,
    Task,
    ToolPass,
    Verdict,
    total,
)
from routing.processes.rest.left import Left, NoBodyError, rolled
from routing.processes.rest.slabs import Stack
from routing.processes.sizes import area_of_faces, found_by
from routing.processes.sweeps import drilled_bores, pierced
from routing.processes.tools import BoringHead, Cutter, Drill, SideCutter

# A cut that goes before its time, beside a wall that may break out, is led at half speed
# (common practice, no source).
_CAREFUL = 2.0
_EVEN = "the wheel's corner stands at the foot of the walls: semi-finished before the floor finish"


class Milling(Process):
    room = ROOM
    alters_skin = False
    is_forceful = True

    def judge(self, job: JobContext, feature: Feature) -> MillVerdict:
        return reach.judge(job, feature)

    def tasks(self, job: JobContext, feature: Feature, verdict: Verdict) -> Sequence[Task]:
        assert isinstance(verdict, MillVerdict)
        way = _way(job, feature, verdict)
        plain = Task(Stage.ROUGH, MILL, way, feature, verdict, verdict.tool)
        if verdict.bore:
            pairs = dict.fromkeys((s.stage, s.tool) for s in verdict.bore)
            found = [plain.but(stage=stage, tool=tool) for stage, tool in pairs]
            mouth = float(Hole.of(job, feature, way.direction).mouth @ way.direction)
            return [_in_steps(t, verdict.steps_of(t), mouth) for t in found]
        if feature.bores and not verdict.workable:  # a person asked for it
            return [plain.but(stage=Stage.DRILL)]
        if verdict.way is None:
            return [plain.but(stage=stage) for stage in (Stage.ROUGH, Stage.SEMI_FINISH, Stage.FINISH)]
        rough = [plain.but(tool=c.tool, volume_mm3=c.volume_mm3) for c in verdict.way.rough]
        stages = (Stage.SEMI_FINISH, Stage.FINISH) if rough else (Stage.FINISH,)
        tools = dict.fromkeys(c.tool for c in verdict.way.finish)
        return [*rough, *(plain.but(stage=stage, tool=tool) for stage in stages for tool in tools)]

    def fine_task(self, job: JobContext, feature: Feature, verdict: Verdict, why: str) -> Task:
        way = _way(job, feature, verdict)
        if feature.bores:
            how = "fine-bored, or jig-ground where hardened; reamed only in soft steel"
            return Task(Stage.LAST, MILL, way, feature, verdict, notes=(f"{feature.id} {why}: {how}",))
        how = "lapped or polished by hand"
        return Task(Stage.LAST, "bench", way, feature, verdict, notes=(f"{feature.id} {why}: {how}",))

    def blend_tasks(
        self, job: JobContext, feature: Feature, verdict: Verdict, faces: tuple[int, ...]
    ) -> Sequence[Task]:
        assert isinstance(verdict, MillVerdict)
        tool = next((c.tool for c in _floors(verdict)), verdict.tool)
        last = Task(Stage.FINISH, MILL, _way(job, feature, verdict), feature, verdict, tool, blends=faces)
        return [last.but(stage=Stage.SEMI_FINISH, notes=(f"{feature.id}: {_EVEN}",)), last]

    def unmade(self, job: JobContext, tasks: Sequence[Task]) -> dict[str, str]:
        return {}

    def squaring(self, job: JobContext, faces: Sequence[Feature]) -> Sequence[Task]:
        return ()

    def leaves(self, job: JobContext, task: Task) -> Allowance:
        if task.stage == Stage.SOFT_ROUGH:
            left = job.shop.general.hardening_allowance_mm
            return Allowance(left, left)
        if task.stage == Stage.SEMI_FINISH:
            return Allowance(SEMI_MM, SEMI_MM)
        rough = task.stage in (Stage.ROUGH, Stage.OPEN)
        return Allowance(ROUGH_FLOOR_MM, ROUGH_WALL_MM) if rough else Allowance()

    def effort(self, job: JobContext, task: Task) -> Effort:
        shop, feature, verdict = job.shop[MillShop], task.feature, task.verdict
        rule, tool = job.rule(soft=task.soft), task.tool
        steps = verdict.steps_of(task) if isinstance(verdict, MillVerdict) else ()
        if steps:
            return total(_of_step(job, feature, step, soft=task.soft) for step in steps)
        match task.stage:
            case Stage.START_HOLE:
                assert isinstance(tool, Drill)
                depth = job.extent_mm(task.approach.direction)
                found = effort.drill(depth, tool.diameter_mm, shop.holes, scale=rule.hole_scale)
                return worn(job, found, tool, soft=task.soft)
            case Stage.DRILL:
                straight = [b for b in feature.bores if b.is_cylinder]
                return total(
                    effort.drill(b.end_mm, b.start_diameter_mm, shop.holes, scale=rule.hole_scale)
                    for b in straight
                )
            case Stage.LAST:
                return effort.bored(sum(b.is_cylinder for b in feature.bores), shop.holes)
            case Stage.ROUGH | Stage.SOFT_ROUGH:
                return self._roughing(job, task)
            case Stage.OPEN:
                return self._roughing(job, task).times(_CAREFUL, "half speed beside a thin wall")
            case Stage.SEMI_FINISH | Stage.FINISH:
                return self._finishing(job, task)
        raise ValueError(f"the mill does not do {task.stage.words}")

    def _roughing(self, job: JobContext, task: Task) -> Effort:
        volume = found_by(job, task)[0]
        if isinstance(task.tool, Cutter | SideCutter):
            region = region_of(job, task.feature, task.approach.direction)
            return replace(region, soft=task.soft).roughing(RoughCut(task.tool, volume))
        rates, scale = job.shop[MillShop].rates, job.rule(soft=task.soft).feed_scale
        return effort.rough(volume, rates.full_cutter_mm, rates, scale=scale)

    def _finishing(self, job: JobContext, task: Task) -> Effort:
        semi, verdict, tool = task.stage == Stage.SEMI_FINISH, task.verdict, task.tool
        if not isinstance(tool, Cutter | SideCutter):
            rates, scale = job.shop[MillShop].rates, job.rule().feed_scale
            area = area_of_faces(job, task.feature.faces)
            return effort.finish(area, rates.full_cutter_mm, rates, scale=scale, semi=semi)
        region = region_of(job, task.feature, task.approach.direction)
        if task.blends:  # only what another left on these faces
            area = area_of_faces(job, task.blends)
            return region.finishing(FinishCut(tool, "floor", area), semi=semi)
        assert isinstance(verdict, MillVerdict)
        assert verdict.way is not None
        own = [c for c in verdict.way.finish if c.tool == tool]
        share = 1.0 if task.ahead is None else found_by(job, task)[1]
        return total(region.finishing(c, semi=semi, share=share) for c in own)

    def running_cost_per_hour(self, job: JobContext) -> tuple[float, str]:
        return 0.0, ""  # what wears is in each effort

    def removal(self, job: JobContext, task: Task, blank_mm: Array) -> Removal:
        if task.stage == Stage.START_HOLE:
            return Removal(partial(pierced, task, blank_mm), in_part=True)
        verdict = task.verdict
        steps = verdict.steps_of(task) if isinstance(verdict, MillVerdict) else ()
        if not steps:
            if task.stage == Stage.DRILL:
                return Removal(partial(drilled_bores, task.feature, blank_mm))
            if task.stage == Stage.FINISH and isinstance(verdict, MillVerdict) and not verdict.workable:
                return Removal(everything=True, stays=partial(self._rest, job, task))
            return Removal(everything=task.stage in (Stage.FINISH, Stage.LAST))
        assert isinstance(verdict, MillVerdict)
        if any(s.what == "mouth" for s in steps):
            return Removal(tuple, in_part=True)  # the model does not show it
        shown = [s for s in verdict.bore if s.what != "mouth"]
        if (steps[-1].stage, steps[-1].tool) == (shown[-1].stage, shown[-1].tool):
            if task.stage in (Stage.FINISH, Stage.THREAD):
                return Removal(everything=True)
            return Removal(partial(drilled_bores, task.feature, blank_mm))
        return Removal(
            partial(swept, job, task.feature, task.approach.direction, steps, blank_mm), in_part=True
        )

    def _rest(self, job: JobContext, task: Task) -> Sequence[Any]:
        """What it cannot make of a feature, as solids; none where no body of it is known."""
        assert task.verdict is not None
        try:
            return self.left(job, task.feature, task.verdict, forced=False).bodies()
        except NoBodyError:
            return ()

    def takes_run(self, job: JobContext, feature: Feature) -> bool:
        return False

    def pierces(self, job: JobContext, diameter_mm: float, depth_mm: float) -> Pierced | None:
        shop = job.shop[MillShop]
        of_size = (d for d in shop.every_drill if abs(d.diameter_mm - diameter_mm) < tol.SURFACE_MM / 2)
        fits = any(d.length_mm >= depth_mm - tol.LENGTH_MM for d in of_size)
        steep = depth_mm > shop.drilling.drill_ratio * diameter_mm + tol.LENGTH_MM
        # Carbide is eroded.
        able = fits and not steep and job.material.binder_percent is None
        return Pierced(self.name, "drilled", Drill(diameter_mm)) if able else None

    def left(self, job: JobContext, feature: Feature, verdict: Verdict, *, forced: bool) -> Left:
        toward = _way(job, feature, verdict).direction
        stack = Stack.along(job, toward)
        low, mouth = stack.extent(feature.faces)
        able = [c for c in owned(job) if c.form != "chamfer"]
        if not able:
            raise NoBodyError("the material bears none of the shop's cutters")
        deep = {c: reach_mm(job, c) for c in able}
        long = [c for c in able if deep[c] >= mouth - low - tol.SURFACE_MM]
        long = long or [max(able, key=lambda c: deep[c])]
        named = [c for c in long if verdict.tool == c]
        cutter = min(named or long, key=lambda c: (c.radius_mm, c.form != "flat"))
        words = f"{cutter} from {job.side_name(toward)}"
        return rolled(stack, feature, words, cutter.radius_mm, floor_mm=mouth - deep[cutter])


def _way(job: JobContext, feature: Feature, verdict: Verdict) -> Approach:
    """The verdict's own, else the most natural one."""
    return verdict.approaches[0] if verdict.approaches else job.approach(approaches(job, feature)[0])


def _floors(verdict: MillVerdict) -> Sequence[FinishCut]:
    """The cuts of a floor, the largest share first."""
    cuts = verdict.way.finish if verdict.way else ()
    own = [c for c in cuts if c.what == "floor"]
    return sorted(own, key=lambda c: -c.area_mm2)


def _in_steps(task: Task, steps: Sequence[BoreStep], mouth_mm: float) -> Task:
    """A task with what its steps tell; ``mouth_mm`` is where the bore begins along the approach."""
    passes = tuple(
        ToolPass(words=s.words, high_mm=mouth_mm - s.from_mm, low_mm=mouth_mm - s.to_mm - s.point_mm)
        for s in steps
    )
    return task.but(notes=tuple(_noted(task.feature, steps)), passes=passes)


def _noted(feature: Feature, steps: Sequence[BoreStep]) -> Sequence[str]:
    """What a person at the machine must know beside the table of holes."""
    found = []
    for step in steps:
        if step.what == "spot-face":
            found.append(f"{feature.id} starts on a slant: spot-faced before it is drilled")
        if step.what == "mouth":
            found.append(f"{feature.id} mouth broken {step.to_mm:g} at 45 deg before the thread")
    return found


def _of_step(job: JobContext, feature: Feature, step: BoreStep, *, soft: bool) -> Effort:
    """One step of a bore, at the material's rates for holes."""
    shop, scale = job.shop[MillShop], job.rule(soft=soft).hole_scale
    tool = step.tool
    if step.stage == Stage.THREAD:
        assert feature.thread is not None
        pitch = feature.thread.pitch_mm
        found = effort.thread_mill(
            step.to_mm - step.from_mm, step.diameter_mm, pitch, shop.holes, scale=scale
        )
    elif isinstance(tool, Drill):
        found = effort.drill(step.to_mm, step.diameter_mm, shop.holes, scale=scale)
    elif isinstance(tool, BoringHead):
        found = effort.bored(1, shop.holes)
    elif step.stage == Stage.COUNTERSINK:
        found = effort.turned(step.diameter_mm, step.found_mm3, shop.rates, shop.holes, scale=scale)
    else:
        assert isinstance(tool, Cutter)
        opened = opening(job, tool, step.found_mm3, soft=soft)
        if not step.area_mm2:
            return opened
        semi = step.stage == Stage.SEMI_FINISH
        finish = effort.finish(step.area_mm2, tool.diameter_mm, shop.rates, scale=scale, semi=semi)
        return total([opened, worn(job, finish, tool, soft=soft)])
    return worn(job, found, tool, soft=soft)

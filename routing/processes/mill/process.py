"""Milling, drilling and thread milling: a round cutter from one side."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from featurize import tolerances as tol
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Role
from routing.processes.approaches import approaches
from routing.processes.context import JobContext
from routing.processes.mill import ROOM, effort, reach
from routing.processes.mill.levels import ROUGH_FLOOR_MM, ROUGH_WALL_MM
from routing.processes.mill.shop import MillShop
from routing.processes.mill.verdict import MILL, MillVerdict
from routing.processes.protocol import (
    Allowance,
    Approach,
    Effort,
    Process,
    Removal,
    Stage,
    Task,
    Verdict,
    total,
)
from routing.processes.rest.left import Left, NoBodyError, rolled
from routing.processes.rest.slabs import Stack
from routing.processes.sizes import area_of_faces, found_by
from routing.processes.sweeps import drilled_bores
from routing.processes.tools import Cutter, Drill, SideCutter, ThreadMill

STAGES = (Stage.ROUGH, Stage.SEMI_FINISH, Stage.FINISH)
# A cut that goes before its time, beside a wall that may break out, is led at half speed
# (common practice, no source).
_CAREFUL = 2.0


class Milling(Process):
    room = ROOM
    alters_skin = False
    is_forceful = True

    def judge(self, job: JobContext, feature: Feature) -> MillVerdict:
        return reach.judge(job, feature)

    def tasks(self, job: JobContext, feature: Feature, verdict: Verdict) -> Sequence[Task]:
        assert isinstance(verdict, MillVerdict)
        way = _way(job, feature, verdict)

        def task(stage: Stage) -> Task:
            return Task(stage, MILL, way, feature, verdict, verdict.tool)

        if verdict.drilled or (feature.bores and not verdict.workable):
            steps = [task(Stage.DRILL)]
            thread = feature.thread
            if thread and thread.designation:
                if "counterbore_depth_mm" in feature.dims:
                    steps.append(task(Stage.RELIEF).but(tool=None))
                steps.append(task(Stage.THREAD).but(tool=ThreadMill(thread.designation, thread.major_mm)))
            return steps
        sink = feature.bores and not any(b.is_cylinder for b in feature.bores)
        if sink or feature.kind.traits.edge_break:
            return [task(Stage.FINISH)]
        return [task(stage) for stage in STAGES]

    def fine_task(self, job: JobContext, feature: Feature, verdict: Verdict, why: str) -> Task:
        way = _way(job, feature, verdict)
        if feature.bores:
            how = "fine-bored, or jig-ground where hardened; reamed only in soft steel"
            return Task(Stage.LAST, MILL, way, feature, verdict, notes=(f"{feature.id} {why}: {how}",))
        how = "lapped or polished by hand"
        return Task(Stage.LAST, "bench", way, feature, verdict, notes=(f"{feature.id} {why}: {how}",))

    def floor_task(self, job: JobContext, feature: Feature, verdict: Verdict) -> Task:
        way = _way(job, feature, verdict)
        return Task(Stage.FINISH, MILL, way, feature, verdict, verdict.tool, ground=True)

    def squaring(self, job: JobContext, faces: Sequence[Feature]) -> Sequence[Task]:
        return ()

    def leaves(self, job: JobContext, task: Task) -> Allowance:
        if task.stage == Stage.SOFT_ROUGH:
            left = job.shop.general.hardening_allowance_mm
            return Allowance(left, left)
        rough = task.stage in (Stage.ROUGH, Stage.OPEN)
        return Allowance(ROUGH_FLOOR_MM, ROUGH_WALL_MM) if rough else Allowance()

    def effort(self, job: JobContext, task: Task) -> Effort:
        shop, feature, verdict = job.shop[MillShop], task.feature, task.verdict
        scale = job.rule(soft=task.soft).feed_scale
        tool = task.tool
        cutter = tool.diameter_mm if isinstance(tool, Cutter | SideCutter) else shop.rates.full_cutter_mm
        match task.stage:
            case Stage.START_HOLE:
                assert isinstance(tool, Drill)
                depth = job.extent_mm(task.approach.direction)
                return effort.drill(depth, tool.diameter_mm, shop.holes, scale=scale)
            case Stage.DRILL:
                return _drilling(feature, shop, scale)
            case Stage.RELIEF:
                ring = feature.bores[0]
                core = min(b.end_diameter_mm for b in feature.bores if b.is_cylinder)
                area = np.pi / 4 * (ring.start_diameter_mm**2 - core**2)
                depth = feature.dims["counterbore_depth_mm"]
                return effort.rough(area * depth, core / 2, shop.rates, scale=scale)
            case Stage.THREAD:
                assert isinstance(verdict, MillVerdict)
                return _threading(feature, verdict, shop, scale)
            case Stage.LAST:
                bores = sum(b.is_cylinder for b in feature.bores)
                each = shop.holes.bore_min
                return Effort(each * bores, 0.0, (f"{bores} bores, {each:g} min each",))
            case Stage.ROUGH | Stage.SOFT_ROUGH:
                return effort.rough(found_by(job, task)[0], cutter, shop.rates, scale=scale)
            case Stage.OPEN:
                found = effort.rough(found_by(job, task)[0], cutter, shop.rates, scale=scale)
                return found.times(_CAREFUL, "half speed beside a thin wall")
            case Stage.SEMI_FINISH | Stage.FINISH:
                # Behind a wheel only the allowance on its floors is left.
                area = area_of_faces(job, feature.faces_with(Role.FLOOR) if task.ground else feature.faces)
                area *= 1.0 if task.ground else found_by(job, task)[1]
                semi = task.stage == Stage.SEMI_FINISH
                return effort.finish(area, cutter, shop.rates, scale=scale, semi=semi)
        raise ValueError(f"the mill does not do {task.stage.words}")

    def running_cost_per_hour(self, job: JobContext) -> tuple[float, str]:
        return job.shop.rule(job.material).cutter_cost_per_hour, "cutters wear"

    def removal(self, job: JobContext, task: Task, blank_mm: Array) -> Removal:
        if task.stage == Stage.DRILL:
            return Removal(partial(drilled_bores, task.feature, blank_mm))
        return Removal(everything=task.stage in (Stage.FINISH, Stage.LAST))

    def takes_run(self, job: JobContext, feature: Feature) -> bool:
        return False

    def pierces(self, job: JobContext, diameter_mm: float, depth_mm: float) -> str | None:
        rule = job.shop[MillShop].drilling
        fits = diameter_mm >= rule.drill_min_mm and depth_mm / diameter_mm <= rule.drill_ratio
        # Carbide is eroded.
        return "drilled" if fits and job.material.binder_percent is None else None

    def left(self, job: JobContext, feature: Feature, verdict: Verdict, *, forced: bool) -> Left:
        toward = _way(job, feature, verdict).direction
        stack = Stack.along(job, toward)
        low, mouth = stack.extent(feature.faces)
        sensible = job.shop.rule(job.material).smallest_cutter_mm - tol.LENGTH_MM
        owned = [c for c in job.shop[MillShop].cutters if c.diameter_mm >= sensible]
        if not owned:
            raise NoBodyError("the material bears none of the shop's cutters")
        deep = {c: reach.reach_mm(job, c) for c in owned}
        able = [c for c in owned if deep[c] >= mouth - low - tol.SURFACE_MM]
        able = able or [max(owned, key=lambda c: deep[c])]
        named = [c for c in able if verdict.tool == c]
        cutter = min(named or able, key=lambda c: (c.radius_mm, c.kind != "flat"))
        words = f"{cutter.diameter_mm:g} {cutter.kind} cutter from {job.side_name(toward)}"
        return rolled(stack, feature, words, cutter.radius_mm, floor_mm=mouth - deep[cutter])


def _way(job: JobContext, feature: Feature, verdict: Verdict) -> Approach:
    """The verdict's own, else the most natural one."""
    return verdict.approaches[0] if verdict.approaches else job.approach(approaches(job, feature)[0])


def _drilling(feature: Feature, shop: MillShop, scale: float) -> Effort:
    """The narrowest bore from the mouth, wider ones to their own depth; a thread's relief comes later."""
    straight = [b for b in feature.bores if b.is_cylinder]
    relieved = feature.thread and feature.thread.designation and "counterbore_depth_mm" in feature.dims
    if relieved and len(straight) > 1:
        straight = straight[1:]
    return total(effort.drill(b.end_mm, b.start_diameter_mm, shop.holes, scale=scale) for b in straight)


def _threading(feature: Feature, verdict: MillVerdict, shop: MillShop, scale: float) -> Effort:
    thread = feature.thread
    assert thread is not None
    depth = verdict.thread_reach_mm
    if depth is None:
        bore = max((b.end_mm for b in feature.bores if b.is_cylinder), default=2 * thread.major_mm)
        depth = feature.dims.get("thread_depth_mm", bore)
    return effort.thread_mill(depth, thread.major_mm, thread.pitch_mm, shop.holes, scale=scale)

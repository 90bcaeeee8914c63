"""Surface grinding: what a straight wheel makes along one traverse, open at both ends."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from featurize import tolerances as tol
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Kind, Role
from routing.processes.context import JobContext
from routing.processes.protocol import (
    ALL_SIDES,
    Allowance,
    Approach,
    Effort,
    Process,
    Removal,
    Stage,
    Task,
    Verdict,
    feature_of,
)
from routing.processes.rest.left import Left
from routing.processes.sizes import area_of_faces, found_by, rim_depth, run_and_width
from routing.processes.surface_grind import ROOM
from routing.processes.surface_grind.effort import grind
from routing.processes.surface_grind.left import left_by_wheel
from routing.processes.surface_grind.profile import sight
from routing.processes.surface_grind.reach import Refusal, direction_name, plan_of
from routing.processes.surface_grind.shop import GrindRates, GrindShop
from routing.processes.surface_grind.verdict import GRIND, GrindVerdict


class SurfaceGrind(Process):
    room = ROOM
    alters_skin = False
    is_forceful = True

    def judge(self, job: JobContext, feature: Feature) -> GrindVerdict:
        """Tries every side and traverse that could make the feature."""
        if feature.kind == Kind.OUTSIDE_FACE:
            return GrindVerdict(process=GRIND, workable=False, reason="an outside face comes with the blank")
        found = plan_of(job, feature)
        if isinstance(found, Refusal):
            return GrindVerdict(
                process=GRIND,
                workable=False,
                reason=found.reason,
                shortfall_mm3=found.shortfall_mm3,
                place=found.place,
            )
        part, frame = job.part, job.part.frame
        side, along = (direction_name(part, d) for d in (found.side, found.traverse))
        words = [f"open at both ends along {along.lstrip('+-')} from {side}"]
        words.append(f"wheel {found.wheel.width_mm:g} wide, corner R {found.wheel.corner_radius_mm:g}")
        words += [f"sine plate or dressed angle {a:.3f} deg" for a in found.slopes_deg]
        words += [f"wheel dressed to R {r:.3f}" for r in found.formed_mm]
        view = sight(part, found.traverse, found.side)
        lowest = min(
            float(p[1]) for run in found.runs for s in run.stretches for p in (s.trace.low, s.trace.high)
        )
        return GrindVerdict(
            process=GRIND,
            workable=True,
            reason=", ".join(words),
            approaches=(job.approach(found.side, found.traverse),),
            tool=found.wheel,
            depth_mm=view.top - lowest,
            run_mm=float(np.ptp(frame.local(job.cloud(feature.faces)) @ (frame.axes @ found.traverse))),
            slopes_deg=found.slopes_deg,
            formed_mm=found.formed_mm,
        )

    def tasks(self, job: JobContext, feature: Feature, verdict: Verdict) -> Sequence[Task]:
        way = verdict.approaches[0] if verdict.approaches else _anyhow(job, feature)
        return [Task(Stage.GRIND, GRIND, way, feature, verdict, verdict.tool)]

    def fine_task(self, job: JobContext, feature: Feature, verdict: Verdict, why: str) -> Task:
        note = f"{feature.id} {why}: fine wheel, spark out, measure at rest temperature"
        way = verdict.approaches[0] if verdict.approaches else _anyhow(job, feature)
        return Task(Stage.LAST, GRIND, way, feature, verdict, verdict.tool, notes=(note,))

    def floor_tasks(self, job: JobContext, feature: Feature, verdict: Verdict) -> Sequence[Task]:
        return [Task(Stage.FINISH, GRIND, verdict.approach, feature, verdict, verdict.tool, ground=True)]

    def squaring(self, job: JobContext, faces: Sequence[Feature]) -> Sequence[Task]:
        way = Approach(job.approach(job.thickness).toward, ALL_SIDES)
        widest = max(job.shop[GrindShop].wheels, key=lambda w: w.width_mm)
        return [Task(Stage.SQUARE, GRIND, way, face, tool=widest) for face in faces]

    def leaves(self, job: JobContext, task: Task) -> Allowance:
        if task.stage != Stage.GRIND:
            return Allowance()
        return Allowance(*job.choices.allowance_for(feature_of(task.feature.id), str(task.feature.kind)))

    def effort(self, job: JobContext, task: Task) -> Effort:
        feature, verdict, shop = task.feature, task.verdict, job.shop[GrindShop]
        rates, scale = shop.rates, job.shop.rule(job.material).grind_scale
        run, width = run_and_width(job, feature)
        wheel = widest = max(w.width_mm for w in shop.wheels)
        if isinstance(verdict, GrindVerdict):
            run, wheel = verdict.run_mm or run, verdict.wheel.width_mm if verdict.wheel else widest
        match task.stage:
            case Stage.SQUARE | Stage.SIZE:
                return _squared(job, task, grind_rates=rates, scale=scale, widest_mm=widest)
            case Stage.FINISH:
                floor = area_of_faces(job, feature.faces_with(Role.FLOOR))
                left, _ = job.choices.allowance_for(feature_of(feature.id), str(feature.kind))
                return grind(left, floor / run, run, wheel, rates, scale=scale, fine_only=True)
            case Stage.LAST:
                run, width = run_and_width(job, feature)
                return grind(rates.fine_mm, width, run, widest, rates, scale=scale, fine_only=True)
            case Stage.GRIND | Stage.OPEN:
                depth = rim_depth(job, feature, task.approach.direction)
                width = found_by(job, task)[0] / (depth * run)
                return grind(depth, width, run, wheel, rates, scale=scale)
        raise ValueError(f"the grinder does not do {task.stage.words}")

    def running_cost_per_hour(self, job: JobContext) -> tuple[float, str]:
        return 0.0, ""

    def removal(self, job: JobContext, task: Task, blank_mm: Array) -> Removal:
        # What the wheel takes of all features together is the ground stock's; here, all that is left.
        return Removal(everything=True)

    def takes_run(self, job: JobContext, feature: Feature) -> bool:
        return not isinstance(plan_of(job, feature), Refusal)

    def pierces(self, job: JobContext, diameter_mm: float, depth_mm: float) -> None:
        return None

    def left(self, job: JobContext, feature: Feature, verdict: Verdict, *, forced: bool) -> Left:
        return left_by_wheel(job, feature, forced=forced)


def _anyhow(job: JobContext, feature: Feature) -> Approach:
    """Where a feature that no wheel makes would be ground from: the first side it opens to."""
    side = next(iter(feature.opens_to), "+z")
    return job.approach(job.part.frame.direction(side))


def _squared(
    job: JobContext, task: Task, *, grind_rates: GrindRates, scale: float, widest_mm: float
) -> Effort:
    """An outside face: what the blank has over it is ground away; one that comes to size is only checked.

    Of soft steel the hardening allowance stays until it is ground to size.
    """
    feature, allowed = task.feature, job.shop.general.hardening_allowance_mm
    idle = grind_rates.face_min * len(feature.faces)
    margin = allowed if task.stage == Stage.SIZE else _margin_mm(job, feature)
    if margin < tol.LENGTH_MM:
        return Effort(0.0, idle, ("comes to size: cleaned, checked and touched off",))
    run, width = run_and_width(job, feature)
    found = grind(margin, width, run, widest_mm, grind_rates, scale=scale)
    return Effort(found.run_min, idle, found.basis)


def _margin_mm(job: JobContext, feature: Feature) -> float:
    """What the blank has over an outside face."""
    if job.blanks is None:
        return 0.0
    return job.blanks.margin_mm(np.mean([f.normals.mean(axis=0) for f in job.faces(feature)], axis=0))

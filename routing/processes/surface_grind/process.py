"""Surface grinding: what a straight wheel makes along one traverse, open at both ends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from featurize import tolerances as tol
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Kind
from routing.processes.context import JobContext
from routing.processes.protocol import (
    ALL_SIDES,
    Allowance,
    Approach,
    Effort,
    Process,
    Removal,
    Rest,
    Stage,
    Task,
    Verdict,
    feature_of,
)
from routing.processes.rest.left import Left
from routing.processes.sizes import area_of_faces, found_by, rim_depth, run_and_width
from routing.processes.surface_grind import ROOM
from routing.processes.surface_grind.cuts import ground
from routing.processes.surface_grind.effort import grind
from routing.processes.surface_grind.left import left_by_wheel
from routing.processes.surface_grind.partial import worthwhile
from routing.processes.surface_grind.reach import Grind, direction_name, plan_of
from routing.processes.surface_grind.shop import GrindRates, GrindShop
from routing.processes.surface_grind.verdict import GRIND, GrindVerdict
from routing.processes.surface_grind.view import sight
from routing.processes.tools import Wheel


class SurfaceGrind(Process):
    room = ROOM
    alters_skin = False
    is_forceful = True

    def judge(self, job: JobContext, feature: Feature) -> GrindVerdict:
        """Tries every side and traverse that could make the feature."""
        if feature.kind == Kind.OUTSIDE_FACE:
            return GrindVerdict(process=GRIND, workable=False, reason="an outside face comes with the blank")
        found = plan_of(job, feature)
        if isinstance(found, Grind):
            answer = GrindVerdict(process=GRIND, workable=True, reason=_words(job, found))
            return _coming(job, feature, found, answer)
        answer = GrindVerdict(
            process=GRIND,
            workable=False,
            reason=found.reason,
            shortfall_mm3=found.shortfall_mm3,
            place=found.place,
        )
        bulk = worthwhile(job, feature)
        if bulk is None:
            return answer
        stops = f", its axis stops {' and '.join(bulk.stops)}" if bulk.stops else ""
        left = f"{bulk.rest_mm3:.4g} of {bulk.taken_mm3 + bulk.rest_mm3:.4g} mm3 stay"
        answer = replace(
            answer,
            reason=f"{found.reason}; {_words(job, bulk.way)}{stops}: {left}",
            shortfall_mm3=bulk.rest_mm3,
            place=found.place or bulk.place,
            rest=Rest("what the wheel's run-out left", bulk.rest_mm3, (bulk.place,)),
            taken_mm3=bulk.taken_mm3,
            stops=bulk.stops,
            progress=2,
        )
        return _coming(job, feature, bulk.way, answer)

    def tasks(self, job: JobContext, feature: Feature, verdict: Verdict) -> Sequence[Task]:
        way = verdict.approaches[0] if verdict.approaches else _anyhow(job, feature)
        task = Task(Stage.GRIND, GRIND, way, feature, verdict, verdict.tool)
        if not isinstance(verdict, GrindVerdict) or verdict.rest is None:
            return [task]
        notes = tuple(f"{feature.id}: the wheel's axis stops {words}" for words in verdict.stops)
        return [task.but(volume_mm3=verdict.taken_mm3, notes=notes)]

    def fine_task(self, job: JobContext, feature: Feature, verdict: Verdict, why: str) -> Task:
        note = f"{feature.id} {why}: fine wheel, spark out, measure at rest temperature"
        way = verdict.approaches[0] if verdict.approaches else _anyhow(job, feature)
        return Task(Stage.LAST, GRIND, way, feature, verdict, verdict.tool, notes=(note,))

    def blend_tasks(
        self, job: JobContext, feature: Feature, verdict: Verdict, faces: tuple[int, ...]
    ) -> Sequence[Task]:
        return [Task(Stage.FINISH, GRIND, verdict.approach, feature, verdict, verdict.tool, blends=faces)]

    def unmade(self, job: JobContext, tasks: Sequence[Task]) -> dict[str, str]:
        """The lanes between what stays on walls are too narrow for a wheel."""
        if not any(t.keeps for t in tasks):
            return {}  # as it was judged
        able = [
            t
            for t in tasks
            if t.stage == Stage.GRIND and isinstance(t.verdict, GrindVerdict) and t.verdict.way
        ]
        return dict(ground(job.part, able, job.part.mesh.vertices, job.shop[GrindShop].wheels).left_out)

    def squaring(self, job: JobContext, faces: Sequence[Feature]) -> Sequence[Task]:
        way = Approach(job.approach(job.thickness).toward, ALL_SIDES)
        widest = max(job.shop[GrindShop].wheels, key=lambda w: w.width_mm)
        return [Task(Stage.SQUARE, GRIND, way, face, tool=widest) for face in faces]

    def leaves(self, job: JobContext, task: Task) -> Allowance:
        if task.stage == Stage.SQUARE and task.soft:  # the rest is ground to size when it is hard
            over = job.shop.general.hardening_allowance_mm
            return Allowance(over, over)
        kept = [k.allowance for k in task.keeps]
        return Allowance(*(max((getattr(a, n) for a in kept), default=0.0) for n in ("floor_mm", "wall_mm")))

    def effort(self, job: JobContext, task: Task) -> Effort:
        feature, verdict, shop = task.feature, task.verdict, job.shop[GrindShop]
        rates, scale = shop.rates, job.shop.rule(job.material).grind_scale
        run, width = run_and_width(job, feature)
        wheel = widest = max(shop.wheels, key=lambda w: w.width_mm)
        if isinstance(verdict, GrindVerdict):
            run, wheel = verdict.run_mm or run, verdict.wheel or widest
        match task.stage:
            case Stage.SQUARE | Stage.SIZE:
                return _squared(job, task, grind_rates=rates, scale=scale, widest=widest)
            case Stage.FINISH:
                left = max(job.choices.allowance_for(feature_of(feature.id), str(feature.kind)))
                width = area_of_faces(job, task.blends) / run
                return grind(left, width, run, wheel, rates, scale=scale, fine_only=True)
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
        return isinstance(plan_of(job, feature), Grind)

    def pierces(self, job: JobContext, diameter_mm: float, depth_mm: float) -> None:
        return None

    def left(self, job: JobContext, feature: Feature, verdict: Verdict, *, forced: bool) -> Left:
        return left_by_wheel(job, feature, forced=forced)


def _words(job: JobContext, way: Grind) -> str:
    side, along = (direction_name(job.part, d) for d in (way.side, way.traverse))
    words = ["ground" if way.spans else "open at both ends"]
    words[0] += f" along {along.lstrip('+-')} from {side}"
    words.append(f"wheel {way.wheel.width_mm:g} wide, corner R {way.wheel.corner_radius_mm:g}")
    words += [f"sine plate or dressed angle {a:.3f} deg" for a in way.slopes_deg]
    words += [f"wheel dressed to R {r:.3f}" for r in way.formed_mm]
    return ", ".join(words)


def _coming(job: JobContext, feature: Feature, way: Grind, answer: GrindVerdict) -> GrindVerdict:
    """An answer with how the wheel comes."""
    traces = [s.trace for run in way.runs for s in run.stretches]
    lowest = min(float(p[1]) for t in traces for p in (t.low, t.high))
    along = direction_name(job.part, way.traverse).lstrip("+-")
    approach = job.approach(way.side, way.traverse)
    return replace(
        answer,
        approaches=(
            approach if job.shop[GrindShop].grinding.rotating_chuck else replace(approach, along=along),
        ),
        tool=way.wheel,
        depth_mm=sight(job.part, way.traverse, way.side).top - lowest,
        run_mm=float(np.ptp(job.cloud(feature.faces) @ way.traverse)),
        slopes_deg=way.slopes_deg,
        formed_mm=way.formed_mm,
        way=way,
    )


def _anyhow(job: JobContext, feature: Feature) -> Approach:
    """Where a feature that no wheel makes would be ground from: the first side it opens to."""
    side = next(iter(feature.opens_to), "+z")
    return job.approach(job.part.frame.direction(side))


def _squared(job: JobContext, task: Task, *, grind_rates: GrindRates, scale: float, widest: Wheel) -> Effort:
    """An outside face: what the blank has over it is ground away; one that comes to size is only checked.

    Of soft steel the hardening allowance stays until it is ground to size.
    """
    feature, allowed = task.feature, job.shop.general.hardening_allowance_mm
    idle = grind_rates.face_min * len(feature.faces)
    margin = allowed if task.stage == Stage.SIZE else _margin_mm(job, feature)
    if margin < tol.LENGTH_MM:
        return Effort(0.0, idle, ("comes to size: cleaned, checked and touched off",))
    run, width = run_and_width(job, feature)
    found = grind(margin, width, run, widest, grind_rates, scale=scale)
    return replace(found, idle_min=idle)


def _margin_mm(job: JobContext, feature: Feature) -> float:
    """What the blank has over an outside face."""
    if job.blanks is None:
        return 0.0
    return job.blanks.margin_mm(np.mean([f.normals.mean(axis=0) for f in job.faces(feature)], axis=0))

"""Jig grinding: a small wheel on a quill, planetary in round bores and along closed upright profiles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from featurize.brep.surfaces import Array
from featurize.feature import Feature
from routing.processes.context import JobContext
from routing.processes.corners import inside_corners, is_wall
from routing.processes.protocol import (
    Allowance,
    Effort,
    Process,
    Removal,
    Stage,
    Task,
    Verdict,
)
from routing.processes.rest.left import Left, NoBodyError
from routing.processes.sight import hidden_from
from routing.processes.sizes import area_of_faces
from routing.processes.sweeps import through_opening
from routing.processes.tools import HandTool
from tests.extra_process import ROOM
from tests.extra_process.shop import JigShop


@dataclass(frozen=True, kw_only=True)
class JigVerdict(Verdict):
    pilot_mm: float = 0.0
    depth_mm: float = 0.0


class JigGrind(Process):
    room = ROOM
    is_forceful = False
    alters_skin = False

    def judge(self, job: JobContext, feature: Feature) -> JigVerdict:
        owned = job.shop[JigShop].jig_grinder
        closed = feature.kind.traits.opening and feature.axis is not None and len(feature.opens_to) > 1
        if not closed or feature.thread is not None:
            return self._no("it is no closed opening")
        toward = np.array(feature.axis.direction)
        faces = job.faces(feature)
        if not all(is_wall(f, toward, 0.5) for f in faces) or hidden_from(job, feature.faces, toward):
            return self._no("its walls are not upright all the way")
        radius = min((c.radius_mm for c in inside_corners(job, feature, toward)), default=np.inf)
        depth = float(np.ptp(job.cloud(feature.faces) @ toward))
        if 2 * radius < owned.smallest_mm:
            return self._no(f"inside corner R {radius:.3g} is under the quill of {owned.smallest_mm:g}")
        if depth > owned.deepest_mm:
            return self._no(f"depth {depth:.3g} is over {owned.deepest_mm:g}")
        return JigVerdict(
            process=self.name,
            workable=True,
            reason=f"upright all round, {depth:.3g} deep, inside corner R {radius:.3g}",
            approaches=(job.approach(toward),),
            tool=HandTool(f"quill wheel under {2 * radius:.3g}"),
            pilot_mm=2 * (radius - owned.leave_mm),
            depth_mm=depth,
        )

    def _no(self, reason: str) -> JigVerdict:
        return JigVerdict(process=self.name, workable=False, reason=reason)

    def tasks(self, job: JobContext, feature: Feature, verdict: Verdict) -> Sequence[Task]:
        assert isinstance(verdict, JigVerdict)
        maker = job.piercing(verdict.pilot_mm, verdict.depth_mm)
        way = verdict.approach
        ground = Task(Stage.FINISH, self.name, way, feature, verdict, verdict.tool)
        if maker is None:
            return [ground]
        note = (f"{feature.id} pilot hole {verdict.pilot_mm:.4g}, {maker.how}",)
        pilot = Task(Stage.START_HOLE, maker.by, way, feature, verdict, maker.tool, note)
        return [pilot, ground]

    def fine_task(self, job: JobContext, feature: Feature, verdict: Verdict, why: str) -> Task:
        return Task(Stage.LAST, self.name, verdict.approach, feature, verdict, notes=(f"{feature.id} {why}",))

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
        area, rate = area_of_faces(job, task.feature.faces), job.shop[JigShop].jig_grinder.mm2_per_min
        return Effort(area / rate, 3.0, (f"{area:.4g} mm2 of wall at {rate:g} mm2/min",))

    def running_cost_per_hour(self, job: JobContext) -> tuple[float, str]:
        return 4.0, "quill wheels wear"

    def removal(self, job: JobContext, task: Task, blank_mm: Array) -> Removal:
        levels = blank_mm @ task.approach.direction
        return Removal(
            partial(through_opening, job.part, task.feature, float(levels.min()), float(levels.max()))
        )

    def left(self, job: JobContext, feature: Feature, verdict: Verdict, *, forced: bool) -> Left:
        raise NoBodyError("what a quill leaves is not worked out")

    def takes_run(self, job: JobContext, feature: Feature) -> bool:
        return False

    def pierces(self, job: JobContext, diameter_mm: float, depth_mm: float) -> None:
        return None


QUESTIONS = sorted(Process.__abstractmethods__)


def without(question: str) -> type[Any]:
    """The process with one answer left out."""
    answers = {n: v for n, v in vars(JigGrind).items() if n != question and not n.startswith("__")}
    return type("Incomplete", (Process,), answers)

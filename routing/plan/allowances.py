"""What stays on ground faces, and for whom: the one rule that stock, price and papers go by.

A wheel sparks its faces out to size, but where a cutter will blend with them: a face that another process
finishes too, or that meets a face which another roughs and finishes from the same side, keeps its allowance
for that process. Edge breaks and drilled holes touch no face beside them. Faces in one plane are one surface:
all keep it, or none where the cutter does not come to all. What a person asks to be left on a feature is left
in any case; where no cutter takes it the wheel comes again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from featurize import tolerances as tol
from featurize.brep.surfaces import Plane
from routing.plan.choice import RoutedRegion
from routing.processes.context import JobContext
from routing.processes.protocol import Allowance, Kept, Stage, Task, Verdict, feature_of

Made = Mapping[str, tuple[RoutedRegion, Sequence[Task]]]
# A process, and the side that it comes from.
_Way = tuple[str, str]


@dataclass(frozen=True, eq=False)
class _Face:
    """A ground face, and what its choices leave on it: ``wanted`` are who would blend with it.

    ``asked`` tells that a person asks for it on this feature, not on all.
    """

    face: int
    region: RoutedRegion
    ground: Task
    amount: Allowance
    is_floor: bool
    wanted: tuple[_Way, ...]
    asked: bool

    @property
    def mm(self) -> float:
        return self.amount.floor_mm if self.is_floor else self.amount.wall_mm

    def with_mm(self, mm: float) -> Allowance:
        return replace(self.amount, **{"floor_mm" if self.is_floor else "wall_mm": mm})

    def answer(self, way: _Way) -> Verdict | None:
        """That of a process about the region, where it can take something off this face from a side."""
        process, side = way
        for verdict in (*self.region.verdicts, self.ground.verdict):
            if verdict is None or verdict.process != process or not (verdict.workable or verdict.rest):
                continue
            ways = tuple(a for a in verdict.approaches if a.side == side)
            if ways:
                return replace(verdict, approaches=ways)
        return None


def allowed(job: JobContext, made: Made) -> dict[str, list[Task]]:
    """The tasks of each region, by its id, with what the ground ones keep and who takes it off at the end."""
    finished: dict[int, list[_Way]] = {}
    for _, tasks in made.values():
        rough = {t.process for t in tasks if t.stage in (Stage.ROUGH, Stage.SOFT_ROUGH)}
        for task in (t for t in tasks if t.stage == Stage.FINISH and t.process in rough):
            for face in task.feature.faces:
                finished.setdefault(face, []).append((task.process, task.approach.side))
    faces = [f for region, tasks in made.values() for t in tasks for f in _faces(job, region, t, finished)]
    taken: dict[str, dict[_Way, list[tuple[_Face, float]]]] = {}
    for plane in _planes(job, faces):
        most = max(f.mm for f in plane)
        for f, way in _taken(job, plane) if most > 0 else ():
            taken.setdefault(f.region.piece.id, {}).setdefault(way, []).append((f, most))
    found = {}
    for name, (_, tasks) in made.items():
        last: list[Task] = []
        keeps: list[Kept] = []
        for way, own in taken.get(name, {}).items():
            last += _blend(job, [f for f, _ in own], way)
            for amount in dict.fromkeys(f.with_mm(mm) for f, mm in own):
                ours = tuple(f.face for f, mm in own if f.with_mm(mm) == amount)
                keeps.append(Kept(ours, amount, way[0]))
        found[name] = [t.but(keeps=tuple(keeps)) if t.stage == Stage.GRIND else t for t in tasks] + last
    return found


def _faces(
    job: JobContext, region: RoutedRegion, task: Task, finished: Mapping[int, Sequence[_Way]]
) -> Iterator[_Face]:
    """The faces of one ground task."""
    if task.stage != Stage.GRIND:
        return
    piece = region.piece
    names = feature_of(piece.id), str(piece.kind)
    amount, asked = (
        Allowance(*job.choices.allowance_for(*names)),
        bool(set(names) & set(job.choices.allowances)),
    )
    for face in piece.faces:
        near = (face, *sorted(job.part.across(face)))
        wanted = tuple(dict.fromkeys(way for n in near for way in finished.get(n, ())))
        yield _Face(face, region, task, amount, _is_floor(job, face, task), wanted, asked)


def _planes(job: JobContext, faces: Sequence[_Face]) -> list[list[_Face]]:
    """Faces in one plane together, others alone."""
    found: dict[tuple[float, ...], list[_Face]] = {}
    for f in faces:
        surface, key = job.part.faces[f.face].surface, (float(f.face),)
        if isinstance(surface, Plane):
            level = (surface.origin - job.part.frame.origin) @ surface.normal
            key = (*np.round([*surface.normal, level], 3),)
        found.setdefault(key, []).append(f)
    return list(found.values())


def _taken(job: JobContext, plane: Sequence[_Face]) -> Iterator[tuple[_Face, _Way]]:
    """Who takes what stays on the faces of a plane: one that is wanted and comes to all."""
    wanted = dict.fromkeys(way for f in plane for way in f.wanted)
    way = next((w for w in wanted if all(_blend(job, [f], w) for f in plane)), None)
    if way is None and any(f.asked for f in plane):
        for f in plane:
            others = [v for v in f.region.verdicts if v.workable and v.process != f.ground.process]
            ways = [(v.process, v.approach.side) for v in others if v.approaches]
            ways.append((f.ground.process, f.ground.approach.side))
            yield from [(f, w) for w in ways if _blend(job, [f], w)][:1]
    elif way is not None:
        yield from ((f, way) for f in plane)


def _blend(job: JobContext, faces: Sequence[_Face], way: _Way) -> Sequence[Task]:
    """A process's tasks on some faces of one region."""
    verdict = faces[0].answer(way)
    if verdict is None:
        return ()
    piece = faces[0].region.piece
    return job.processes[way[0]].blend_tasks(job, piece, verdict, tuple(f.face for f in faces))


def _is_floor(job: JobContext, face: int, ground: Task) -> bool:
    """A floor lies nearer to the table than 45 degrees; every other face is a wall."""
    normal = job.part.faces[face].normals.mean(axis=0)
    lean = float(np.degrees(np.arccos(np.clip(normal @ ground.approach.direction, -1, 1))))
    return lean < 45.0 - tol.PARALLEL_DEG

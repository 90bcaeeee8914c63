"""Sections of walls across the wire, exact from the kernel: loops of lines, circles and other curves.

Loops over the same walls at two heights pair off, run by run; together they become outlines with as many
corners each, in the same order.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Curve
from OCP.BRepAlgoAPI import BRepAlgoAPI_Section
from OCP.GeomAbs import GeomAbs_CurveType as CurveType
from OCP.GeomAPI import GeomAPI_ProjectPointOnSurf
from OCP.GeomLProp import GeomLProp_SLProps
from OCP.gp import gp_Dir, gp_Pln, gp_Pnt
from OCP.TopAbs import TopAbs_Orientation, TopAbs_ShapeEnum
from OCP.TopoDS import TopoDS

from featurize import tolerances as tol
from featurize.brep.kernel_faces import kernel_faces
from featurize.brep.part import Face, Part
from featurize.brep.shapes import each
from featurize.brep.silhouette import View
from featurize.brep.surfaces import Array, Cone, Cylinder, Plane
from featurize.brep.surfaces_at import normals_at
from routing.processes.wire.arcs import Curve, Piece, as_arcs, bulge_through
from routing.processes.wire.outline import Outline, begun, outline_of, place_key, smoothed, turned


@dataclass(frozen=True, eq=False)
class WallCurve:
    """The section of one wall: ``at`` gives its points (2,) over the shares [0, 1].

    ``turn`` is the angle of a circular one in radians, 0 of a straight one, None of any other curve.
    """

    face: int
    at: Curve
    turn: float | None

    @property
    def start(self) -> Array:
        return self.at(0.0)

    @property
    def end(self) -> Array:
        return self.at(1.0)


@dataclass(frozen=True, eq=False)
class Loop:
    """Runs that follow each other, material to the right of the travel."""

    runs: tuple[WallCurve, ...]
    closed: bool

    @property
    def faces(self) -> tuple[int, ...]:
        return tuple(r.face for r in self.runs)

    def begun_at(self, k: int) -> Loop:
        return Loop((*self.runs[k:], *self.runs[:k]), self.closed)


def loops(part: Part, walls: Sequence[Face], view: View, height_mm: float) -> tuple[Loop, ...]:
    """The loops of some walls at a height along the view, from below, then from the left."""
    plane = gp_Pln(gp_Pnt(*view.solid(np.zeros(2), height_mm)), gp_Dir(*view.along))
    kernel = kernel_faces(part)
    runs: list[WallCurve] = []
    for wall in walls:
        for face in kernel[wall.id]:
            operation = BRepAlgoAPI_Section(face, plane, False)
            operation.Approximation(False)
            operation.Build()
            for edge in each(operation.Shape(), TopAbs_ShapeEnum.TopAbs_EDGE):
                runs += _runs(TopoDS.Edge_s(edge), face, wall, view)
    return tuple(_chained(runs)) if runs else ()


def outlines(matched: Sequence[Loop]) -> tuple[Outline, ...]:
    """Loops over the same walls, run by run, as outlines with as many corners in the same order."""
    pieces: list[list[Piece]] = [[] for _ in matched]
    faces: list[int] = []
    for runs in zip(*(loop.runs for loop in matched), strict=True):
        for own, more in zip(pieces, _pieces(runs), strict=True):
            own += more
        faces += [runs[0].face] * (len(pieces[0]) - len(faces))
    closed = matched[0].closed
    return begun(smoothed([outline_of(p, faces, closed) for p in pieces]))


def paired(below: Sequence[Loop], above: Sequence[Loop]) -> Iterator[tuple[Loop, Loop]]:
    """Each loop with the one over the same walls at another height, begun at the same wall."""
    left = list(above)
    for a in below:
        same = [b for b in left if len(b.runs) == len(a.runs) and b.closed == a.closed]
        turns = [(b, b.begun_at(k)) for b in same for k in range(len(b.runs) if b.closed else 1)]
        fits = [(b, turned) for b, turned in turns if turned.faces == a.faces]
        if fits:
            # Among equal orders (one wall all round) the corners must lie nearest.
            taken, best = min(fits, key=lambda pair: _apart(a, pair[1]))
            left.remove(taken)
            yield a, best


def _apart(a: Loop, b: Loop) -> float:
    return sum(
        float(np.sum((p.start - q.start) ** 2 + (p.end - q.end) ** 2))
        for p, q in zip(a.runs, b.runs, strict=True)
    )


def _pieces(runs: Sequence[WallCurve]) -> list[list[Piece]]:
    """One wall's sections at several heights as equally many lines and arcs."""
    if all(r.turn == 0 for r in runs):
        return [[Piece(r.start, r.end, 0.0)] for r in runs]
    if all(r.turn for r in runs):
        # Half a circle at most, and as many at every height.
        n = 1 if all(abs(r.turn or 0.0) <= np.pi + 1e-9 for r in runs) else 2
        return [[_arc(r, k / n, (k + 1) / n) for k in range(n)] for r in runs]
    halves = [as_arcs([_part(r, k) for r in runs]) for k in range(2)]
    return [[*first, *second] for first, second in zip(*halves, strict=True)]


def _arc(run: WallCurve, low: float, high: float) -> Piece:
    a, m, b = (run.at(s) for s in (low, (low + high) / 2, high))
    return Piece(a, b, bulge_through(a, m, b))


def _part(run: WallCurve, half: int) -> Curve:
    return lambda t: run.at((half + t) / 2)


def _runs(edge: Any, face: Any, wall: Face, view: View) -> list[WallCurve]:
    curve = BRepAdaptor_Curve(edge)
    first, last = curve.FirstParameter(), curve.LastParameter()

    def solid(share: float) -> Array:
        p = curve.Value(first + share * (last - first))
        return np.array([p.X(), p.Y(), p.Z()])

    def seen(share: float) -> Array:
        return view.flat(solid(share))

    at: Curve = seen
    back = _backwards(at)
    a, m, b = at(0.0), at(0.5), at(1.0)
    if float(np.linalg.norm(b - a) + np.linalg.norm(m - a)) < tol.LENGTH_MM / 10:
        return []
    kind = curve.GetType()
    turn = last - first if kind == CurveType.GeomAbs_Circle else None
    turn = 0.0 if kind == CurveType.GeomAbs_Line or isinstance(wall.surface, Plane) else turn
    if turn is None and (centre := _centre(wall, view)) is not None:
        # What a B-spline face gives as a curve is an arc where the surface behind it is round.
        at, turn = _round(at, centre)
        back = _backwards(at)
    # Material to the right: the outward normal points left of the travel.
    spot, travel = solid(0.5 + 1e-3), at(0.5 + 2e-3) - at(0.5)
    outward = view.flat(view.origin + _normal(face, wall, spot))
    is_left = travel[0] * outward[1] - travel[1] * outward[0] >= 0
    return [WallCurve(wall.id, at if is_left else back, turn)]


def _backwards(at: Curve) -> Curve:
    return lambda share: at(1 - share)


def _centre(wall: Face, view: View) -> Array | None:
    """Where the axis of a wall stands that is round about the line of sight."""
    match wall.surface:
        case Cylinder(origin=point, axis=axis) | Cone(apex=point, axis=axis):
            is_along = float(np.linalg.norm(np.cross(axis, view.along))) < tol.EDGE_ON_SINE
            return view.flat(point) if is_along else None
    return None


def _round(at: Curve, centre: Array) -> tuple[Curve, float]:
    """The arc about a centre through the ends of a curve, the way that the curve goes, and its angle."""
    arms = [at(k / 4) - centre for k in range(5)]
    steps = [np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b) for a, b in itertools.pairwise(arms)]
    angle = float(sum(steps))
    grown = (
        float(np.linalg.norm(arms[-1]) / np.linalg.norm(arms[0])) - 1
    )  # rounding: the ends stay as they are
    return lambda share: centre + (1 + share * grown) * turned(arms[0], share * angle), abs(angle)


def _normal(face: Any, wall: Face, point: Array) -> Array:
    """Out of the material, at a point of a wall; ``face`` is the kernel's."""
    exact = normals_at(wall.surface, point[None])
    if exact is not None:
        return np.asarray(exact[0])
    surface = BRep_Tool.Surface_s(face)
    foot = GeomAPI_ProjectPointOnSurf(gp_Pnt(*point), surface)
    normal = GeomLProp_SLProps(surface, *foot.LowerDistanceParameters(), 1, 1e-9).Normal()
    sense = -1.0 if face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED else 1.0
    return sense * np.array([normal.X(), normal.Y(), normal.Z()])


def _chained(runs: Sequence[WallCurve], reach_mm: float = tol.SURFACE_MM) -> list[Loop]:
    """Runs that follow each other (ends within ``reach_mm``), in an order that does not depend on theirs."""
    follows = _followers(runs, reach_mm)
    led = set(follows.values())
    todo = set(range(len(runs)))
    found = []
    for head in [*(k for k in range(len(runs)) if k not in led), *range(len(runs))]:
        if head not in todo:
            continue
        chain = [head]
        todo.discard(head)
        while (k := follows.get(chain[-1], -1)) in todo:
            chain.append(k)
            todo.discard(k)
        loop = Loop(tuple(runs[k] for k in chain), follows.get(chain[-1]) == head)
        found.append(_from_below(loop) if loop.closed else loop)
    return sorted(found, key=lambda loop: place_key(loop.runs[0].start))


def _from_below(loop: Loop) -> Loop:
    return loop.begun_at(min(range(len(loop.runs)), key=lambda k: place_key(loop.runs[k].start)))


def _followers(runs: Sequence[WallCurve], reach_mm: float) -> dict[int, int]:
    """For each run the one that starts where it ends; nearest pairs first."""
    ends, starts = np.array([r.end for r in runs]), np.array([r.start for r in runs])
    gaps = np.linalg.norm(ends[:, None] - starts[None], axis=2)
    rows, columns = np.nonzero(gaps <= reach_mm)
    follows: dict[int, int] = {}
    taken: set[int] = set()
    for i in np.lexsort((columns, rows, gaps[rows, columns])):
        a, b = int(rows[i]), int(columns[i])
        if a not in follows and b not in taken:
            follows[a] = b
            taken.add(b)
    return follows

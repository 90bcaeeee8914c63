"""Upright flat walls that a wheel was routed to, as they stand across its traverse."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.silhouette import View
from featurize.brep.surfaces import Array, Plane
from routing.processes.protocol import Allowance
from routing.stock.ground import GroundStock


@dataclass(frozen=True)
class StockWall:
    """``sense`` is 1 where it looks to higher places across, -1 to lower ones; ``left_mm`` stays on it."""

    across: float
    sense: int
    low: float
    high: float
    left_mm: float


def walls_of(part: Part, stock: GroundStock, view: View, regions: Iterable[str]) -> list[StockWall]:
    """Of walls in line, one behind the other, each keeps what that keeps which keeps most.

    So does a wall behind which another stands on a narrow ledge and keeps more than that is wide.
    """
    faces = sorted(f for region in regions for f in stock.faces.get(region, ()))
    floors = [part.mesh.vertices[part.mesh.corners([f])] for f in faces if _is_level(part, view, f)]
    ends = [(flat.min(axis=0), flat.max(axis=0)) for flat in map(view.flat, floors)]
    walls = [w for f in faces if (w := _wall(part, stock, view, f)) is not None]
    # Where a floor's end is broken the wall goes on below it, for who breaks that.
    walls = [
        replace(w, low=max([w.low, *(float(b[1]) for a, b in ends if _is_foot(w, a, b))])) for w in walls
    ]

    def most(wall: StockWall) -> float:
        back = ((wall.sense * (wall.across - w.across), w) for w in walls if w.sense == wall.sense)
        over = (w.left_mm - mm for mm, w in back if -tol.LENGTH_MM < mm < w.left_mm and w.high > wall.low)
        return max(over, default=wall.left_mm)

    return [replace(w, left_mm=most(w)) for w in walls]


def _is_level(part: Part, view: View, face: int) -> bool:
    surface = part.faces[face].surface
    return isinstance(surface, Plane) and float(surface.normal @ view.up) > 1 - tol.EDGE_ON_SINE


def _is_foot(wall: StockWall, low: Array, high: Array) -> bool:
    """Whether a level floor, between two corners (2,), is one that a wall stands on."""
    beside = low[0] - tol.SURFACE_MM < wall.across < high[0] + tol.SURFACE_MM
    return bool(beside and wall.low < high[1] < wall.high)


def _wall(part: Part, stock: GroundStock, view: View, face: int) -> StockWall | None:
    surface = part.faces[face].surface
    if not isinstance(surface, Plane) or abs(float(surface.normal @ view.across)) < 1 - tol.EDGE_ON_SINE:
        return None
    flat = view.flat(part.mesh.vertices[part.mesh.corners([face])])
    sense = 1 if float(surface.normal @ view.across) > 0 else -1
    mm = stock.allowances.get(face, Allowance()).wall_mm
    return StockWall(float(flat[:, 0].mean()), sense, float(flat[:, 1].min()), float(flat[:, 1].max()), mm)

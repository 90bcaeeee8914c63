"""The silhouette of a part along a direction, and its upper envelope.

Flat faces cast their exact edges; curved ones cast mesh facets, so a round outline lies inside the true
one by ``tolerances.MESH_DEFLECTION_MM`` at most.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.surfaces import Array, Plane, Surface


@dataclass(frozen=True, eq=False)
class View:
    """Right-handed plane coordinates seen along a direction: ``across`` = ``up`` x ``along``.

    Points are (across, up) in mm from ``origin``, all vectors in model coordinates.
    """

    origin: Array
    along: Array
    across: Array
    up: Array

    @classmethod
    def toward(cls, origin: Array, along: Array, up: Array) -> View:
        """The view along a unit direction with ``up`` made square to it."""
        square = up - (up @ along) * along
        length = float(np.linalg.norm(square))
        if length < tol.FIT_SINE:
            raise ValueError("the view needs an up direction that is not its own direction")
        return cls(origin, along, np.cross(square / length, along), square / length)

    @classmethod
    def of(cls, part: Part, along: Array) -> View:
        """The view of a part along a unit direction (3,): its frame's origin, an axis of the frame up."""
        axes = part.frame.axes
        return cls.toward(part.frame.origin, np.asarray(along), axes[int(np.argmin(np.abs(axes @ along)))])

    def flat(self, points: Array) -> Array:
        """Model points (..., 3) to the plane (..., 2)."""
        return np.asarray((np.asarray(points) - self.origin) @ np.array([self.across, self.up]).T)

    def solid(self, points: Array, along_mm: float = 0.0) -> Array:
        """Points of the plane (..., 2) to model coordinates, at a distance along the view."""
        inside = np.asarray(points) @ np.array([self.across, self.up])
        return np.asarray(inside + self.origin + along_mm * self.along)


@dataclass(frozen=True, eq=False)
class Shadow:
    """``polygon`` is a shapely Polygon or MultiPolygon in the coordinates of ``view``."""

    view: View
    polygon: Any


def shadow(part: Part, direction: Array, up: Array | None = None) -> Shadow:
    """The silhouette of a part along a unit direction (3,)."""
    direction = np.asarray(direction, float) / np.linalg.norm(direction)
    view = View.of(part, direction) if up is None else View.toward(part.frame.origin, direction, up)
    return Shadow(view, cast(part, view))


@np.errstate(invalid="ignore")  # facets that vanish when snapped
def cast(part: Part, view: View, faces: NDArray[np.int64] | None = None) -> Any:
    """What some faces (all when None) cover in a view: a shapely Polygon or MultiPolygon."""
    mesh = part.mesh
    asked = part.faces if faces is None else [part.faces[i] for i in np.unique(faces)]
    rows = [mesh.rows([f.id]) for f in asked]
    # Which of them each facet is of, and the facets' corners in the view.
    owner = np.repeat(np.arange(len(asked)), [len(r) for r in rows])
    triangles = mesh.triangles[np.concatenate([np.zeros(0, np.int64), *rows])]
    corners = view.flat(mesh.vertices[triangles])
    turn = twice_area(corners)
    flat = np.array([isinstance(f.surface, Plane) for f in asked], bool)[owner]
    seen = np.abs(turn) > 0
    if faces is None:
        # The facets that look along the view cover all that the others do, and they what the first do.
        seen = turn > 0 if float(turn[flat].sum()) >= 0 else turn < 0
    facets = shapely.polygons(corners[seen & ~flat & (np.abs(turn) > tol.LENGTH_MM**2)])
    bounds = np.searchsorted(owner, np.arange(len(asked) + 1))
    pieces = []
    for n, face in enumerate(asked):
        mine = slice(bounds[n], bounds[n + 1])
        if isinstance(face.surface, Plane) and covers(face.surface, view) and seen[mine].any():
            pieces.append(_outline(triangles[mine][seen[mine]], mesh.vertices, corners[mine][seen[mine]]))
    # Snapping far below any tolerance closes the hairlines between neighbours.
    found = shapely.unary_union(pieces, grid_size=tol.SNAP_MM)
    if len(facets) and not found.is_empty:
        # Most round faces lie under or over flat ones: what they cast is there already.
        shapely.prepare(found)
        facets = facets[~shapely.covers(found, facets)]
    return shapely.unary_union([found, *facets], grid_size=tol.SNAP_MM) if len(facets) else found


def merged(regions: Sequence[Any]) -> Any:
    """The union of plane regions, on the grid.

    Lines that nearly fall on each other cross at every turn of the grid: corners made so are dropped, else
    they grow with each union without end.
    """
    whole = shapely.union_all(list(regions), grid_size=tol.SNAP_MM)
    return shapely.simplify(whole, 2 * tol.SNAP_MM)


def enclosed(part: Part, view: View, faces: NDArray[np.int64]) -> Any:
    """What some faces cover in a view or, being upright, fence in: a shapely region, its holes filled."""
    rings = _filled(cast(part, view, faces))
    if sum(float(ring.area) for ring in rings) < tol.SURFACE_MM**2:
        flat = view.flat(part.mesh.vertices[part.mesh.triangles[part.mesh.rows(faces)]])
        # Foot and rim of such a wall fall on each other: each line once.
        ends = np.round(flat[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2, 2) / tol.SNAP_MM)
        ends = ends[np.any(ends[:, 0] != ends[:, 1], axis=1)]
        swap = (ends[:, 0, 0] > ends[:, 1, 0]) | (
            (ends[:, 0, 0] == ends[:, 1, 0]) & (ends[:, 0, 1] > ends[:, 1, 1])
        )
        ends[swap] = ends[swap][:, ::-1]
        net = shapely.union_all(
            shapely.linestrings(np.unique(ends, axis=0) * tol.SNAP_MM), grid_size=tol.SNAP_MM
        )
        rings = _filled(shapely.polygonize(shapely.get_parts(net)))
    return shapely.unary_union(rings)


def _filled(region: Any) -> list[Any]:
    """The polygons of a region without their holes."""
    return [shapely.Polygon(p.exterior) for p in shapely.get_parts(region) if p.geom_type == "Polygon"]


def covers(surface: Surface, view: View) -> bool:
    """Whether a face casts anything: seen edge-on it does not, rounding would make a torn sliver of it."""
    return not isinstance(surface, Plane) or abs(float(surface.normal @ view.along)) > tol.EDGE_ON_SINE


def twice_area(corners: Array) -> Array:
    """Signed (m,) of triangles (m, 3, 2), positive against the clock."""
    a, b = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])


def _outline(triangles: NDArray[np.int64], vertices: Array, corners: Array) -> Any:
    """The region of a flat face: its facets' edges that no two facets share, closed into rings."""
    # Patches of one logical face repeat their common vertices.
    rounded = np.round(vertices[triangles.ravel()] / (tol.LENGTH_MM / 10))
    _, first, same = np.unique(rounded, axis=0, return_index=True, return_inverse=True)
    flat = corners.reshape(-1, 2)[first]
    names = same.reshape(-1, 3)
    pairs = np.sort(np.vstack([names[:, [0, 1]], names[:, [1, 2]], names[:, [2, 0]]]), axis=1)
    sides, count = np.unique(pairs, axis=0, return_counts=True)
    rings = shapely.get_parts(shapely.polygonize(shapely.linestrings(flat[sides[count == 1]])))
    if len(rings) == 0:
        return shapely.union_all(shapely.polygons(corners), grid_size=tol.SNAP_MM)
    # The rings' holes come back as rings too: keep what a facet covers.
    centres = shapely.points(corners.mean(axis=1))
    covered = np.unique(shapely.STRtree(rings).query(centres, predicate="within")[1])
    return shapely.union_all(rings[covered], grid_size=tol.SNAP_MM)


def envelope(polygon: Any) -> Array:
    """The upper envelope of a shadow: points (k, 2) from low to high across, jumps as upright pieces.

    Where nothing stands between two separate parts of the shadow the height is minus infinity.
    """
    ends = _edges(polygon)
    ends = ends[np.abs(ends[:, 1, 0] - ends[:, 0, 0]) > 0]
    ends = np.where((ends[:, 0, 0] > ends[:, 1, 0])[:, None, None], ends[:, ::-1], ends)
    stops = np.unique(ends[:, :, 0])
    low, high = stops[:-1], stops[1:]
    middle = (low + high) / 2
    slope = (ends[:, 1, 1] - ends[:, 0, 1]) / (ends[:, 1, 0] - ends[:, 0, 0])
    points = []
    for a, m, b in zip(low, middle, high, strict=True):
        over = np.flatnonzero((ends[:, 0, 0] <= a) & (ends[:, 1, 0] >= b))
        if len(over) == 0:
            points += [(a, -np.inf), (b, -np.inf)]
            continue
        top = over[int(np.argmax(ends[over, 0, 1] + slope[over] * (m - ends[over, 0, 0])))]
        x, y = ends[top, 0]
        points += [(a, y + slope[top] * (a - x)), (b, y + slope[top] * (b - x))]
    keep = np.array(points)
    fresh = np.ones(len(keep), bool)
    fresh[1:] = np.any(keep[1:] != keep[:-1], axis=1)
    return keep[fresh]


def below(line: Array, floor: float) -> Any:
    """The region under an envelope (k, 2), down to a level below all of it."""
    finite = np.where(np.isfinite(line[:, 1]), line[:, 1], floor)
    ring = np.vstack([[line[0, 0], floor], np.column_stack([line[:, 0], finite]), [line[-1, 0], floor]])
    return shapely.make_valid(shapely.polygons(ring))


def _edges(polygon: Any) -> Array:
    """Edges (n, 2, 2) of all outer rings."""
    rings = [np.asarray(p.exterior.coords) for p in shapely.get_parts(polygon) if not p.is_empty]
    return np.vstack([np.stack([r[:-1], r[1:]], axis=1) for r in rings])

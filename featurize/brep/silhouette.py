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
from featurize.brep.boxes import flat_boxes
from featurize.brep.part import Mesh, Part
from featurize.brep.surfaces import Array, Cylinder, Freeform, Plane, Surface
from featurize.kept import once_for_each


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
class Silhouette:
    """``polygon`` is a shapely Polygon or MultiPolygon in the coordinates of ``view``."""

    view: View
    polygon: Any


def silhouette(part: Part, direction: Array, up: Array | None = None) -> Silhouette:
    """The silhouette of a part along a unit direction (3,)."""
    direction = np.asarray(direction, float) / np.linalg.norm(direction)
    view = View.of(part, direction) if up is None else View.toward(part.frame.origin, direction, up)
    return Silhouette(view, cast(part, view))


def cast(part: Part, view: View, faces: NDArray[np.int64] | None = None) -> Any:
    """What some faces (all when None) cover in a view: a shapely Polygon or MultiPolygon."""
    mesh = part.mesh
    ids = np.arange(len(part.faces)) if faces is None else np.unique(faces)
    surfaces = [part.faces[i].surface for i in ids]
    rows = mesh.rows(ids)
    owner = np.searchsorted(ids, mesh.face_ids[rows])
    corners = view.flat(mesh.vertices[_first_equal(mesh)[mesh.triangles[rows]]])
    turn = twice_area(corners)
    flat = np.array([isinstance(s, Plane) for s in surfaces], bool)[owner]
    seen = turn != 0
    if faces is None:
        # The facets that look along the view cover all that the others do, and they what the first do.
        seen = turn > 0 if float(turn[flat].sum()) >= 0 else turn < 0
    covering = np.array([covers(s, view) for s in surfaces], bool)[owner]
    exact = seen & flat & covering
    found = _united(corners[exact], on_grid=len(np.unique(owner[exact])) > 1)
    facets = corners[seen & ~flat & covering & (np.abs(turn) > tol.LENGTH_MM**2)]
    if len(facets) and not found.is_empty:
        # Most round faces lie under or over flat ones: what they cast is there already.
        facets = facets[_beyond(found, facets)]
    if len(facets) == 0:
        return found
    return areas(shapely.union_all([found, _united(facets, on_grid=True)], grid_size=tol.SNAP_MM))


def _beyond(region: Any, facets: Array) -> NDArray[np.bool_]:
    """Which facets (m, 3, 2) a region does not cover."""
    shapely.prepare(region)
    rings, of = shapely.get_coordinates(shapely.get_rings(shapely.get_parts(region)), return_index=True)
    sides = np.stack([rings[:-1], rings[1:]], axis=1)[of[:-1] == of[1:]]
    # Where no side of the region goes through a facet all of it is covered, or nothing, as its middle is.
    beyond = np.asarray(~shapely.contains_xy(region, facets.mean(axis=1)))
    facet, side = shapely.STRtree(shapely.linestrings(sides)).query(
        flat_boxes(facets.min(axis=1), facets.max(axis=1))
    )
    beyond[facet[_go_through(sides[side], facets[facet])]] = True
    return beyond


def _go_through(lines: Array, facets: Array) -> NDArray[np.bool_]:
    """Which lines (n, 2, 2) go deeper into their facets (n, 3, 2) than the grid is wide."""
    facets = np.where((twice_area(facets) > 0)[:, None, None], facets, facets[:, ::-1])
    along = np.roll(facets, -1, axis=1) - facets
    along /= np.linalg.norm(along, axis=2, keepdims=True)
    away = lines[:, None] - facets[:, :, None]  # each end from each corner: (n, 3, 2, 2)
    deep = along[:, :, None, 0] * away[..., 1] - along[:, :, None, 1] * away[..., 0] - tol.SNAP_MM
    start, end = deep[..., 0], deep[..., 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        at = start / (start - end)
    enters = np.where((start < 0) & (end > 0), at, 0.0).max(axis=1)
    leaves = np.where((start > 0) & (end < 0), at, 1.0).min(axis=1)
    return np.asarray((enters < leaves) & ~np.any((start <= 0) & (end <= 0), axis=1))


@once_for_each
def _first_equal(mesh: Mesh) -> NDArray[np.int64]:
    """For each vertex the first at its place: patches of one face, and neighbours, repeat theirs."""
    rounded = np.round(mesh.vertices / (tol.LENGTH_MM / 10))
    _, first, same = np.unique(rounded, axis=0, return_index=True, return_inverse=True)
    return np.asarray(first[same.ravel()])


def _united(corners: Array, *, on_grid: bool) -> Any:
    """The union of facets (m, 3, 2); on a grid far below any tolerance hairlines between neighbours close.

    Across a side the number of facets that lie there changes by the difference between those that have it
    one way round and those that have it the other way. Where nothing changes there is no outline: only the
    few sides that are left need be cut at each other and closed into cells.
    """
    if len(corners) == 0:
        return shapely.GeometryCollection()
    corners = np.where((twice_area(corners) > 0)[:, None, None], corners, corners[:, ::-1])
    spots = np.round(corners.reshape(-1, 2) / tol.SNAP_MM)
    _, first, names = np.unique(spots[:, 0] + 1j * spots[:, 1], return_index=True, return_inverse=True)
    names = names.reshape(-1, 3)
    start, end = names.ravel(), np.roll(names, -1, axis=1).ravel()
    pairs = np.minimum(start, end) * len(first) + np.maximum(start, end)
    sides, place = np.unique(pairs, return_inverse=True)
    change = np.bincount(place.ravel(), np.sign(end - start), len(sides))
    low, high = np.divmod(sides[change != 0], len(first))
    at = tol.SNAP_MM * spots[first] if on_grid else corners.reshape(-1, 2)[first]
    net = shapely.union_all(shapely.linestrings(np.stack([at[low], at[high]], axis=1)))
    cells = shapely.get_parts(shapely.polygonize(shapely.get_parts(net)))
    kept = shapely.area(cells) <= tol.SNAP_MM * shapely.length(cells)
    kept[_covered(shapely.get_coordinates(shapely.point_on_surface(cells)), corners)] = True
    return shapely.union_all(cells[kept])


def _covered(points: Array, corners: Array) -> NDArray[np.int64]:
    """Places of the points (n, 2) that lie in a facet (m, 3, 2), whose corners go against the clock."""
    tree = shapely.STRtree(flat_boxes(corners.min(axis=1), corners.max(axis=1)))
    point, facet = tree.query(shapely.points(points))
    away = corners[facet] - points[point, None]
    ahead = np.roll(away, -1, axis=1)
    turns = away[:, :, 0] * ahead[:, :, 1] - away[:, :, 1] * ahead[:, :, 0]
    return np.unique(point[(turns >= 0).all(axis=1)])


def merged(regions: Sequence[Any]) -> Any:
    """The union of plane regions, on the grid.

    Lines that nearly fall on each other cross at every turn of the grid: corners made so are dropped, else
    they grow with each union without end.
    """
    whole = shapely.union_all([areas(r) for r in regions], grid_size=tol.SNAP_MM)
    return areas(shapely.simplify(whole, 2 * tol.SNAP_MM))


def areas(region: Any) -> Any:
    """A region without the lines to which the grid shuts its narrowest places, and points where two touch.

    With them in it the next operation would not take it.
    """
    parts = shapely.get_parts(region)
    flat = parts[shapely.get_dimensions(parts) == 2]
    return region if len(flat) == len(parts) else shapely.multipolygons(flat)


def enclosed(part: Part, view: View, faces: NDArray[np.int64]) -> Any:
    """What some faces cover in a view or, being upright, fence in: a shapely region, its holes filled."""
    rings = _filled(cast(part, view, faces))
    if sum(float(ring.area) for ring in rings) < tol.SURFACE_MM**2:
        # Foot and rim of such a wall, which fall on each other, are all of it: each line once.
        corners = _first_equal(part.mesh)[part.mesh.triangles[part.mesh.rows(faces)]]
        sides = np.sort(corners[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
        sides, count = np.unique(sides, axis=0, return_counts=True)
        ends = np.round(view.flat(part.mesh.vertices[sides[count == 1]]) / tol.SNAP_MM)
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
    """Whether a face casts anything: seen edge-on it does not, rounding would make torn slivers of it."""
    match surface:
        case Plane(normal=normal):
            return abs(float(normal @ view.along)) > tol.EDGE_ON_SINE
        case Cylinder(axis=along) | Freeform(ruled=np.ndarray() as along):
            return float(np.linalg.norm(np.cross(along, view.along))) > tol.EDGE_ON_SINE
    return True


def twice_area(corners: Array) -> Array:
    """Signed (m,) of triangles (m, 3, 2), positive against the clock."""
    a, b = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])


def envelope(polygon: Any) -> Array:
    """The upper envelope of a silhouette: points (k, 2) from low to high across, jumps as upright pieces.

    Where nothing stands between two separate parts of the silhouette the height is minus infinity.
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

"""The pieces of a difference of two bodies, and how deep each is: how far it reaches from what it was cut
off.

A piece is bounded by triangles of the body it is measured from (``base``) and by others. Its depth is the
largest
distance of the others' corners and middles to the base. Triangles of the piece alone give a bound from
above at
little cost; only a piece whose bound is over the tolerance is measured against the whole base.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from manifold3d import Manifold
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from featurize.brep.surfaces import Array
from featurize.feature import Vec3

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
# What is less is rounding of the kernel's coordinates.
_NOTHING_MM3 = 1e-7
# To take a body apart for less than this is not worth the time that each piece costs.
_CHIP_MM3 = 1e-5
# So many pairs of a point and a triangle are looked at together.
_AT_ONCE = 200_000
# Of a large piece so many points tell its depth to what a finding needs.
_ENOUGH = 300
# So many of a piece's points are measured against the whole base.
_FEW = 24


@dataclass(frozen=True)
class LoosePiece:
    """``place_mm`` is its deepest point, ``face`` the face id of the base's triangle next to that."""

    volume_mm3: float
    depth_mm: float
    place_mm: Vec3
    face: int


@dataclass(frozen=True, eq=False)
class Base:
    """A body to measure from, with the marks that its triangles keep through every boolean."""

    solid: Manifold
    marks: frozenset[int]
    corners: Array
    faces: Ints

    @classmethod
    def of(cls, solid: Manifold) -> Base:
        mesh = solid.to_mesh64()
        corners = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts, dtype=np.int64)]
        marks = frozenset(int(i) for i in mesh.run_original_id)
        return cls(solid, marks, corners, np.asarray(mesh.face_id, dtype=np.int64))

    def nearest(self, points: Array) -> tuple[Array, Array, Ints]:
        """Of points (n, 3): distances (n,), the nearest points of the body (n, 3) and their face ids (n,)."""
        away, which = nearest(points, self.corners)
        return away, _feet(points, self.corners[which]), self.faces[which]


def pieces(
    difference: Manifold, base: Base, tolerance_mm: float, least_mm3: float = _NOTHING_MM3
) -> Iterator[LoosePiece]:
    """Those deeper than the tolerance and of that volume at least, the deepest first."""
    if difference.is_empty():
        return
    mesh = difference.to_mesh64()
    points = np.asarray(mesh.vert_properties)[:, :3]
    corners = np.asarray(mesh.tri_verts, dtype=np.int64)
    ours = np.isin(_marks(mesh), list(base.marks))
    count, label = _labels(corners, len(points))
    part = label[corners[:, 0]]
    t = points[corners]
    volumes = _volumes(t, part, count)
    found = []
    order = np.argsort(part, kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(part[order])) + 1)
    thin = _widths(t[order], [len(g) for g in groups]) <= tolerance_mm
    for group, is_thin in zip(groups, thin, strict=True):
        volume = float(volumes[part[group[0]]])
        if volume < least_mm3 or is_thin:
            continue
        own, other = group[ours[group]], group[~ours[group]]
        asked = _asked(t[other])
        asked = _deepest(asked, t[own], tolerance_mm)
        if not len(asked):
            continue
        away, feet, faces = base.nearest(asked)
        thick = np.minimum(
            away, 2 * nearest((asked + feet) / 2, t[other])[0]
        )  # a chip is thin wherever it lies
        far = int(np.argmax(thick))
        if thick[far] > tolerance_mm:
            x, y, z = map(float, asked[far])
            found.append(LoosePiece(volume, float(thick[far]), (x, y, z), int(faces[far])))
    yield from sorted(found, key=lambda p: -p.depth_mm)


def corners_of(solid: Manifold) -> Array:
    """Its triangles (m, 3, 3)."""
    mesh = solid.to_mesh64()
    points = np.asarray(mesh.vert_properties)[:, :3]
    return np.asarray(points[np.asarray(mesh.tri_verts, dtype=np.int64)])


def near_of(corners: Array, points: Array, within_mm: float = 1.0) -> Array:
    """Triangles (k, 3, 3) by their boxes that come so near to the box of points (n, 3), all if none does."""
    low, high = points.min(axis=0) - within_mm, points.max(axis=0) + within_mm
    near = ((corners.max(axis=1) >= low) & (corners.min(axis=1) <= high)).all(axis=1)
    return corners[near] if near.any() else corners


def loose(solid: Manifold, least_mm3: float) -> list[Manifold]:
    """Its connected pieces of that volume at least; the solid itself where all others are next to nothing.

    Triangles keep their marks and faces: made anew of bare triangles, a solid takes those of one mark for
    one face, and the next boolean thins them to slopes that nobody cut.
    """
    mesh = solid.to_mesh64()
    corners = np.asarray(mesh.tri_verts, dtype=np.int64)
    points = np.asarray(mesh.vert_properties)[:, :3]
    count, label = _labels(corners, len(points))
    volumes = _volumes(points[corners], label[corners[:, 0]], count)
    if count <= 1 or (volumes.max() > least_mm3 and np.count_nonzero(volumes > _CHIP_MM3) == 1):
        return [solid]
    return [p for p in solid.decompose() if p.volume() > least_mm3]


def _volumes(corners: Array, part: Ints, count: int) -> Array:
    six = np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2]))
    return np.asarray(np.bincount(part, six / 6, count), dtype=float)


def _widths(corners: Array, counts: Sequence[int]) -> Array:
    """The smallest extent of each run of triangles (m, 3, 3) along X, Y, Z and its largest triangle's normal.

    No ball within a piece is wider than that.
    """
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]])
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    areas = np.linalg.norm(normals, axis=1)
    which = np.repeat(np.arange(len(counts)), counts)
    last = np.lexsort((areas, which))[np.cumsum(counts) - 1]  # the largest of each run
    upright = normals[last] / np.maximum(areas[last], np.finfo(float).tiny)[:, None]
    heights = np.einsum("ijk,ik->ij", corners, upright[which])
    along = np.concatenate([corners, heights[:, :, None]], axis=2)
    high = np.maximum.reduceat(along.max(axis=1), starts)
    low = np.minimum.reduceat(along.min(axis=1), starts)
    return np.asarray((high - low).min(axis=1))


def _marks(mesh: object) -> Ints:
    starts = np.asarray(mesh.run_index, dtype=np.int64) // 3  # type: ignore[attr-defined]
    marks = np.asarray(mesh.run_original_id, dtype=np.int64)  # type: ignore[attr-defined]
    return np.repeat(marks, np.diff(starts))


def _labels(corners: Ints, count: int) -> tuple[int, Ints]:
    ones = np.ones(2 * len(corners), dtype=np.int8)
    rows = np.concatenate([corners[:, 0], corners[:, 1]])
    columns = np.concatenate([corners[:, 1], corners[:, 2]])
    graph = coo_matrix((ones, (rows, columns)), shape=(count, count))
    number, label = connected_components(graph, directed=False)
    return int(number), np.asarray(label, dtype=np.int64)


def _asked(corners: Array) -> Array:
    """Middles of triangles (m, 3, 3) and of edges, then corners, few of the many."""
    middles = (corners + np.roll(corners, 1, axis=1)) / 2
    points = np.concatenate([corners.mean(axis=1), middles.reshape(-1, 3), corners.reshape(-1, 3)])
    if len(points) > _ENOUGH:
        _, first = np.unique(np.round(points, 6), axis=0, return_index=True)
        points = points[np.sort(first)]
        points = points[np.linspace(0, len(points) - 1, min(len(points), _ENOUGH)).astype(int)]
    return points


def _deepest(points: Array, corners: Array, tolerance_mm: float) -> Array:
    """Those that the piece's own triangles of the base do not show to be near, the farthest few of them."""
    if not len(points) or not len(corners):
        return points[:: max(1, len(points) // _FEW)]
    some = corners[
        :: max(1, len(corners) // _ENOUGH)
    ]  # fewer triangles make the bound larger, never too small
    away, _ = nearest(points, some)
    order = np.argsort(-np.round(away, 4), kind="stable")[:_FEW]  # of equals the inner ones: a rim is thin
    return points[order[away[order] > tolerance_mm]]


def nearest(points: Array, corners: Array) -> tuple[Array, Ints]:
    """Distances (n,) of points (n, 3) to triangles (m, 3, 3), and which is the nearest (n,).

    A triangle whose box is farther away than some other triangle is not looked at.
    """
    low, high = corners.min(axis=1), corners.max(axis=1)
    step = max(1, _AT_ONCE // max(1, len(corners)))
    found = [_nearest(points[k : k + step], corners, low, high) for k in range(0, len(points), step)]
    if not found:
        return np.empty(0), np.empty(0, dtype=np.int64)
    return np.concatenate([f[0] for f in found]), np.concatenate([f[1] for f in found])


def _nearest(points: Array, corners: Array, low: Array, high: Array) -> tuple[Array, Ints]:
    to_box = np.zeros((len(points), len(corners)))
    for k in range(3):
        at = points[:, k, None]
        to_box += np.maximum(np.maximum(low[:, k] - at, at - high[:, k]), 0.0) ** 2
    first = np.argmin(to_box, axis=1)
    bound = to_triangles(points, corners[first]) ** 2
    owner, near = np.nonzero(to_box <= bound[:, None] + _NOTHING_MM3)
    away = to_triangles(points[owner], corners[near])
    order = np.lexsort((away, owner))[np.searchsorted(owner, np.arange(len(points)))]
    return away[order], near[order]


def to_triangles(points: Array, corners: Array) -> Array:
    """Distance of each point (n, 3) to its own triangle (n, 3, 3)."""
    away = points - _feet(points, corners)
    return np.sqrt(_dot(away, away))


def _feet(points: Array, corners: Array) -> Array:
    """The point (n, 3) of each one's own triangle (n, 3, 3) that is nearest to it."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    normal = np.cross(b - a, c - a)
    square = _dot(normal, normal)
    inside = square > 0
    feet = points - normal * (_dot(points - a, normal) / np.where(inside, square, 1.0))[:, None]
    best, edge_feet = np.full(len(points), np.inf), np.array(a)
    for p, q in ((a, b), (b, c), (c, a)):
        edge, to = q - p, points - p
        inside &= _dot(np.cross(edge, to), normal) >= 0
        length = _dot(edge, edge)
        share = np.clip(_dot(to, edge) / np.where(length > 0, length, 1.0), 0.0, 1.0)
        foot = p + share[:, None] * edge
        away = _dot(points - foot, points - foot)
        better = away < best
        best[better], edge_feet[better] = away[better], foot[better]
    return np.where(inside[:, None], feet, edge_feet)


def _dot(a: Array, b: Array) -> Array:
    return np.asarray(np.einsum("ij,ij->i", a, b))

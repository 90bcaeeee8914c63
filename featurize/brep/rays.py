"""Lines of sight through the part's mesh."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np
import shapely
from numpy.typing import NDArray

from featurize.brep.boxes import flat_boxes
from featurize.brep.part import Mesh
from featurize.brep.surfaces import Array, orthonormal_basis
from featurize.kept import once_for_each

_Way = tuple[float, ...]
# What rounding makes of an area seen edge-on (mm2), or of a component that should be nought.
_ROUNDING = 1e-12


def hit_counts(mesh: Mesh, origins: Array, direction: Array) -> NDArray[np.int64]:
    """How often rays from origins (n, 3) along one unit direction (3,) meet the mesh: (n,)."""
    return _cast(mesh, origins, direction)[1]


def first_hits(mesh: Mesh, origins: Array, direction: Array) -> tuple[Array, NDArray[np.int64]]:
    """Distance (n,) to the first hit (inf when free) and the logical face hit (-1 when free)."""
    distance, _, face = _cast(mesh, origins, direction)
    return distance, face


def escapes(mesh: Mesh, origins: Array, direction: Array) -> NDArray[np.bool_]:
    """Whether rays from origins (n, 3) leave without touching the part: (n,)."""
    return np.asarray(~np.isfinite(first_hits(mesh, origins, direction)[0]))


def _cast(mesh: Mesh, origins: Array, direction: Array) -> tuple[Array, NDArray[np.int64], NDArray[np.int64]]:
    # All rays are parallel: look along them and the question is which flat triangles hold a point.
    sense = _sense(direction)
    view = _seen_along(mesh)(tuple(float(c) for c in sense * np.asarray(direction)))
    targets = np.atleast_2d(origins) @ view.basis.T
    distance = np.full(len(targets), np.inf)
    count = np.zeros(len(targets), np.int64)
    face = np.full(len(targets), -1, np.int64)
    ray, found = view.tree.query(shapely.points(targets[:, :2]))
    a, b, c = (view.corners[found, k] for k in range(3))
    p = targets[ray]
    area = _cross(b - a, c - a)
    wa, wb, wc = _cross(b - p, c - p), _cross(c - p, a - p), _cross(a - p, b - p)
    inside = (wa * area >= 0) & (wb * area >= 0) & (wc * area >= 0)
    depth = sense * ((wa * a[:, 2] + wb * b[:, 2] + wc * c[:, 2]) / area - p[:, 2])
    ahead = inside & (depth > 0)
    ray, depth, triangle = ray[ahead], depth[ahead], view.triangles[found[ahead]]
    np.add.at(count, ray, 1)
    order = np.lexsort((-triangle, -depth))  # nearest written last
    distance[ray[order]] = depth[order]
    face[ray[order]] = mesh.face_ids[triangle[order]]
    return distance, count, face


def _sense(direction: Array) -> float:
    """The sign that makes a direction's first component of any size positive: both ways share a view."""
    return 1.0 if next((float(c) for c in direction if abs(c) > _ROUNDING), 1.0) > 0 else -1.0


@dataclass(frozen=True, eq=False)
class _View:
    """The ``triangles`` (m,) that a line of sight can meet, their corners (m, 3, 3) in ``basis``, and an
    index of their boxes as seen."""

    basis: Array
    triangles: NDArray[np.int64]
    corners: Array
    tree: shapely.STRtree


@once_for_each
def _seen_along(mesh: Mesh) -> Callable[[_Way], _View]:
    """What a mesh shows along a direction; the latest 64 are kept."""
    return lru_cache(maxsize=64)(partial(_view, mesh.vertices, mesh.triangles))


def _view(vertices: Array, triangles: NDArray[np.int64], direction: _Way) -> _View:
    basis = orthonormal_basis(np.array(direction))
    corners = (vertices @ basis.T)[triangles]
    area = _cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    met = np.flatnonzero(np.abs(area) > _ROUNDING)
    corners = corners[met]
    boxes = flat_boxes(corners[:, :, :2].min(axis=1), corners[:, :, :2].max(axis=1))
    return _View(basis, met, corners, shapely.STRtree(boxes))


def _cross(u: Array, v: Array) -> Array:
    return np.asarray(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])

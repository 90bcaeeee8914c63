"""Lines of sight through the part's mesh."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray

from featurize.brep.part import Mesh
from featurize.brep.surfaces import Array, triad


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
    basis, corners, tree = _seen_along(mesh, tuple(float(c) for c in direction))
    targets = np.atleast_2d(origins) @ basis.T
    distance = np.full(len(targets), np.inf)
    count = np.zeros(len(targets), np.int64)
    face = np.full(len(targets), -1, np.int64)
    ray, triangle = tree.query(shapely.points(targets[:, :2]))
    a, b, c = (corners[triangle, k] for k in range(3))
    p = targets[ray]
    area = _cross(b - a, c - a)
    wa, wb, wc = _cross(b - p, c - p), _cross(c - p, a - p), _cross(a - p, b - p)
    with np.errstate(divide="ignore", invalid="ignore"):
        inside = (np.abs(area) > 0) & (wa * area >= 0) & (wb * area >= 0) & (wc * area >= 0)
        depth = (wa * a[:, 2] + wb * b[:, 2] + wc * c[:, 2]) / area - p[:, 2]
    ahead = inside & (depth > 0)
    ray, triangle, depth = ray[ahead], triangle[ahead], depth[ahead]
    np.add.at(count, ray, 1)
    order = np.argsort(-depth, kind="stable")  # nearest written last
    distance[ray[order]] = depth[order]
    face[ray[order]] = mesh.face_ids[triangle[order]]
    return distance, count, face


@lru_cache(maxsize=64)
def _seen_along(mesh: Mesh, direction: tuple[float, float, float]) -> tuple[Array, Array, shapely.STRtree]:
    """Basis, triangle corners (m, 3, 3) in it, and an index of the flattened triangles' boxes."""
    basis = triad(np.array(direction))
    corners = (mesh.vertices @ basis.T)[mesh.triangles]
    low, high = corners[:, :, :2].min(axis=1), corners[:, :, :2].max(axis=1)
    return basis, corners, shapely.STRtree(shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1]))


def _cross(u: Array, v: Array) -> Array:
    return np.asarray(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])

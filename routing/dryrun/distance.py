"""Distances from points to the surface of a mesh, exact to rounding."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from manifold3d import Manifold
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from featurize.brep.surfaces import Array

# Pairs of a point and a triangle that are looked at in one go; bounds memory only.
_AT_ONCE = 200_000


@dataclass(frozen=True, eq=False)
class _Class:
    """Triangles of about one size: the sphere about each middle with ``radius_mm`` holds it."""

    which: NDArray[np.int64]
    middles: cKDTree
    radius_mm: float


@dataclass(frozen=True, eq=False)
class Surface:
    """A mesh to measure from."""

    solid: Manifold

    @cached_property
    def _triangles(self) -> tuple[Array, NDArray[np.int64], list[_Class]]:
        mesh = self.solid.to_mesh64()
        corners = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts)]
        middles = corners.mean(axis=1)
        radius = np.linalg.norm(corners - middles[:, None], axis=2).max(axis=1)
        sizes = np.floor(np.log2(np.maximum(radius, 1e-3))).astype(int)
        classes = []
        for size in sorted(set(sizes.tolist()), reverse=True):
            (which,) = np.nonzero(sizes == size)
            classes.append(_Class(which, cKDTree(middles[which]), float(radius[which].max())))
        return corners, np.asarray(mesh.face_id, dtype=np.int64), classes

    def nearest(self, points: Array) -> tuple[Array, NDArray[np.int64]]:
        """Distances (n,) of points (n, 3), and the face ids of the nearest triangles (n,)."""
        corners, owners, classes = self._triangles
        best = np.full(len(points), np.inf)
        face = np.full(len(points), -1, dtype=np.int64)
        for own in classes:  # the largest first: they are few, and bound how far the small ones can matter
            first, _ = own.middles.query(points)
            near = own.middles.query_ball_point(points, np.minimum(best, first + own.radius_mm) + own.radius_mm)
            counts = np.array([len(n) for n in near])
            for some in _batches(counts):
                asked = np.repeat(some, counts[some])
                if not len(asked):
                    continue
                which = own.which[np.concatenate([near[k] for k in some if counts[k]]).astype(np.int64)]
                away = _to_triangles(points[asked], corners[which])
                order = np.lexsort((away, asked))
                at, place = np.unique(asked[order], return_index=True)
                least = away[order][place]
                better = least < best[at]
                best[at[better]] = least[better]
                face[at[better]] = owners[which[order][place]][better]
        return best, face


def _batches(counts: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Places in ``counts``, parted so that each part's counts add up to about ``_AT_ONCE``."""
    parts = (np.cumsum(counts) // _AT_ONCE).astype(int)
    return np.split(np.arange(len(counts)), np.flatnonzero(np.diff(parts)) + 1)


def _to_triangles(points: Array, corners: Array) -> Array:
    """Distance of each point (n, 3) to its own triangle (n, 3, 3)."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    normal = _cross(b - a, c - a)
    twice = np.sqrt(_dot(normal, normal))
    unit = normal / np.where(twice > 0, twice, 1.0)[:, None]
    height = _dot(points - a, unit)
    inside = twice > 0
    best = np.full(len(points), np.inf)
    for p, q in ((a, b), (b, c), (c, a)):
        edge, to = q - p, points - p
        inside &= _dot(_cross(edge, to), unit) >= 0
        length = _dot(edge, edge)
        share = np.clip(_dot(to, edge) / np.where(length > 0, length, 1.0), 0.0, 1.0)
        away = to - share[:, None] * edge
        best = np.minimum(best, _dot(away, away))
    return np.where(inside, np.abs(height), np.sqrt(best))


def _dot(a: Array, b: Array) -> Array:
    return np.einsum("ij,ij->i", a, b)


def _cross(a: Array, b: Array) -> Array:
    return np.column_stack(
        [
            a[:, 1] * b[:, 2] - a[:, 2] * b[:, 1],
            a[:, 2] * b[:, 0] - a[:, 0] * b[:, 2],
            a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0],
        ]
    )

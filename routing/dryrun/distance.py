"""Distances from points to the surface of a mesh, exact to rounding."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from manifold3d import Manifold
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from featurize.brep.surfaces import Array

# Triangles are cut until no edge is longer: a point's nearest is then among those with near middles.
_EDGE_MM = 2.0
_AT_ONCE = 64


@dataclass(frozen=True, eq=False)
class Surface:
    """A mesh to measure from. ``chunk`` bounds memory only."""

    solid: Manifold

    @cached_property
    def _fine(self) -> tuple[Array, NDArray[np.int64], cKDTree, float]:
        box = np.array(self.solid.bounding_box())
        edge = max(_EDGE_MM, float((box[3:] - box[:3]).max()) / 60)
        mesh = self.solid.refine_to_length(edge).to_mesh64()
        corners = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts)]
        middles = corners.mean(axis=1)
        reach = float(np.linalg.norm(corners - middles[:, None], axis=2).max())
        owners = np.asarray(mesh.face_id, dtype=np.int64)
        return corners, owners, cKDTree(middles), reach

    def nearest(self, points: Array) -> tuple[Array, NDArray[np.int64]]:
        """Distances (n,) of points (n, 3), and the face ids of the nearest triangles (n,)."""
        corners, owners, tree, reach = self._fine
        first, _ = tree.query(points)
        found, faces = np.empty(len(points)), np.empty(len(points), dtype=np.int64)
        near = tree.query_ball_point(points, first + reach)
        for start in range(0, len(points), _AT_ONCE):
            part = near[start : start + _AT_ONCE]
            counts = np.array([len(n) for n in part])
            which = np.concatenate([np.asarray(n, dtype=np.int64) for n in part])
            asked = np.repeat(points[start : start + _AT_ONCE], counts, axis=0)
            away = _to_triangles(asked, corners[which])
            ends = np.concatenate([[0], np.cumsum(counts)])
            for k, (a, b) in enumerate(zip(ends[:-1], ends[1:], strict=True)):
                best = a + int(np.argmin(away[a:b]))
                found[start + k], faces[start + k] = away[best], owners[which[best]]
        return found, faces


def _to_triangles(points: Array, corners: Array) -> Array:
    """Distance of each point (n, 3) to its own triangle (n, 3, 3)."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    normal = np.cross(b - a, c - a)
    twice = np.linalg.norm(normal, axis=1)
    unit = normal / np.where(twice > 0, twice, 1.0)[:, None]
    height = ((points - a) * unit).sum(axis=1)
    foot = points - height[:, None] * unit
    inside = twice > 0
    best = np.full(len(points), np.inf)
    for p, q in ((a, b), (b, c), (c, a)):
        edge = q - p
        inside &= (np.cross(edge, foot - p) * unit).sum(axis=1) >= 0
        length = (edge * edge).sum(axis=1)
        share = np.clip(((points - p) * edge).sum(axis=1) / np.where(length > 0, length, 1.0), 0.0, 1.0)
        best = np.minimum(best, np.linalg.norm(points - p - share[:, None] * edge, axis=1))
    return np.where(inside, np.abs(height), best)

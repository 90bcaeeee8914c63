"""Points spread evenly over triangles, and whether points lie in a closed mesh. Lengths mm."""

from __future__ import annotations

import numpy as np

from featurize.brep.surfaces import Array
from routing.dryrun.pieces import Flags

# A ray in no plane of a part: few edges are hit.
_RAY = np.array([0.5377, 0.2714, 0.7983])


def sampled(triangles: Array, count: int) -> tuple[Array, Array]:
    """``count`` points (n, 3) spread evenly by area over triangles (m, 3, 3), and their unit normals."""
    cross = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    twice = np.linalg.norm(cross, axis=1)
    real = twice > 1e-9
    triangles, cross, twice = triangles[real], cross[real], twice[real]
    if not len(triangles):
        return np.empty((0, 3)), np.empty((0, 3))
    ends = np.cumsum(twice)
    at = (np.arange(count) + 0.5) / count * ends[-1]
    which = np.minimum(np.searchsorted(ends, at), len(triangles) - 1)
    u, v = _even(count)
    fold = u + v > 1
    u, v = np.where(fold, 1 - u, u), np.where(fold, 1 - v, v)
    a, b, c = triangles[which, 0], triangles[which, 1], triangles[which, 2]
    points = a + u[:, None] * (b - a) + v[:, None] * (c - a)
    normals = cross[which] / twice[which, None]
    return points, normals


def _even(count: int) -> tuple[Array, Array]:
    """Pairs that fill the unit square evenly: an additive recurrence of the plastic number."""
    k = np.arange(1, count + 1)
    u, v = ((0.5 + k * step) % 1 for step in (0.7548776662466927, 0.5698402909980532))
    return np.asarray(u), np.asarray(v)


def contains(corners: Array, points: Array) -> Flags:
    """Which points (n, 3) a closed mesh of triangles (m, 3, 3) holds: by parity of a ray's hits."""
    a = corners[:, 0]
    u, v = corners[:, 1] - a, corners[:, 2] - a
    across = np.cross(_RAY, v)
    volume = np.einsum("ij,ij->i", u, across)
    real = np.abs(volume) > 1e-15
    a, u, v, across, volume = a[real], u[real], v[real], across[real], volume[real]
    found = np.zeros(len(points), dtype=bool)
    for k, point in enumerate(points):
        off = point - a
        s = np.einsum("ij,ij->i", off, across) / volume
        turned = np.cross(off, u)
        t = turned @ _RAY / volume
        ahead = np.einsum("ij,ij->i", v, turned) / volume > 0
        found[k] = np.count_nonzero((s >= 0) & (t >= 0) & (s + t <= 1) & ahead) % 2 == 1
    return found

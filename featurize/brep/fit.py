"""Least-squares recognition of plane, sphere, cylinder, cone and torus in sampled surfaces.

Customers' systems write a drilled hole as a B-spline as readily as a cylinder. Each test here is
linear in its unknowns because the normals are known as well as the points: for a sphere, for
instance, ``p = c + r n``. A surface of revolution is found by line geometry: every normal meets
the axis, which is one linear condition on the axis' Pluecker coordinates (Pottmann and Wallner,
*Computational Line Geometry*, 2001, ch. 4; from memory).
"""

from __future__ import annotations

import numpy as np

from featurize import tolerances as tol
from featurize.brep.surfaces import (
    Array,
    Cone,
    Cylinder,
    Freeform,
    Plane,
    Sphere,
    Surface,
    Torus,
    orthonormal_basis,
)


def fit_surface(points: Array, normals: Array) -> Surface:
    """The simplest surface through points (n, 3) with outward unit normals (n, 3)."""
    for attempt in (_plane, _cylinder, _sphere, _cone, _torus):
        found = attempt(points, normals)
        if found is not None:
            return found
    return Freeform(ruled=_ruling(normals))


def _close(residual: Array) -> bool:
    return bool(np.max(np.abs(residual)) < tol.FIT_MM)


def _plane(points: Array, normals: Array) -> Surface | None:
    mean = normals.mean(axis=0)
    length = float(np.linalg.norm(mean))
    if length < tol.FIT_SINE:
        return None
    normal = mean / length
    centre = points.mean(axis=0)
    if not _close((points - centre) @ normal):
        return None
    if float(np.max(np.linalg.norm(normals - normal, axis=1))) > tol.FIT_SINE:
        return None
    return Plane(centre, normal)


def _constant_direction(vectors: Array) -> Array | None:
    """The unit direction whose dot product with all vectors (n, 3) is the same, if there is one."""
    centred = vectors - vectors.mean(axis=0)
    _, sizes, rows = np.linalg.svd(centred, full_matrices=False)
    spread = np.sqrt(len(vectors))
    if sizes[2] / spread > tol.FIT_SINE or sizes[1] / spread < tol.FIT_SPREAD:
        return None
    return np.asarray(rows[2])


def _across(normals: Array) -> Array | None:
    """The unit direction that all normals (n, 3) are square to, if there is just one."""
    _, sizes, rows = np.linalg.svd(normals, full_matrices=False)
    spread = np.sqrt(len(normals))
    if sizes[2] / spread > tol.FIT_SINE or sizes[1] / spread < tol.FIT_SPREAD:
        return None
    return np.asarray(rows[2])


def _ruling(normals: Array) -> Array | None:
    return _across(normals)


def _centre_and_radius(points: Array, normals: Array) -> tuple[Array, float, bool]:
    """Solve ``p = c + r n`` in k dimensions: centre (k,), signed radius, whether it fits."""
    n, k = points.shape
    rows = np.zeros((n * k, k + 1))
    for j in range(k):
        rows[j::k, j] = 1.0
        rows[j::k, k] = normals[:, j]
    solution, *_ = np.linalg.lstsq(rows, points.reshape(-1), rcond=None)
    return (
        np.asarray(solution[:k], np.float64),
        float(solution[k]),
        _close(rows @ solution - points.reshape(-1)),
    )


def _cylinder(points: Array, normals: Array) -> Surface | None:
    axis = _across(normals)
    if axis is None:
        return None
    basis = orthonormal_basis(axis)[:2]
    centre, radius, fits = _centre_and_radius(points @ basis.T, normals @ basis.T)
    if not fits or abs(radius) < tol.LENGTH_MM:
        return None
    height = float(np.mean(points @ axis))
    return Cylinder(centre @ basis + height * axis, axis, abs(radius), hollow=radius < 0)


def _sphere(points: Array, normals: Array) -> Surface | None:
    centre, radius, fits = _centre_and_radius(points, normals)
    if not fits or abs(radius) < tol.LENGTH_MM or abs(radius) > tol.FIT_RADIUS_LIMIT_MM:
        return None
    return Sphere(centre, abs(radius), hollow=radius < 0)


def _cone(points: Array, normals: Array) -> Surface | None:
    axis = _constant_direction(normals)
    if axis is None:
        return None
    apex, *_ = np.linalg.lstsq(normals, np.sum(normals * points, axis=1), rcond=None)
    if not _close(normals @ apex - np.sum(normals * points, axis=1)):
        return None
    if float(np.mean((points - apex) @ axis)) < 0:
        axis = -axis
    sine = float(np.mean(normals @ axis))
    half_angle_deg = float(np.degrees(np.arcsin(min(1.0, abs(sine)))))
    if not tol.CONE_MIN_DEG < half_angle_deg < 90 - tol.CONE_MIN_DEG:
        return None
    # On a pin the outward normal leans back towards the apex.
    return Cone(apex, axis, half_angle_deg, hollow=sine > 0)


def _torus(points: Array, normals: Array) -> Surface | None:
    # Balance the units of the two halves so that the small singular values compare.
    scale = float(np.max(np.abs(points - points.mean(axis=0)))) or 1.0
    centre0 = points.mean(axis=0)
    rows = np.hstack([np.cross((points - centre0) / scale, normals), normals])
    _, sizes, vectors = np.linalg.svd(rows, full_matrices=False)
    spread = np.sqrt(len(points))
    if len(sizes) < 6 or sizes[5] / spread > tol.FIT_SINE or sizes[4] / spread < tol.FIT_SINE:
        return None
    direction, moment = vectors[5][:3], vectors[5][3:]
    length = float(np.linalg.norm(direction))
    if length < tol.FIT_SPREAD:
        return None
    axis = direction / length
    foot = np.cross(axis, moment / length) * scale + centre0
    radial = (points - foot) - np.outer((points - foot) @ axis, axis)
    rho = np.linalg.norm(radial, axis=1)
    if np.min(rho) < tol.LENGTH_MM:
        return None
    unit = radial / rho[:, None]
    profile = np.column_stack([rho, (points - foot) @ axis])
    profile_normals = np.column_stack([np.sum(normals * unit, axis=1), normals @ axis])
    centre, radius, fits = _centre_and_radius(profile, profile_normals)
    if not fits or abs(radius) < tol.LENGTH_MM or abs(radius) > tol.FIT_RADIUS_LIMIT_MM:
        return None
    return Torus(foot + centre[1] * axis, axis, float(centre[0]), abs(radius), hollow=radius < 0)

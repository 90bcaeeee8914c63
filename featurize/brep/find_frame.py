"""The part's own frame: square to its outside, z along its thickness."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from featurize import tolerances as tol
from featurize.brep.frame import Frame
from featurize.brep.part import Face, Mesh
from featurize.brep.surfaces import Array, Cylinder, Plane, orthonormal_basis
from featurize.brep.surfaces_at import parallel, square


def find_frame(faces: Sequence[Face], mesh: Mesh) -> Frame:
    """A right-handed frame with its origin in the low corner of the part's box.

    Directions are voted for by area: flat faces that the whole part lies behind (its outside) count
    most, then other flat faces, then the axes of round faces. z is a first guess: the direction along
    which round walls run, or else the thinnest. The features decide (:mod:`featurize.recognise.sides`).
    """
    votes = _votes(faces, mesh)
    first = max(votes, key=lambda v: v[1])[0] if votes else np.array([0.0, 0.0, 1.0])
    others = [v for v in votes if square(v[0], first, tol.AXIS_DEG)]
    second = max(others, key=lambda v: v[1])[0] if others else _widest_across(first)
    second = second - (second @ first) * first
    second /= np.linalg.norm(second)
    trio = np.array([first, second, np.cross(first, second)])
    spans = np.ptp(mesh.vertices @ trio.T, axis=0)
    along = np.array([_running_along(faces, axis) for axis in trio])
    # Wall area that runs along an axis speaks for it as thickness; so does being thin.
    score = along / max(float(along.max()), 1e-9) - 1.5 * spans / float(spans.max())
    z = int(np.argmax(np.round(score, 6)))
    rest = [k for k in range(3) if k != z]
    x = max(rest, key=lambda k: round(float(spans[k]), 6))
    axes = np.array([_positive(trio[x]), np.zeros(3), _positive(trio[z])])
    axes[1] = np.cross(axes[2], axes[0])
    origin_local = (mesh.vertices @ axes.T).min(axis=0)
    return Frame(origin_local @ axes, axes)


def _votes(faces: Sequence[Face], mesh: Mesh) -> list[tuple[Array, float]]:
    """Directions up to sign, each with its weight."""
    groups: list[tuple[Array, float]] = []
    support = lru_cache(maxsize=None)(lambda d: float(np.max(mesh.vertices @ np.array(d))))
    for face in faces:
        if isinstance(face.surface, Plane):
            direction = face.surface.normal
            # Rounded far below any tolerance, so that equal faces share one look at the mesh.
            summit = support(tuple(np.round(direction, 10).tolist()))
            reach = summit - float(face.surface.origin @ direction)
            weight = face.area_mm2 * (10.0 if reach < tol.SURFACE_MM else 1.0)
        elif isinstance(face.surface, Cylinder):
            direction = face.surface.axis
            weight = face.area_mm2 * 0.5
        else:
            continue
        for k, (known, sum_) in enumerate(groups):
            if parallel(known, direction):
                groups[k] = (known, sum_ + weight)
                break
        else:
            groups.append((direction, weight))
    return [(d, round(w, 6)) for d, w in groups]


def _running_along(faces: Sequence[Face], axis: Array) -> float:
    """Area of round walls that run along an axis: bores, and the outside of a disc."""
    return sum(
        f.area_mm2
        for f in faces
        if isinstance(f.surface, Cylinder) and parallel(f.surface.axis, axis, tol.AXIS_DEG)
    )


def _widest_across(axis: Array) -> Array:
    """A direction square to ``axis``, for parts that are round about it."""
    return np.asarray(orthonormal_basis(axis)[0])


def _positive(axis: Array) -> Array:
    """The sense in which the largest component is positive, so that equal parts get equal frames."""
    return axis if axis[int(np.argmax(np.round(np.abs(axis), 6)))] > 0 else -axis

"""Which surfaces may coincide, or share an axis: found by place, not by comparing all with all."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from featurize import tolerances as tol
from featurize.brep.surfaces import Array, Cone, Cylinder, Plane, Sphere, Surface, Torus


def coincident_surfaces(surfaces: Sequence[Surface]) -> list[list[int]]:
    """For each surface the places of those of its type that may be the same, rising, itself among them.

    All that ``surfaces_at.same_surface`` accepts are there, and few others; of cylinders and cones all
    that share an axis (``same_line``), whatever their radii. Free forms are like none.
    """
    found: list[list[int]] = [[] for _ in surfaces]
    places = [_place(s) for s in surfaces]
    known = np.array([p for p in places if p is not None])
    if len(known) == 0:
        return found
    centre = known.mean(axis=0)
    reach = float(np.linalg.norm(known - centre, axis=1).max())
    # Axes and normals that differ by the angle allowed drift this far apart over that reach.
    radius = 2 * (tol.SURFACE_MM + reach * float(np.sin(np.radians(tol.AXIS_DEG))))
    for kind in (Plane, Cylinder, Cone, Sphere, Torus):
        of = [i for i, s in enumerate(surfaces) if isinstance(s, kind)]
        if not of:
            continue
        signs = np.array([_sign(surfaces[i], centre, reach) for i in of])
        pairs = cKDTree(signs).query_ball_point(signs, radius, return_sorted=True)
        for i, near in zip(of, pairs, strict=True):
            found[i] = [of[k] for k in near]
    return found


def _place(s: Surface) -> Array | None:
    if isinstance(s, Plane | Cylinder):
        return s.origin
    if isinstance(s, Cone):
        return s.apex
    return s.centre if isinstance(s, Sphere | Torus) else None


def _sign(s: Surface, centre: Array, reach: float) -> Array:
    """Numbers (4,) in mm in which surfaces that coincide differ little."""
    place = _place(s)
    assert place is not None
    if isinstance(s, Plane):
        return np.append(reach * s.normal, (place - centre) @ s.normal)
    if isinstance(s, Cylinder | Cone):  # the axis' foot below the middle of all
        return np.append(place + ((centre - place) @ s.axis) * s.axis, 0.0)
    return np.append(place, 0.0)

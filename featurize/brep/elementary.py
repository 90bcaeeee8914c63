"""Points and normals of the kernel's elementary surfaces, many faces at once.

The parametrisations are those of ISO 10303-42 (plane, cylindrical, conical, spherical and toroidal
surface), which the kernel follows.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from OCP.GeomAbs import GeomAbs_SurfaceType as Type

from featurize.brep.surfaces import Array, Cone, Cylinder, Plane, Sphere, Surface, Torus

PLANE, CYLINDER, CONE, SPHERE, TORUS = (
    Type.GeomAbs_Plane,
    Type.GeomAbs_Cylinder,
    Type.GeomAbs_Cone,
    Type.GeomAbs_Sphere,
    Type.GeomAbs_Torus,
)
KINDS = (PLANE, CYLINDER, CONE, SPHERE, TORUS)


class Samples(NamedTuple):
    """``points`` and unit ``normals`` (n, 3), du x dv of the surface (nought at a pole), and ``away``
    (n, 3): where the normals of a pin of this form point."""

    points: Array
    normals: Array
    away: Array


def placement(adaptor: Any) -> Array:
    """Origin, x, y and z axis, and two sizes (14,) of an elementary surface: radius or nought; the other
    radius of a torus, half angle (rad) of a cone, or nought."""
    kind = adaptor.GetType()
    form = getattr(adaptor, kind.name.removeprefix("GeomAbs_"))()
    frame = form.Position()
    trio = (frame.Location(), frame.XDirection(), frame.YDirection(), frame.Direction())
    if kind == PLANE:
        sizes = (0.0, 0.0)
    elif kind == CONE:
        sizes = (form.RefRadius(), form.SemiAngle())
    elif kind == TORUS:
        sizes = (form.MajorRadius(), form.MinorRadius())
    else:
        sizes = (form.Radius(), 0.0)
    return np.array([c for v in trio for c in (v.X(), v.Y(), v.Z())] + list(sizes))


def sampled(kind: Any, placements: Array, uv: Array) -> Samples:
    """Samples of surfaces of one kind, each at its parameters (n, 2); ``placements`` is (n, 14)."""
    origin, x, y, z = (placements[:, 3 * k : 3 * k + 3] for k in range(4))
    a, b = placements[:, 12, None], placements[:, 13, None]
    u, v = uv[:, :1], uv[:, 1:]
    if kind == PLANE:
        return Samples(origin + u * x + v * y, np.cross(x, y), z)
    out, turn = np.cos(u) * x + np.sin(u) * y, np.cos(u) * y - np.sin(u) * x
    if kind == CYLINDER:
        return Samples(origin + a * out + v * z, _unit(np.cross(a * turn, z)), out)
    if kind == CONE:
        radius, along = a + v * np.sin(b), np.sin(b) * out + np.cos(b) * z
        away = np.sign(radius) * np.cos(b) * out - np.sin(b) * z
        return Samples(origin + radius * out + v * np.cos(b) * z, _unit(np.cross(radius * turn, along)), away)
    tilted, lift = np.cos(v) * out + np.sin(v) * z, np.cos(v) * z - np.sin(v) * out
    if kind == SPHERE:
        return Samples(origin + a * tilted, _unit(np.cross(np.cos(v) * turn, lift)), tilted)
    radius = a + b * np.cos(v)
    return Samples(origin + a * out + b * tilted, _unit(np.cross(radius * turn, lift)), tilted)


def surface(kind: Any, placed: Array, hollow: bool, point: Array, normal: Array) -> Surface:
    """The surface as plain data; ``point`` and outward ``normal`` (3,) are one of its samples."""
    origin, z, a, b = placed[:3], placed[9:12], float(placed[12]), float(placed[13])
    if kind == PLANE:
        return Plane(point, normal)
    if kind == CYLINDER:
        return Cylinder(origin, z, a, hollow)
    if kind == CONE:
        apex = origin - a / np.tan(b) * z
        return Cone(apex, z if b > 0 else -z, abs(float(np.degrees(b))), hollow)
    if kind == SPHERE:
        return Sphere(origin, a, hollow)
    return Torus(origin, z, a, b, hollow)


def _unit(vectors: Array) -> Array:
    lengths = np.linalg.norm(vectors, axis=1, keepdims=True)
    return np.asarray(vectors / np.where(lengths > 0, lengths, 1.0))

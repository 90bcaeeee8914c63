"""Inside corners that stand along a direction, and how they get a larger radius."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from featurize import tolerances as tol
from featurize.brep.edits import rounded, straight_edges_on, without
from featurize.brep.kernel_faces import kernel_faces
from featurize.brep.part import Convexity, Part
from featurize.brep.solids import KernelError
from featurize.brep.surfaces import Array, Cylinder, Plane
from featurize.brep.surfaces_at import parallel
from featurize.feature import Feature
from routing.processes.context import JobContext
from routing.processes.corners import inside_corners, lean_deg


@dataclass(frozen=True, eq=False)
class UprightCorner:
    """``place`` (3,) is on the line in which its two walls meet or would meet, ``face`` has its radius."""

    radius_mm: float
    place: Array
    face: int | None = None


def upright_corners(job: JobContext, feature: Feature, along: Array) -> list[UprightCorner] | None:
    """All inside corners of a feature, tightest first; None where one is not between flat upright walls."""
    part, found = job.part, []
    for corner in inside_corners(job, feature, along):
        walls = _walls(part, corner.faces)
        flat = [w for w in walls if isinstance(part.faces[w].surface, Plane)]
        upright = all(lean_deg(part.faces[i], along) < tol.PARALLEL_DEG for i in (*flat, *corner.faces))
        if len(walls) != 2 or len(flat) != 2 or not upright:
            return None
        place = _meeting(part, flat, along, np.array(corner.place))
        if place is None:
            return None
        face = corner.faces[0] if len(corner.faces) == 1 else None
        found.append(UprightCorner(corner.radius_mm, place, face))
    return found


def _walls(part: Part, faces: Sequence[int]) -> list[int]:
    """The two walls of a sharp corner, or those that run into a radius."""
    if len(faces) != 1:
        return list(faces)
    surface = part.faces[faces[0]].surface
    if not isinstance(surface, Cylinder):
        return []
    beside = {e.faces[0] if e.faces[1] == faces[0] else e.faces[1]: e for e in part.edges_of(faces[0])}
    return [
        other
        for other, e in beside.items()
        if e.convexity == Convexity.TANGENT and e.curve == "line" and _is_along(e.points, surface.axis)
    ]


def _is_along(points: Array, axis: Array) -> bool:
    way = points[-1] - points[0]
    return parallel(way / np.linalg.norm(way), axis, tol.AXIS_DEG)


def _meeting(part: Part, walls: Sequence[int], along: Array, near: Array) -> Array | None:
    """The point nearest to one on the line in which two flat walls meet."""
    planes = [s for w in walls if isinstance(s := part.faces[w].surface, Plane)]
    rows = np.array([*(p.normal for p in planes), along])
    if abs(np.linalg.det(rows)) < np.sin(np.radians(tol.AXIS_DEG)):
        return None
    right = [*(float(p.normal @ p.origin) for p in planes), float(along @ near)]
    return np.asarray(np.linalg.solve(rows, np.array(right)))


def with_corners(part: Part, corners: Sequence[UprightCorner], along: Array, radius_mm: float) -> Any:
    """The part with the corners that are tighter at a radius; raises KernelError."""
    tight = [c for c in corners if c.radius_mm < radius_mm - tol.LENGTH_MM]
    faces = [k for c in tight if c.face is not None for k in kernel_faces(part)[c.face]]
    solid = without(part.solid, faces) if faces else part.solid
    return with_radius(solid, tight, along, radius_mm)


def with_radius(solid: Any, corners: Sequence[UprightCorner], along: Array, radius_mm: float) -> Any:
    """A solid whose walls meet sharp in some corners with a radius there; raises KernelError."""
    edges = [straight_edges_on(solid, c.place, along) for c in corners]
    if not all(edges):
        raise KernelError("a corner has no edge of its own")
    return rounded(solid, [e for own in edges for e in own], radius_mm)

"""Inside corners that a round tool has to fit: along the tool, and at its foot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Convexity, Edge, Face
from featurize.brep.surfaces import Array, Cone, Cylinder, Plane, Sphere, Torus
from featurize.brep.surfaces_at import parallel
from featurize.feature import Feature, Vec3
from featurize.recognise.scene import vec
from routing.processes.context import JobContext

# Walls may lean this much (draft, wire taper) and still be walls.
LEAN_DEG = 20.0


@dataclass(frozen=True)
class Corner:
    """``radius_mm`` is 0 where the model is sharp; ``faces`` meet there (one for a modelled radius).

    ``angle_deg`` is the angle between the walls, through the air; right where it is not known.
    """

    radius_mm: float
    place: Vec3
    faces: tuple[int, ...]
    angle_deg: float = 90.0

    def left_mm2(self, radius_mm: float) -> float:
        """What a disc leaves between two straight walls: R^2 (cot(a/2) - (pi - a)/2), less the model's own.

        The kite between the corner and the two points of touch, less the disc's sector.
        """
        half = np.radians(self.angle_deg) / 2
        share = 1 / np.tan(half) - (np.pi / 2 - half)
        return float(share * max(radius_mm**2 - self.radius_mm**2, 0.0))


def lean_deg(face: Face, along: Array) -> float:
    """Largest angle between a face and a direction; 0 for a wall that stands along it."""
    return float(np.degrees(np.arcsin(min(1.0, float(np.max(np.abs(face.normals @ along)))))))


def is_wall(face: Face, along: Array, limit_deg: float = LEAN_DEG) -> bool:
    return lean_deg(face, along) <= limit_deg


def inside_corners(job: JobContext, feature: Feature, along: Array) -> list[Corner]:
    """Hollow radii and sharp inside corners of a feature's walls, tightest first."""
    part = job.part
    found = []
    for face in job.faces(feature):
        s = face.surface
        if isinstance(s, Cylinder | Cone) and s.hollow and parallel(s.axis, along, LEAN_DEG):
            found.append(Corner(_tightest(job, face), vec(face.centroid), (face.id,)))
    seen = set()
    for i in feature.faces:
        for e in part.edges_of(i):
            if e.id in seen or e.convexity != Convexity.CONCAVE:
                continue
            seen.add(e.id)
            chord = e.points[-1] - e.points[0]
            length = float(np.linalg.norm(chord))
            upright = length > tol.LENGTH_MM and parallel(chord / length, along, LEAN_DEG + 5)
            if upright and all(is_wall(part.faces[f], along) for f in e.faces):
                found.append(_sharp(e))
    return sorted(found, key=lambda c: c.radius_mm)


def _sharp(e: Edge) -> Corner:
    return Corner(0.0, vec(e.points.mean(axis=0)), e.faces, 360.0 - e.dihedral_deg)


def vees(job: JobContext, feature: Feature, toward: Array) -> list[Corner]:
    """Sharp inside edges between two faces that are neither upright nor a floor: no cutter fits them."""
    found = {}
    for i in feature.faces:
        for e in job.part.edges_of(i):
            pair = [job.part.faces[f] for f in e.faces]
            slanted = not any(is_wall(f, toward) or _is_floor(f, toward) for f in pair)
            if e.convexity == Convexity.CONCAVE and slanted:
                found[e.id] = _sharp(e)
    return list(found.values())


def _tightest(job: JobContext, face: Face) -> float:
    s = face.surface
    if isinstance(s, Cylinder):
        return s.radius_mm
    assert isinstance(s, Cone)
    heights = (job.scene.vertices(face.id) - s.apex) @ s.axis
    return float(max(heights.min(), 0.0) * np.tan(np.radians(s.half_angle_deg)))


def inside_feet(job: JobContext, feature: Feature, toward: Array) -> list[Corner]:
    """Fillets and sharp edges where a feature's walls meet a floor, tightest first.

    ``toward`` points to the tool.
    """
    part = job.part
    found = []
    for face in job.faces(feature):
        radius = hollow_radius(face)
        if radius is not None and not is_wall(face, toward):
            found.append(Corner(radius, vec(face.centroid), (face.id,)))
    seen = set()
    for i in feature.faces:
        for e in part.edges_of(i):
            if e.id in seen or e.convexity != Convexity.CONCAVE:
                continue
            seen.add(e.id)
            pair = [part.faces[f] for f in e.faces]
            floors = [_is_floor(f, toward) for f in pair]
            if any(floors) and not all(floors) and any(is_wall(f, toward) for f in pair):
                found.append(_sharp(e))
    return sorted(found, key=lambda c: c.radius_mm)


def sharp_feet_mm(job: JobContext, shaped: Sequence[int], toward: Array) -> float:
    """The length of the edges at which shaped faces meet walls, of whatever feature, in an inward corner."""
    part, length = job.part, 0.0
    for i in shaped:
        for e in part.edges_of(i):
            others = [part.faces[f] for f in e.faces if f != i]
            if e.convexity == Convexity.CONCAVE and others and is_wall(others[0], toward):
                length += float(np.linalg.norm(np.diff(e.points, axis=0), axis=1).sum())
    return length


def feet(job: JobContext, feature: Feature, along: Array) -> list[Array]:
    """The level lines (n, 3) at which a feature's walls end downwards, ``along`` pointing up."""
    found = {}
    for face in job.faces(feature):
        if not is_wall(face, along):
            continue
        heights = job.scene.vertices(face.id) @ along
        for e in job.part.edges_of(face.id):
            level = e.points @ along
            if np.ptp(level) < tol.SURFACE_MM and level.mean() < heights.max() - tol.SURFACE_MM:
                found[e.id] = e.points
    return list(found.values())


def _is_floor(face: Face, toward: Array) -> bool:
    """Flat and square to the tool within the lean of a wall; a shaped floor looks up on the whole."""
    limit = LEAN_DEG if isinstance(face.surface, Plane) else 45.0
    return bool(np.mean(face.normals @ toward) > np.cos(np.radians(limit)))


def hollow_radius(face: Face) -> float | None:
    """The smallest concave radius of an analytic surface; None where it is flat or convex."""
    s = face.surface
    if isinstance(s, Torus) and s.hollow:
        return s.minor_mm
    if isinstance(s, Cylinder | Sphere) and s.hollow:
        return s.radius_mm
    return None

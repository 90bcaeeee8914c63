"""Sizes and roles of a recess, once it is known what it opens to and from where."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Convexity, Face
from featurize.brep.surfaces import Array, Cone, Cylinder, Plane, Sphere, Torus, orthonormal_basis
from featurize.brep.surfaces_at import parallel
from featurize.feature import Kind, Role
from featurize.recognise.blends import blend_of
from featurize.recognise.scene import Scene, extent, reach, span

# Walls may lean this much (draft, wire taper) and still be walls.
_LEAN_DEG = 20.0
_RUNS = (Kind.SLOT, Kind.STEP)


def is_wall(face: Face, access: Array, lean_deg: float = _LEAN_DEG) -> bool:
    """Whether a face stands along a direction, leaning at most ``lean_deg``, however the part lies."""
    return bool(np.max(np.abs(face.normals @ access)) <= np.sin(np.radians(lean_deg)) + tol.ROUNDING)


def is_floor(face: Face, access: Array, lean_deg: float = _LEAN_DEG) -> bool:
    """Whether a flat face looks along a direction, sloping at most ``lean_deg``."""
    s = face.surface
    return isinstance(s, Plane) and float(s.normal @ access) > np.cos(np.radians(lean_deg))


def roles_in_recess(scene: Scene, ids: Iterable[int], access: Array) -> dict[int, Role]:
    """Floor, wall, corner or foot for each face, seen from the access direction."""
    return {i: _role(scene, i, access) for i in ids}


def _role(scene: Scene, i: int, access: Array) -> Role:
    face = scene.face(i)
    s, blend = face.surface, blend_of(scene, i)
    if blend is not None and blend.hollow:
        return Role.CORNER if is_wall(face, access) else Role.FOOT
    if isinstance(s, Plane):
        return Role.FLOOR if is_floor(face, access) else Role.WALL
    if isinstance(s, (Cylinder, Cone)):
        if parallel(s.axis, access, _LEAN_DEG):
            return Role.CORNER if s.hollow else Role.WALL
        return Role.FOOT if s.hollow else Role.WALL
    if isinstance(s, (Torus, Sphere)):
        return Role.FOOT if s.hollow or isinstance(s, Torus) else Role.WALL
    return Role.WALL if is_wall(face, access) else Role.FLOOR


def recess_sizes(
    scene: Scene,
    kind: Kind,
    ids: Sequence[int],
    roles: dict[int, Role],
    access: Array,
    run: Array | None,
    body: Array | None = None,
) -> dict[str, float]:
    """Dimensions of a pocket, slot, step or opening, in mm and degrees.

    ``body`` (n, 3): corners of the void, in model coordinates; it bounds the sizes where a floor or wall is
    shared with a crossing cut.
    """
    low, high = -reach(scene, ids, -access), reach(scene, ids, access)
    high = max(high, mouth_level(scene, ids, access, high))
    dims: dict[str, float] = {}
    if run is not None:
        across = np.cross(access, run)
        for name, direction in (("width_mm", across), ("length_mm", run)):
            dims[name] = extent(scene, ids, direction)
            if body is None or not len(body):
                continue
            void = float(np.ptp(body @ direction))
            # Across, a shared floor may be wider than the cut; along, a later cut may have shortened it.
            dims[name] = min(dims[name], void) if name == "width_mm" or kind not in _RUNS else void
    else:
        flat = all(isinstance(scene.face(i).surface, Plane) for i in ids)
        dims["width_mm"], dims["length_mm"] = smallest_rectangle(scene, ids, access, body if flat else None)
    if kind in (Kind.STEP, Kind.BLIND_STEP) or kind in (Kind.THROUGH_PROFILE, Kind.OUTSIDE_PROFILE):
        dims["height_mm"] = high - low
    else:
        dims["depth_mm"] = high - low
    corner = smallest_corner(scene, ids, access)
    if corner is not None:
        dims["corner_radius_mm"] = corner
    feet = [_small_radius(scene, i) for i in ids if roles[i] == Role.FOOT]
    if feet:
        dims["floor_radius_mm"] = min(feet)
    return dims


def smallest_corner(scene: Scene, ids: Sequence[int], access: Array) -> float | None:
    """Smallest inside corner radius seen along ``access``; 0 for a sharp one, None without corners."""
    radii = []
    inside = set(ids)
    for i in ids:
        s = scene.face(i).surface
        if isinstance(s, Cylinder) and s.hollow and parallel(s.axis, access, 1.0):
            radii.append(s.radius_mm)
        elif isinstance(s, Cone) and s.hollow and parallel(s.axis, access, 1.0):
            radii.append(_cone_small_radius(scene, i, s))
        elif (blend := blend_of(scene, i)) is not None and blend.hollow and is_wall(scene.face(i), access):
            radii.append(blend.least_mm)
    for i in ids:
        for e in scene.part.edges_of(i):
            if e.convexity != Convexity.CONCAVE or not set(e.faces) <= inside:
                continue
            chord = e.points[-1] - e.points[0]
            length = float(np.linalg.norm(chord))
            if (
                length > tol.LENGTH_MM
                and parallel(chord / length, access, _LEAN_DEG)
                and all(is_wall(scene.face(f), access) for f in e.faces)
            ):
                radii.append(0.0)
    return min(radii) if radii else None


def _cone_small_radius(scene: Scene, face: int, cone: Cone) -> float:
    heights = (scene.vertices(face) - cone.apex) @ cone.axis
    return float(max(heights.min(), 0.0) * np.tan(np.radians(cone.half_angle_deg)))


def _small_radius(scene: Scene, i: int) -> float:
    s, blend = scene.face(i).surface, blend_of(scene, i)
    if blend is not None:
        return blend.least_mm
    if isinstance(s, Torus):
        return s.minor_mm
    if isinstance(s, (Cylinder, Sphere)):
        return s.radius_mm
    return 0.0


def mouth_level(scene: Scene, ids: Sequence[int], access: Array, high: float) -> float:
    """The level of the opening where a chamfer or round has taken the rim's edge."""
    levels = [high]
    for e, _, outer in scene.rim(ids):
        feature = scene.owner.get(outer)
        broken = feature is not None and feature.kind in (Kind.CHAMFER, Kind.EDGE_ROUND)
        if broken and float((e.points @ access).min()) > high - tol.SURFACE_MM:
            levels.append(span(scene.vertices(outer), access)[1])
    return max(levels)


def smallest_rectangle(
    scene: Scene, ids: Sequence[int], access: Array, body: Array | None = None
) -> tuple[float, float]:
    """Width and length of the smallest rectangle around faces seen along a direction.

    It lies along one of the flat walls, or without any along an edge of the faces' outline. ``body`` (n, 3):
    corners of the void, which bounds walls that a crossing cut shares.
    """

    def size(direction: Array) -> float:
        reached = extent(scene, ids, direction)
        return min(reached, float(np.ptp(body @ direction))) if body is not None and len(body) else reached

    directions = [
        n / np.linalg.norm(n)
        for i in ids
        if isinstance(s := scene.face(i).surface, Plane)
        and np.linalg.norm(n := s.normal - (s.normal @ access) * access) > np.cos(np.radians(_LEAN_DEG))
    ]
    best = (np.inf, 0.0, 0.0)
    for d in directions or _outline_directions(scene.cloud(ids), access):
        a, b = size(d), size(np.cross(access, d))
        best = min(best, (round(a * b, 6), min(a, b), max(a, b)))
    return best[1], best[2]


def _outline_directions(points: Array, access: Array) -> list[Array]:
    """Unit directions of the edges of the hull of points (n, 3) seen along ``access``."""
    from shapely import MultiPoint, convex_hull

    basis = orthonormal_basis(access)[:2]
    hull = convex_hull(MultiPoint(points @ basis.T))
    if hull.geom_type != "Polygon":
        return [basis[0]]
    edges = np.diff(np.asarray(hull.exterior.coords), axis=0)
    lengths = np.linalg.norm(edges, axis=1)
    edges = edges[lengths > tol.LENGTH_MM] / lengths[lengths > tol.LENGTH_MM, None]
    return list(edges @ basis)

"""Through profiles: closed openings right through, with a straight land and tapered relief.

The walls of an opening fence in a hollow of the part's section at some level, with a free way to both ends.
A cut across may part them elsewhere: what lies on the same surfaces is theirs. Where a land turns into relief
the opening has a second storey, joined to the first along a nearly flat outward edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import compress
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from featurize import tolerances as tol
from featurize.brep.hollows import Levels
from featurize.brep.part import Convexity, Edge
from featurize.brep.rays import first_hits
from featurize.brep.surfaces import Array, Cylinder, Plane, orthonormal_basis
from featurize.brep.surfaces_at import parallel
from featurize.feature import Axis, CrossSection, Feature, Kind, Role
from featurize.recognise.corners import void_before
from featurize.recognise.holes import coverage
from featurize.recognise.scene import Scene, mesh_span, span, vec
from featurize.recognise.sizes import is_wall, recess_sizes
from featurize.recognise.volume import convex_voids, material_inside, section_of, void_of

ORDER = 15
# Sections looked at along one axis; more only find what is thinner.
_MOST_LEVELS = 40
# Lines of sight through a hollow.
_SPOTS = 60
# Share of the turn of a bore's wall that goes all the way about.
_ALL_ROUND = 0.96
# Land and relief meet at this much less than a flat angle; wire machines lean no further.
_STOREY_DEG = 20.0


def find(scene: Scene) -> list[Feature]:
    """Openings along each axis of the frame, the thickness first."""
    features: list[Feature] = []
    free = set(scene.free)
    for k in (2, 0, 1):
        axis = scene.part.frame.axes[k]
        walls = {f for f in free if is_wall(scene.face(f), axis, _STOREY_DEG)}
        for ring in _rings(scene, walls, axis):
            feature = _opening(scene, ring, axis)
            if feature is not None:
                features.append(feature)
                free -= set(ring)
    return features


def _rings(scene: Scene, walls: set[int], axis: Array) -> list[list[int]]:
    """Walls round one hollow, with what other cuts have parted from them, and storeys put together."""
    root = {f: f for f in walls}

    def top(f: int) -> int:
        while root[f] != f:
            f = root[f]
        return f

    def join(a: int, b: int) -> None:
        root[max(top(a), top(b))] = min(top(a), top(b))

    around = _around_hollows(scene, walls, axis)
    for ring in around:
        for f in ring:
            join(min(ring), f)
    fenced = set[int]().union(*around)
    surface = scene.surface
    surfaces = [{surface[f] for f in ring} for ring in around]
    for e in scene.part.edges:
        if fenced.issuperset(e.faces) and _is_storey(e, axis):
            join(*e.faces)
    for one, lies_on in zip(around, surfaces, strict=True):
        # What another cut has parted lies over or under it, each wall on the surface of one of its own.
        for other, on in zip(around, surfaces, strict=True):
            if (
                lies_on <= on
                and top(min(one)) != top(min(other))
                and all(_is_beside(scene, f, sorted(other), axis) for f in one)
            ):
                join(min(one), min(other))
    for f in walls - fenced:
        twin = next((o for o in fenced if surface[o] == surface[f]), None)
        if twin is not None and _is_beside(scene, f, [o for o in fenced if top(o) == top(twin)], axis):
            join(f, twin)
    groups: dict[int, list[int]] = {}
    for f in sorted(walls):
        if top(f) in fenced:
            groups.setdefault(top(f), []).append(f)
    return list(groups.values())


def _around_hollows(scene: Scene, walls: set[int], axis: Array) -> list[frozenset[int]]:
    """Walls that by themselves fence in a hollow of some level's section, which has a way to both ends."""
    shaped = frozenset(f for f in walls if _may_be_shaped(scene, f))
    if not shaped:
        return []
    cut = Levels(scene.part.mesh, axis)
    found: list[frozenset[int]] = []
    through = {f for f in walls if not _stands_on_floor(scene, f, axis)}
    around: dict[int, list[frozenset[int]]] = {}

    def wanted(faces: frozenset[int]) -> bool:
        known = around.get(min(faces), ())
        return faces <= through and not faces.isdisjoint(shaped) and not any(faces <= k for k in known)

    for level in _levels(scene, walls, axis):
        closed = [h for h in cut.hollows(level, wanted) if wanted(h.faces)]
        # Most that have a floor show it at one spot.
        middles = np.array([h.polygon.representative_point().coords[0] for h in closed]).reshape(-1, 2)
        free = _is_free(scene, walls, axis, level, middles)
        for hollow in compress(closed, free):
            rim = _beside_rim(hollow.polygon)
            if wanted(hollow.faces) and all(_is_free(scene, walls, axis, level, rim)):
                found.append(hollow.faces)
                for f in hollow.faces:
                    around.setdefault(f, []).append(hollow.faces)
    return found


def _stands_on_floor(scene: Scene, f: int, axis: Array) -> bool:
    """Whether a wall ends, up or down, on a flat across the axis: what other cuts have left of a floor."""
    for o in scene.part.across(f, Convexity.CONCAVE):
        s = scene.face(o).surface
        if isinstance(s, Plane) and parallel(s.normal, axis):
            up = axis if float(s.normal @ axis) > 0 else -axis
            if mesh_span(scene, f, up)[0] > float(s.origin @ up) - tol.SURFACE_MM:
                return True
    return False


def _is_free(scene: Scene, walls: set[int], axis: Array, level: float, spots: Array) -> NDArray[np.bool_]:
    """Whether lines of sight from spots (n, 2) of a section, both ways, meet no floor, though walls may lean
    in."""
    if not len(spots):
        return np.ones(0, bool)
    points = spots @ orthonormal_basis(axis)[:2] + level * axis
    met = np.stack([first_hits(scene.part.mesh, points, way)[1] for way in (axis, -axis)])
    return np.asarray((np.isin(met, [-1, *walls])).all(axis=0))


def _beside_rim(polygon: Any) -> Array:
    """Points (n, 2) just inside a polygon's edge."""
    inside = shapely.get_coordinates(polygon.buffer(-tol.VOID_MM).boundary)
    return np.asarray(inside[:: max(1, len(inside) // _SPOTS)])


def _may_be_shaped(scene: Scene, f: int) -> bool:
    """Whether a wall may be part of an opening that is no bore and no side of the block."""
    s = scene.face(f).surface
    return not isinstance(s, Plane | Cylinder) or (
        not scene.on_box(scene.face(f))
        and not (isinstance(s, Cylinder) and coverage(scene, [f], s.origin, s.axis) > _ALL_ROUND)
    )


def _levels(scene: Scene, walls: set[int], axis: Array) -> list[float]:
    """Half way between the levels at which walls begin and end."""
    ends = np.unique(np.round([h for f in walls for h in mesh_span(scene, f, axis)], 3))
    gaps = np.diff(ends)
    chosen = np.sort(np.argsort(-gaps, kind="stable")[:_MOST_LEVELS])
    return [float(ends[k] + gaps[k] / 2) for k in chosen if gaps[k] > tol.VOID_MM]


def _is_beside(scene: Scene, f: int, ring: Sequence[int], axis: Array) -> bool:
    """Whether a wall lies over or under the walls of an opening, on their surfaces."""
    flat = orthonormal_basis(axis)[:2]
    own, theirs = (scene.cloud(ids) @ flat.T for ids in ([f], ring))
    slack = tol.SURFACE_MM
    return bool(
        np.all(own.min(axis=0) > theirs.min(axis=0) - slack)
        and np.all(own.max(axis=0) < theirs.max(axis=0) + slack)
    )


def _is_upright(e: Edge, axis: Array) -> bool:
    chord = e.points[-1] - e.points[0]
    length = float(np.linalg.norm(chord))
    return length > tol.LENGTH_MM and parallel(chord / length, axis, _STOREY_DEG + 5.0)


def _is_storey(e: Edge, axis: Array) -> bool:
    return abs(180.0 - e.dihedral_deg) <= _STOREY_DEG and not _is_upright(e, axis)


def _opening(scene: Scene, ring: Sequence[int], axis: Array) -> Feature | None:
    cuts = scene.rejoined(scene.groups(ring, Convexity.CONCAVE, Convexity.TANGENT))
    storeys = any(
        _is_storey(e, axis) and set(e.faces) <= set(ring) for f in ring for e in scene.part.edges_of(f)
    )
    if not storeys:
        # A convex opening is read from its void, as other recesses are; so are several that run into
        # each other while each is whole.
        voids = [void_before(scene, c) for c in cuts]
        if all(v is not None and (len(cuts) == 1 or not material_inside(scene, v)) for v in voids):
            return None
        if _is_crossed(scene, ring):
            return None
    straight = [f for f in ring if is_wall(scene.face(f), axis, tol.CONE_MIN_DEG)]
    lean = {f: float(np.degrees(np.arcsin(np.max(np.abs(scene.face(f).normals @ axis))))) for f in ring}
    roles = {f: Role.LAND if f in straight else Role.RELIEF for f in ring}
    land = straight or list(ring)
    tapered = [f for f in ring if f not in straight]
    if tapered and straight:
        # The land's end is the working side: relief widens away from it.
        up = float(np.mean(scene.cloud(straight) @ axis)) > float(np.mean(scene.cloud(tapered) @ axis))
        axis = axis if up else -axis
    elif tapered:
        widens_up = float(np.mean([float(np.mean(scene.face(f).normals @ axis)) for f in tapered])) > 0
        axis = -axis if widens_up else axis
    dims = recess_sizes(scene, Kind.THROUGH_PROFILE, land, dict.fromkeys(land, Role.WALL), axis, None)
    low, high = span(scene.cloud(ring), axis)
    dims["height_mm"] = high - low
    if _is_round(scene, land):
        dims["diameter_mm"] = dims["width_mm"]
    if tapered:
        dims["land_mm"] = float(np.ptp(scene.cloud(straight) @ axis)) if straight else 0.0
        dims["taper_deg"] = max(lean[f] for f in tapered)
    frame = scene.part.frame
    sides = [s for d in (axis, -axis) if (s := frame.side_of(d, 0.99))]
    cloud = scene.cloud(land)
    middle = cloud.mean(axis=0)
    flats = [f for f in land if isinstance(scene.face(f).surface, Plane)]
    return Feature(
        id="",
        kind=Kind.THROUGH_PROFILE,
        faces=tuple(sorted(ring)),
        roles=roles,
        dims=dims,
        axis=Axis(vec(middle + (high - float(middle @ axis)) * axis), vec(axis)),
        opens_to=tuple(sides),
        cross_section=_section(scene, land, flats, axis),
        evidence=("closed ring of walls, open at both ends", f"{len(ring)} walls"),
    )


def _is_crossed(scene: Scene, ring: Sequence[int]) -> bool:
    """Whether another cut shares walls with an opening, and all are read from their voids: two passages of
    one width across each other."""
    inside = set(ring)
    if not any(scene.part.across(f, Convexity.CONCAVE) & scene.free - inside for f in ring):
        return False
    groups = scene.groups(scene.free, Convexity.CONCAVE, Convexity.TANGENT)
    whole = sorted(f for g in groups if inside & set(g) for f in g)
    return convex_voids(scene, whole) is not None


def _is_round(scene: Scene, land: Sequence[int]) -> bool:
    return len(land) == 1 and isinstance(scene.face(land[0]).surface, Cylinder)


def _section(scene: Scene, land: Sequence[int], flats: list[int], axis: Array) -> CrossSection:
    if _is_round(scene, land):
        return CrossSection.ROUND
    void = void_of(scene, land)
    if void is None or len(flats) < 3:
        return CrossSection.OTHER
    flat_void = void_of(scene, flats)
    if flat_void is None:
        return CrossSection.OTHER
    return section_of(flat_void.sides_around(scene.part.frame.axes @ axis), curved=False)

"""Through profiles: closed openings right through, with a straight land and tapered relief.

The walls of one opening follow each other round a ring; where a land turns into relief the ring has a
second storey, joined to the first along a nearly flat outward edge.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Convexity, Edge
from featurize.brep.surfaces import Array, Cylinder, Plane
from featurize.brep.surfaces_at import parallel
from featurize.feature import Axis, CrossSection, Feature, Kind, Role
from featurize.recognise.scene import Scene, span, vec
from featurize.recognise.sizes import is_wall, recess_sizes
from featurize.recognise.volume import material_inside, section_of, void_of

ORDER = 15
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
    """Walls joined side by side or storey on storey."""
    root = {f: f for f in walls}

    def top(f: int) -> int:
        while root[f] != f:
            f = root[f]
        return f

    for e in scene.part.edges:
        a, b = e.faces
        if a in walls and b in walls and (_is_upright(e, axis) or _is_storey(e, axis)):
            root[max(top(a), top(b))] = min(top(a), top(b))
    groups: dict[int, list[int]] = {}
    for f in sorted(walls):
        groups.setdefault(top(f), []).append(f)
    return list(groups.values())


def _is_upright(e: Edge, axis: Array) -> bool:
    chord = e.points[-1] - e.points[0]
    length = float(np.linalg.norm(chord))
    return length > tol.LENGTH_MM and parallel(chord / length, axis, _STOREY_DEG + 5.0)


def _is_storey(e: Edge, axis: Array) -> bool:
    return abs(180.0 - e.dihedral_deg) <= _STOREY_DEG and not _is_upright(e, axis)


def _opening(scene: Scene, ring: Sequence[int], axis: Array) -> Feature | None:
    rim = scene.rim(ring)
    if not rim or any(e.convexity == Convexity.CONCAVE for e, _, _ in rim):
        return None
    if any(_is_upright(e, axis) for e, _, _ in rim):
        return None  # open along its side
    if not _goes_round(scene, ring, axis):
        return None
    cuts = scene.groups(ring, Convexity.CONCAVE, Convexity.TANGENT)
    storeys = any(
        _is_storey(e, axis) and set(e.faces) <= set(ring) for f in ring for e in scene.part.edges_of(f)
    )
    if not storeys:
        # A convex opening is read from its void, as other recesses are; so are several that run into
        # each other while each is whole.
        voids = [void_of(scene, c) for c in cuts]
        if all(v is not None and (len(cuts) == 1 or not material_inside(scene, v)) for v in voids):
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


def _goes_round(scene: Scene, ring: Sequence[int], axis: Array) -> bool:
    """Whether the walls' normals turn once about the axis and look inwards."""
    points = np.vstack([scene.face(f).points for f in ring])
    normals = np.vstack([scene.face(f).normals for f in ring])
    rim_levels = [float(np.mean(e.points @ axis)) for e, _, _ in scene.rim(ring)]
    low, high = span(scene.cloud(ring), axis)
    if min(rim_levels) > (low + high) / 2 or max(rim_levels) < (low + high) / 2:
        return False
    # Divergence theorem in the plane: the enclosed area is positive when normals look inwards.
    weights = np.concatenate(
        [np.full(len(scene.face(f).points), scene.face(f).area_mm2 / len(scene.face(f).points)) for f in ring]
    )
    flat = points - np.outer(points @ axis, axis)
    flat -= flat.mean(axis=0)
    closed = np.linalg.norm((weights[:, None] * (normals - np.outer(normals @ axis, axis))).sum(axis=0))
    return bool(np.sum(weights * np.sum(flat * normals, axis=1)) < 0 and closed < 0.25 * weights.sum())

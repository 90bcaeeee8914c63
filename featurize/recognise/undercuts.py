"""Undercut recesses: wider below their mouth than at it, so that no straight tool comes at all of them.

A T-slot has a neck and a wider head, a dovetail leaning flanks; both have a floor that is seen through the
mouth and roofs that overhang it on opposite sides. A groove in the walls of another recess lies between a
ledge and a roof, and the recess around it bars the way straight in. A cut in a wall that some side sees is no
undercut: from there it is a slot or pocket like others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from featurize import tolerances as tol
from featurize.brep.frame import SIDES
from featurize.brep.part import Convexity, Face
from featurize.brep.rays import escapes, first_hits
from featurize.brep.surfaces import Array, Plane
from featurize.brep.surfaces_at import parallel, square
from featurize.feature import Axis, CrossSection, Feature, Kind, Role
from featurize.recognise.scene import Scene, extent, reach, vec
from featurize.recognise.sizes import is_wall, mouth_level, roles_in_recess, smallest_corner
from featurize.recognise.volume import kind_of, void_of

# Before recesses (50): what is undercut has no name by the void in front of it.
ORDER = 45
# A face leaning further than this over a floor is a roof; less is draft the wrong way (common practice).
_OVERHANG_DEG = 5.0
# A floor leans no further than this from square to the access (common practice: a ramped floor is still one).
_FLOOR_DEG = 20.0
# ... and across the run by no more than what files write of a right angle.
_CANT_DEG = 1.0
# A neck stands over the middle of its head but for this share of its width (common practice, no source).
_OFF_MIDDLE = 0.1
# Of the samples of a floor or wall, at most this share is seen where the way is barred.
_BARRED, _SEEN = 0.05, 0.6
# Samples of a floor or wall for sight: shares come out to a few percent.
_POINTS = 60
# Roofs are opposite when their lips look at each other at least this squarely (cosine).
_OPPOSITE = -0.7
_OUTSIDE = (Kind.OUTSIDE_FACE, Kind.OUTSIDE_PROFILE)


@dataclass(frozen=True, eq=False)
class _Lip:
    """A roof and the way from its material into the mouth; ``wall`` stands on its edge, if one does.

    The end of a run on the part's outside is no lip.
    """

    roof: int
    into: Array  # unit, square to the access
    wall: int | None


def find(scene: Scene) -> list[Feature]:
    """All undercut recesses over free faces, looked at from each side, the thickness first."""
    features: list[Feature] = []
    free = set(scene.free)
    groups = scene.groups(free, Convexity.CONCAVE, Convexity.TANGENT)
    for side in sorted(SIDES, key=lambda s: s[1] != "z"):
        access = scene.part.frame.direction(side)
        for group in groups:
            lips = _lips(scene, group, access) if free.issuperset(group) else []
            floors = [f for f in group if _floor(scene.face(f), access)]
            if not lips or not floors:
                continue
            found = _necked(scene, group, floors, lips, side, free) or _walled(
                scene, group, floors, lips, side
            )
            if found is not None and not _is_of_opening(scene, group, groups):
                features.append(found)
                free -= set(found.faces)
    whole: list[Feature] = []
    for piece in features:
        k = next((k for k, other in enumerate(whole) if _continues(scene, other, piece)), None)
        if k is None:
            whole.append(piece)
        else:
            whole[k] = _rejoined(scene, whole[k], piece)
    return whole


def _is_of_opening(scene: Scene, group: Sequence[int], groups: Sequence[Sequence[int]]) -> bool:
    """Whether a group is what another cut has parted from an opening, and opened on one side: elsewhere, on
    the same surfaces and more, walls go all about."""
    surfaces = {scene.surface[f] for f in group}
    whole = sorted(f for g in groups if any(scene.surface[f] in surfaces for f in g) for f in g)
    void = void_of(scene, whole) if surfaces < {scene.surface[f] for f in whole} else None
    return void is not None and kind_of(void.opens_to) == Kind.THROUGH_PROFILE


_SAME = ("neck_width_mm", "head_width_mm", "head_height_mm")


def _continues(scene: Scene, one: Feature, other: Feature) -> bool:
    """Whether two pieces, parted by a cut across, are one slot: on the same surfaces, in free sight."""
    if not all(name in f.dims for name in _SAME for f in (one, other)) or one.axis is None:
        return False
    if any(abs(one.dims[name] - other.dims[name]) > tol.SURFACE_MM for name in _SAME):
        return False
    shared = {f for f in other.faces if any(scene.one_surface(f, g) for g in one.faces)}
    # Floor, both roofs or flanks, and the two walls of a T-slot's head.
    if len(shared) < 3 or not shared.issuperset(other.faces_with(Role.FLOOR, Role.ROOF)):
        return False
    floors = [f.faces_with(Role.FLOOR) for f in (one, other)]
    points, ends = (_before(scene, ids) for ids in floors)
    way = ends.mean(axis=0) - points.mean(axis=0)
    way /= np.linalg.norm(way)
    needed = float(ends.mean(axis=0) @ way) - points @ way
    return float(np.mean(first_hits(scene.part.mesh, points, way)[0] > needed)) > _SEEN


def _rejoined(scene: Scene, one: Feature, other: Feature) -> Feature:
    assert one.axis is not None
    access = np.array(one.axis.direction)
    side = scene.part.frame.side_of(access)
    faces = tuple(sorted({*one.faces, *other.faces}))
    ends = [s for s in scene.seen_from(faces) if abs(float(scene.part.frame.direction(s) @ access)) < 0.5]
    kind = kind_of((*ends, side or ""))
    opens_to = tuple(s for s in SIDES if s == side or s in ends)
    way = scene.cloud(other.faces).mean(axis=0) - scene.cloud(one.faces).mean(axis=0)
    way -= (way @ access) * access
    dims = {**one.dims, "length_mm": extent(scene, faces, way / np.linalg.norm(way))}
    dims["depth_mm"] = max(one.dims["depth_mm"], other.dims["depth_mm"])
    origin = (np.array(one.axis.origin) + np.array(other.axis.origin if other.axis else one.axis.origin)) / 2
    return one.but(
        kind=kind if kind in (Kind.SLOT, Kind.BLIND_SLOT, Kind.POCKET) else one.kind,
        faces=faces,
        roles={**one.roles, **other.roles},
        dims=dims,
        axis=Axis(vec(origin), one.axis.direction),
        opens_to=opens_to,
        evidence=(*one.evidence, "parted by a cut across"),
    )


def _floor(face: Face, access: Array) -> bool:
    s = face.surface
    return isinstance(s, Plane) and float(s.normal @ access) > np.cos(np.radians(_FLOOR_DEG))


def overhangs(face: Face, access: Array) -> bool:
    """Whether a flat face looks away from where the tool comes from."""
    s = face.surface
    return isinstance(s, Plane) and float(s.normal @ access) < -np.sin(np.radians(_OVERHANG_DEG))


def _lips(scene: Scene, group: Sequence[int], access: Array) -> list[_Lip]:
    found = []
    for roof in (f for f in group if overhangs(scene.face(f), access)):
        s = scene.face(roof).surface
        assert isinstance(s, Plane)
        flank = s.normal - (s.normal @ access) * access
        leaning = not parallel(s.normal, access, _OVERHANG_DEG)
        for e in scene.part.edges_of(roof):
            wall = e.faces[0] if e.faces[1] == roof else e.faces[1]
            outside = wall in scene.owner and scene.owner[wall].kind in _OUTSIDE
            stands = not outside and is_wall(scene.face(wall), access, 5)
            if e.convexity != Convexity.CONVEX:
                continue
            if leaning:
                into = flank / np.linalg.norm(flank)
                upright = stands and float(_normal(scene, wall) @ into) > -_OPPOSITE
                found.append(_Lip(roof, into, wall if upright else None))
            elif stands and (size := float(np.linalg.norm(out := _normal(scene, wall)))) > 0.1:
                found.append(_Lip(roof, out / size, wall))
    return found


def _necked(
    scene: Scene,
    group: Sequence[int],
    floors: Sequence[int],
    lips: Sequence[_Lip],
    side: str,
    free: set[int],
) -> Feature | None:
    """A T-slot, a dovetail, or a pocket wider below its mouth."""
    access = scene.part.frame.direction(side)
    # A lip without another across is where something else crosses.
    lips = [a for a in lips if any(float(a.into @ b.into) < _OPPOSITE for b in lips)]
    if not lips:
        return None
    if float(np.mean(escapes(scene.part.mesh, _before(scene, floors), access))) <= _BARRED:
        return None
    walls = {lip.wall for lip in lips if lip.wall is not None} & free
    beyond = scene.groups(free - set(group), Convexity.CONCAVE, Convexity.TANGENT)
    necks = [g for g in beyond if walls & set(g)]
    if not all(is_wall(scene.face(f), access, 5) for g in necks for f in g):
        return None
    roofs = sorted({lip.roof for lip in lips})
    roof_level = max(reach(scene, [f], access) for f in roofs)
    # A plunge place for the cutter goes down through the roof.
    on_roof = {f for f in walls & set(group) if -reach(scene, [f], -access) > roof_level - tol.SURFACE_MM}
    neck = sorted({*on_roof, *(f for g in necks for f in g)})
    faces = tuple(sorted({*group, *neck}))
    top, bottom = reach(scene, faces, access), -reach(scene, floors, -access)
    if -reach(scene, faces, -access) < bottom - tol.SURFACE_MM:
        return None  # what looks like a neck goes on below the floor: another cut crosses
    run = _run(scene, lips, access, neck or roofs)
    across = np.cross(access, run)
    if not all(square(_normal(scene, f), across, _CANT_DEG) for f in floors):
        return None
    head = [*roofs, *floors]
    head_width = extent(scene, head, across)
    if neck:
        tall = [f for f in group if reach(scene, [f], access) > top - tol.SURFACE_MM]
        neck_width, neck_length = extent(scene, neck, across), extent(scene, [*neck, *tall], run)
        if abs(_middle(scene, neck, across) - _middle(scene, head, across)) > _OFF_MIDDLE * head_width:
            return None  # a slot that comes down on a passage
    else:
        if any(reach(scene, [f], access) < roof_level - tol.SURFACE_MM for f in roofs):
            return None  # flanks that lean to one ridge, or to a wall
        neck_width, neck_length = (
            float(np.ptp(_upper_edge(scene, roofs, access) @ d)) for d in (across, run)
        )
    # Where the neck is much shorter than the head, a tunnel is crossed by something else.
    short = extent(scene, head, run) - neck_length
    if (
        neck_width < tol.VOID_MM
        or head_width - neck_width < tol.SURFACE_MM
        or short > head_width - neck_width + tol.SURFACE_MM
    ):
        return None
    ends = [s for s in scene.seen_from(faces) if abs(float(scene.part.frame.direction(s) @ access)) < 0.5]
    kind = kind_of((*ends, side))
    if kind not in (Kind.SLOT, Kind.BLIND_SLOT, Kind.POCKET):
        return None
    if ends and extent(scene, head, run) < head_width:
        return None  # no run: a pocket from its end, which another cut has opened on one side
    opens_to = tuple(s for s in SIDES if s == side or s in ends)
    dims = {
        "width_mm": neck_width,
        "length_mm": extent(scene, faces, run),
        "depth_mm": mouth_level(scene, faces, access, top) - bottom,
        "neck_width_mm": neck_width,
        "head_width_mm": head_width,
        "head_height_mm": roof_level - bottom,
    }
    leans = [_flank_deg(scene, f, access) for f in roofs]
    if max(leans) > _OVERHANG_DEG:
        dims["flank_angle_deg"] = min(leans)
    corner = smallest_corner(scene, faces, access)
    if corner is not None:
        dims["corner_radius_mm"] = corner
    over = "flanks lean" if "flank_angle_deg" in dims else "a roof stands"
    why = f"wider below its mouth: {over} over the floor"
    return _feature(scene, kind, faces, access, dims, run, opens_to, why)


def _middle(scene: Scene, ids: Sequence[int], direction: Array) -> float:
    return (reach(scene, ids, direction) - reach(scene, ids, -direction)) / 2


def _upper_edge(scene: Scene, flanks: Sequence[int], access: Array) -> Array:
    """Points (n, 3) where flanks end in the mouth."""
    cloud = scene.cloud(flanks)
    heights = cloud @ access
    return np.asarray(cloud[heights > heights.max() - tol.SURFACE_MM])


def _run(scene: Scene, lips: Sequence[_Lip], access: Array, ids: Sequence[int]) -> Array:
    """The longer way between opposite lips' walls."""
    tried = [np.cross(access, lip.into) for lip in lips]
    frame = scene.part.frame.axes
    run = max(tried, key=lambda d: round(extent(scene, ids, d), 2))
    lead = int(np.argmax(np.round(np.abs(frame @ run), 6)))
    return np.asarray(run * np.sign(frame[lead] @ run))


def _walled(
    scene: Scene, group: Sequence[int], floors: Sequence[int], lips: Sequence[_Lip], side: str
) -> Feature | None:
    """A groove in the walls of another recess, which is open to the access but bars the way straight in."""
    frame = scene.part.frame
    access = frame.direction(side)
    if any(
        overhangs(scene.face(f), access) and not parallel(_normal(scene, f), access, _OVERHANG_DEG)
        for f in group
    ):
        return None
    around = sorted({lip.wall for lip in lips if lip.wall is not None})
    sight = escapes(scene.part.mesh, _before(scene, floors), access)
    if not around or float(np.mean(sight)) > _BARRED:
        return None
    above = np.vstack([_upper(scene, w, access) for w in around])
    if float(np.mean(escapes(scene.part.mesh, above, access))) < _SEEN:
        return None
    into = np.mean([lip.into for lip in lips], axis=0)
    backs = [f for f in group if is_wall(scene.face(f), access, 5)]
    straight = float(np.linalg.norm(into)) > 0.5  # in one wall, not all round
    if not backs or scene.seen_from(group):
        return None  # from a side that sees it, it is a pocket or slot, or what is left of a passage
    roofs = sorted({lip.roof for lip in lips})
    gap = -reach(scene, roofs, -access) - reach(scene, floors, access)
    depth = max((d for lip in lips for b in backs if (d := _depth(scene, lip, b)) is not None), default=0.0)
    if gap < tol.SURFACE_MM or depth < tol.SURFACE_MM:
        return None
    run = np.cross(access, into / np.linalg.norm(into)) if straight else None
    dims = {"width_mm": gap, "depth_mm": depth}
    if run is not None:
        dims["length_mm"] = extent(scene, group, run)
    corner = smallest_corner(scene, group, access)
    if corner is not None:
        dims["corner_radius_mm"] = corner
    why = f"in the wall{'' if straight else 's'} of a recess, which bars the way straight in"
    return _feature(scene, Kind.GROOVE, tuple(sorted(group)), access, dims, run, (), why)


def _normal(scene: Scene, f: int) -> Array:
    return np.asarray(scene.face(f).normals.mean(axis=0))


def _before(scene: Scene, ids: Sequence[int]) -> Array:
    """Points (n, 3) spread evenly over faces and moved out of the material."""
    corners = scene.triangles(ids)
    if len(corners) == 0:  # a broken face may have no mesh
        return np.vstack([scene.off_surface(i) for i in ids])
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    areas = np.linalg.norm(across, axis=1)
    share = (np.arange(_POINTS) + 0.5) / _POINTS
    rows = np.minimum(np.searchsorted(np.cumsum(areas) / areas.sum(), share), len(areas) - 1)
    # Steps by powers of the plastic number fill the unit square evenly (a Kronecker sequence).
    u, v = ((np.arange(_POINTS) * step) % 1 for step in (0.7548776662, 0.5698402910))
    u, v = np.where(u + v > 1, 1 - u, u), np.where(u + v > 1, 1 - v, v)
    a, b, c = (corners[rows, k] for k in range(3))
    points = a + u[:, None] * (b - a) + v[:, None] * (c - a)
    return np.asarray(points + 2 * scene.part.mesh.deflection_mm * across[rows] / areas[rows, None])


def _upper(scene: Scene, wall: int, access: Array) -> Array:
    """Points (n, 3) before a wall's upper half."""
    points = _before(scene, [wall])
    heights = points @ access
    return np.asarray(points[heights >= np.median(heights)])


def _depth(scene: Scene, lip: _Lip, back: int) -> float | None:
    """From the wall around down to a groove's back that runs along it."""
    if lip.wall is None:
        return None
    wall, floor = scene.face(lip.wall).surface, scene.face(back).surface
    if isinstance(wall, Plane) and isinstance(floor, Plane) and float(wall.normal @ floor.normal) > 0.999:
        return float((wall.origin - floor.origin) @ wall.normal)
    return None


def _flank_deg(scene: Scene, roof: int, access: Array) -> float:
    """Angle between a flank and the floor: 60 for a common dovetail, 0 for the roof of a T-slot."""
    s = scene.face(roof).surface
    assert isinstance(s, Plane)
    return float(np.degrees(np.arccos(np.clip(-float(s.normal @ access), 0, 1))))


def _feature(
    scene: Scene,
    kind: Kind,
    faces: tuple[int, ...],
    access: Array,
    dims: dict[str, float],
    run: Array | None,
    opens_to: tuple[str, ...],
    why: str,
) -> Feature:
    roles = roles_in_recess(scene, faces, access)
    roles |= {f: Role.ROOF for f in faces if overhangs(scene.face(f), access)}
    cloud = scene.cloud(faces)
    top = cloud.mean(axis=0) + (float((cloud @ access).max()) - float((cloud @ access).mean())) * access
    return Feature(
        id="",
        kind=kind,
        faces=faces,
        roles=roles,
        dims=dims,
        axis=Axis(vec(top), vec(access)),
        run=vec(run) if run is not None and kind != Kind.POCKET else None,
        opens_to=opens_to,
        cross_section=CrossSection.OTHER,
        evidence=(why,),
        confidence=0.95,
    )

"""Pockets, slots, steps, blind slots and steps, floors and plain through profiles.

Faces that meet in inward corners or run smoothly into each other are cut together; faces of two
features that cross always meet in an outward edge, because the part is what neither cutter took.
So the groups joined by inward and smooth edges are the cuts, and each is named by what it opens to.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from featurize import tolerances as tol
from featurize.brep.frame import SIDES
from featurize.brep.part import Convexity
from featurize.brep.surfaces import Array, Cylinder, Freeform, Plane
from featurize.brep.surfaces_at import parallel, same_surface, square
from featurize.feature import Axis, CrossSection, Feature, Kind, Role
from featurize.recognise.bevels import Bevel, webs
from featurize.recognise.contoured import contour
from featurize.recognise.corners import is_corner, void_before
from featurize.recognise.cuts import Cut, lacks_walls, rejoined, surfaces_of
from featurize.recognise.scene import Scene, extent, vec
from featurize.recognise.sizes import is_floor, is_wall, recess_sizes, roles_in_recess
from featurize.recognise.volume import (
    convex_voids,
    kind_of,
    section_of,
    void_of,
)

ORDER = 50

# A slot of two flanks is a V, wherever its mouth has been cut away.
_FLANKS = 2
# A flat that looks to the mouth this squarely (cosine) is a floor, whatever it lies between.
_FLOOR_COS = 0.999
# Leans, slopes and slants under this are none.
_LEAST_LEAN_DEG = 0.05
# A blind slot's run looks this much (cosine) to its open end: less than 45 deg away.
_RUNS_TO = 0.71


def find(scene: Scene) -> list[Feature]:
    """All recesses over free faces."""
    groups = scene.groups(scene.free, Convexity.CONCAVE, Convexity.TANGENT)
    cuts = _merged(scene, [c for g in _over_protrusions(scene, groups) for c in _cuts(scene, g)])
    cuts = [c for cut in rejoined(scene, cuts) for c in _parted(scene, cut)]
    return [f for cut in cuts if (f := _feature(scene, cut)) is not None]


def _cuts(scene: Scene, faces: Sequence[int]) -> list[Cut]:
    """One cut, or several that share a floor or wall and open to different sides."""
    contours = _contours_under(scene, faces)
    if contours:
        return [Cut(tuple(faces), scene.seen_from([*faces, *contours]), None)]
    void = void_before(scene, faces)
    if void is not None:
        return [Cut(tuple(faces), void.opens_to, void)]
    parts = convex_voids(scene, faces)
    if parts is not None and len({v.opens_to for v, _ in parts}) > 1:
        return [Cut(members, v.opens_to, v) for v, members in parts]
    return [Cut(tuple(faces), scene.seen_from(faces), None)]


def _parted(scene: Scene, cut: Cut) -> list[Cut]:
    """A cut that no name fits, such as both sides of a plate on a shaft, as the faces it consists of.

    An undercut stays whole: its faces hide each other.
    """
    if kind_of(cut.opens_to) != Kind.UNASSIGNED or len(cut.faces) == 1:
        return [cut]
    if not all(scene.seen_from([f]) for f in cut.faces):
        return [cut]
    alone = [Cut((f,), v.opens_to, v) for f in cut.faces if (v := void_of(scene, [f])) is not None]
    return _merged(scene, [c for c in alone if kind_of(c.opens_to) != Kind.UNASSIGNED])


def _contours_under(scene: Scene, faces: Sequence[int]) -> list[int]:
    """Contoured faces that close the cut where it has no flat floor."""
    next_to = {o for f in faces for o in scene.part.across(f, Convexity.CONCAVE, Convexity.TANGENT)}
    contoured = (f for f in scene.found if f.kind == Kind.CONTOURED_SURFACE and next_to & set(f.faces))
    return sorted(face for f in contoured for face in f.faces)


def _over_protrusions(scene: Scene, groups: list[list[int]]) -> list[list[int]]:
    """Join cuts that only ribs or bosses keep apart: they stand on one floor."""
    standing = [set(f.faces) for f in scene.found if f.kind.traits.protrusion]
    merged = [set(g) for g in groups]
    for walls in standing:
        around = {o for w in walls for o in scene.part.across(w)} - walls
        touching = [g for g in merged if g & around]
        floors = [
            [scene.face(f) for f in g & around if isinstance(scene.face(f).surface, Plane)] for g in touching
        ]
        for i in range(len(touching)):
            for j in range(i + 1, len(touching)):
                if touching[i] is not touching[j] and any(
                    same_surface(a.surface, b.surface, b.centroid) for a in floors[i] for b in floors[j]
                ):
                    union = touching[i] | touching[j]
                    merged = [g for g in merged if g is not touching[i] and g is not touching[j]] + [union]
                    touching[i] = touching[j] = union
    return [sorted(g) for g in merged]


def _merged(scene: Scene, cuts: list[Cut]) -> list[Cut]:
    """One cut for each volume: pieces that another feature has parted lie on the same surfaces."""
    by_key: dict[object, list[Cut]] = {}
    for k, cut in enumerate(cuts):
        by_key.setdefault(surfaces_of(scene, cut) if cut.void is not None else k, []).append(cut)
    return [_put_together(scene, same) for same in by_key.values()]


def _put_together(scene: Scene, same: Sequence[Cut]) -> Cut:
    faces = tuple(sorted(f for c in same for f in c.faces))
    void = same[0].void if len(same) == 1 else void_of(scene, faces) or same[0].void
    return Cut(faces, void.opens_to if void is not None else same[0].opens_to, void)


def _feature(scene: Scene, cut: Cut) -> Feature | None:
    kind = kind_of(cut.opens_to)
    if kind == Kind.UNASSIGNED:
        return None
    frame = scene.part.frame
    if kind == Kind.FLOOR and _mostly_curved(scene, cut.faces):
        return contour(scene, cut.faces)
    access_side = _access(scene, kind, cut)
    access = frame.direction(access_side)
    run = _run(scene, kind, cut, access_side)
    roles = roles_in_recess(scene, cut.faces, access)
    evidence = ["opens to " + ", ".join(cut.opens_to)]
    confidence = 1.0
    if cut.void is None:
        evidence.append("read from lines of sight (the void is not convex)")
        confidence = 0.9
    elif lacks_walls(scene, cut):
        evidence.append("part of its wall was taken by another feature")
        confidence = 0.9
    dims = recess_sizes(
        scene,
        kind,
        cut.faces,
        roles,
        access,
        run,
        frame.world(cut.void.body.vertices) if cut.void else None,
    )
    section, broken = _section(scene, kind, cut, roles, access)
    for f, web in broken.items():
        roles[f] = Role.CORNER if is_wall(scene.face(f), access) else Role.FOOT
        leg = web.width_mm * float(np.cos(np.radians(web.turns_deg[0])))
        dims["corner_chamfer_mm" if roles[f] == Role.CORNER else "floor_chamfer_mm"] = leg
    lean = _wall_angle(scene, [f for f in cut.faces if f not in broken and roles[f] != Role.FLOOR], access)
    if lean is not None:
        dims["wall_angle_deg"] = lean
    slope = _floor_angle(scene, [f for f in cut.faces if roles[f] == Role.FLOOR], access)
    if slope is not None:
        dims["floor_angle_deg"] = slope
    if run is not None and (slant := _slant_deg(scene, run)) > _LEAST_LEAN_DEG:
        dims["slant_deg"] = slant
    least = min(dims.get(name, np.inf) for name in ("width_mm", "depth_mm", "height_mm"))
    if kind != Kind.FLOOR and least < tol.SURFACE_MM:
        evidence.append(f"only {least:.4f} mm one way: a ledge left by modelling rather than a cut")
        confidence = 0.3
    if kind == Kind.THROUGH_PROFILE:
        roles = {f: Role.LAND if r in (Role.WALL, Role.CORNER) else r for f, r in roles.items()}
    cloud = scene.cloud(cut.faces)
    top = cloud.mean(axis=0) + (float((cloud @ access).max()) - float((cloud @ access).mean())) * access
    return Feature(
        id="",
        kind=kind,
        faces=cut.faces,
        roles=roles,
        dims=dims,
        axis=Axis(vec(top), vec(access)),
        run=vec(run) if run is not None else None,
        opens_to=cut.opens_to,
        cross_section=section,
        evidence=tuple(evidence),
        confidence=confidence,
    )


def _mostly_curved(scene: Scene, faces: Sequence[int]) -> bool:
    """Whether less than half of the area is flat: a dome, though its middle may be."""
    flat = sum(scene.face(f).area_mm2 for f in faces if isinstance(scene.face(f).surface, Plane))
    return 2 * flat < sum(scene.face(f).area_mm2 for f in faces)


def _access(scene: Scene, kind: Kind, cut: Cut) -> str:
    """The side the cutter comes from: the one square to a floor, the thickness before the others.

    A blind slot has an end besides its floor, so that its floor may slope.
    """
    frame = scene.part.frame
    sides = list(cut.opens_to)
    if kind == Kind.SLOT:
        sides = [s for s in sides if _opposite(s) not in sides]
    elif kind in (Kind.STEP, Kind.FLOOR):
        sides = [s for s in sides if _opposite(s) not in sides] or sides

    def looks_to(f: int, side: str) -> bool:
        if kind == Kind.BLIND_SLOT:
            return is_floor(scene.face(f), frame.direction(side))
        return scene.side_of(scene.face(f)) == side

    floor_area = {s: sum(scene.face(f).area_mm2 for f in cut.faces if looks_to(f, s)) for s in sides}
    with_floor = [s for s in sides if floor_area[s] > 0] or sides
    return min(with_floor, key=lambda s: (s[1] != "z", -round(floor_area[s], 3), SIDES.index(s)))


def _opposite(side: str) -> str:
    return ("-" if side[0] == "+" else "+") + side[1]


def _run(scene: Scene, kind: Kind, cut: Cut, access_side: str) -> Array | None:
    """Unit direction of the straight run of a slot or step, of the open end of a blind slot."""
    frame = scene.part.frame
    if kind in (Kind.SLOT, Kind.STEP):
        rough = _end_to_end(scene, cut.opens_to)
        return _along_walls(scene, cut, rough) if rough is not None else None
    if kind == Kind.BLIND_SLOT:
        (end,) = (s for s in cut.opens_to if s != access_side)
        return _between_sides(scene, cut, frame.direction(access_side), frame.direction(end))
    if kind == Kind.BLIND_STEP:
        sides = sorted(s for s in cut.opens_to if s != access_side)
        return max((frame.direction(s) for s in sides), key=lambda d: round(extent(scene, cut.faces, d), 3))
    return None


def _end_to_end(scene: Scene, opens_to: Sequence[str]) -> Array | None:
    """The frame axis that a cut is open along at both ends."""
    for axis in "xyz":
        if "+" + axis in opens_to and "-" + axis in opens_to:
            return scene.part.frame.direction("+" + axis)
    return None


def _slant_deg(scene: Scene, run: Array) -> float:
    """Angle between a run and the nearest axis of the frame."""
    return float(np.degrees(np.arccos(np.clip(np.max(np.abs(scene.part.frame.axes @ run)), 0, 1))))


def _along_walls(scene: Scene, cut: Cut, rough: Array) -> Array:
    """The exact run: square to all flat faces of the cut, nearest to a rough direction."""
    normals = np.array([s.normal for f in cut.faces if isinstance(s := scene.face(f).surface, Plane)])
    if len(normals) and all(square(n, rough) for n in normals):
        return rough
    if len(normals) >= 2:
        _, sizes, rows = np.linalg.svd(normals)
        if len(sizes) < 3 or sizes[2] < 1e-4:
            best = rows[2] * (np.sign(rows[2] @ rough) or 1.0)
            return np.asarray(best)
    return rough


def _between_sides(scene: Scene, cut: Cut, access: Array, rough: Array) -> Array:
    """The run between two flat walls that face each other, the one nearest to a rough direction."""
    normals = [
        s.normal
        for f in cut.faces
        if isinstance(s := scene.face(f).surface, Plane) and square(s.normal, access)
    ]
    runs = [
        np.cross(a, access)
        for k, a in enumerate(normals)
        if any(parallel(a, b) and a @ b < 0 for b in normals[:k])
    ]
    slanted = [run * float(np.sign(run @ rough)) for run in runs if abs(float(run @ rough)) > _RUNS_TO]
    return max(slanted, key=lambda run: float(run @ rough), default=rough)


def _wall_angle(scene: Scene, faces: Sequence[int], access: Array) -> float | None:
    """Largest lean of a flat wall from the access direction, if any leans."""
    leans = [
        90.0 - float(np.degrees(np.arccos(np.clip(abs(float(s.normal @ access)), 0, 1))))
        for f in faces
        if isinstance(s := scene.face(f).surface, Plane)
    ]
    worst = max(leans, default=0.0)
    return worst if worst > _LEAST_LEAN_DEG else None


def _is_level(scene: Scene, f: int, access: Array) -> bool:
    return parallel(scene.face(f).normals[0], access, _LEAST_LEAN_DEG)


def _floor_angle(scene: Scene, floors: Sequence[int], access: Array) -> float | None:
    """Largest slope of a flat floor, if any slopes."""
    slopes = [
        float(np.degrees(np.arccos(np.clip(float(s.normal @ access), -1, 1))))
        for f in floors
        if isinstance(s := scene.face(f).surface, Plane)
    ]
    worst = max(slopes, default=0.0)
    return worst if worst > _LEAST_LEAN_DEG else None


def _section(
    scene: Scene, kind: Kind, cut: Cut, roles: dict[int, Role], access: Array
) -> tuple[CrossSection | None, dict[int, Bevel]]:
    """Shape of the cross-section, square to the run (slot, step) or to the access (the rest).

    Webs on inward edges are no sides of it, and told apart: those at the foot, slender ones, and where the
    shape has no name with the others, these too.
    """
    walls = [f for f in cut.faces if is_wall(scene.face(f), access)]
    surfaces = [scene.face(f).surface for f in walls]
    round_walls = [s for s in surfaces if isinstance(s, Cylinder)]
    if surfaces and len(round_walls) == len(surfaces):
        return CrossSection.ROUND, {}
    curved = any(isinstance(s, Freeform) for s in surfaces) or any(
        isinstance(scene.face(f).surface, Cylinder) and not is_corner(scene, f) for f in walls
    )
    bevels = {
        f: w
        for f, w in webs(scene, cut.faces).items()
        if float(scene.face(f).normals[0] @ access) < _FLOOR_COS
    }
    left = {f: w for f, w in bevels.items() if w.slender or any(roles[o] == Role.FLOOR for o in w.beside)}
    if cut.void is None or curved:
        return CrossSection.OTHER, left
    along = _end_to_end(scene, cut.opens_to)
    if along is None or kind not in (Kind.SLOT, Kind.STEP):
        along = access
    flat = [f for f in cut.faces if isinstance(scene.face(f).surface, Plane)]
    if along is access:  # a floor that slopes is no side
        sloping = {f for f in flat if roles[f] == Role.FLOOR and not _is_level(scene, f, access)} - set(
            bevels
        )
        flat = [f for f in flat if f not in sloping]
    rest = [f for f in bevels if f not in left]
    widths = [bevels[f].width_mm for f in rest]
    for k in range(len(rest) + 1):
        if 0 < k < len(rest) and widths[k] - widths[k - 1] < tol.SURFACE_MM:
            continue  # equal webs are all sides or none
        dropped = left | {f: bevels[f] for f in rest[:k]}
        sides = [f for f in flat if f not in dropped]
        void = cut.void if len(sides) == len(cut.faces) else void_of(scene, sides) if sides else None
        if void is not None:
            if kind == Kind.SLOT and len(void.planes) == _FLANKS:
                return CrossSection.THREE, dropped
            section = section_of(void.sides_around(scene.part.frame.axes @ along), curved)
            if section != CrossSection.OTHER:
                return section, dropped
    return CrossSection.OTHER, left

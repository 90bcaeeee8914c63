"""Bosses and ribs: what stands on a floor, with its top and its walls."""

from __future__ import annotations

import numpy as np

from featurize import tolerances as tol
from featurize.brep.frame import SIDES
from featurize.brep.part import Convexity
from featurize.brep.surfaces import Array, Cylinder, Plane
from featurize.brep.surfaces_at import normals_at
from featurize.feature import Axis, Feature, Kind, Role
from featurize.recognise.holes import coverage
from featurize.recognise.scene import Scene, mesh_span, span, vec
from featurize.recognise.sizes import is_wall, smallest_rectangle

ORDER = 40
# A protrusion at least this many times as long as it is wide is a rib.
_RIB_SLENDERNESS = 3.0
# A round wall that goes all the way about covers this share of the turn at least.
_ROUND_TURN = 0.96
# Walls lean, so a boss is wider at its foot; a wall longer than this times its top is not its own.
_PAST = 2.0
# A top that holes or other cuts have bitten into is fenced in but for this share of its edges.
_OPEN_SHARE = 0.35
# Two walls at right angles along equal edges look one way by 0.71 of their length, a wall on one side by all.
_ONE_SIDE = 0.9
_IN_A_TOP = frozenset({Kind.HOLE, Kind.THREADED_HOLE, Kind.THROUGH_PROFILE})
_BROKEN = frozenset({Kind.CHAMFER, Kind.EDGE_ROUND})


def find(scene: Scene) -> list[Feature]:
    """Bosses and ribs whose top is a flat face bounded by outward edges only."""
    tops: dict[int, set[int]] = {}
    for face in scene.part.faces:
        side, on_box = scene.side_of(face), scene.on_box(face)
        if side is not None and (on_box or face.id in scene.free):
            tops[face.id] = _walls(scene, face.id, scene.part.frame.direction(side), closed=on_box)
    all_walls = set().union(*tops.values())
    elsewhere = {scene.surface[f.id] for f in scene.part.faces if f.id not in all_walls}
    features = []
    taken: set[int] = set()
    for top, walls in tops.items():
        if not walls or top in taken or walls & taken:
            continue
        if _is_between(scene, walls, elsewhere) or _is_leftover(scene, top, walls):
            continue
        face = scene.face(top)
        side, on_box = scene.side_of(face), scene.on_box(face)
        assert side is not None
        members = walls if on_box else walls | {top}
        taken |= members
        features.append(_feature(scene, top, members, walls, scene.part.frame.direction(side), on_box))
    return features + _turned(scene, taken)


def _turned(scene: Scene, taken: set[int]) -> list[Feature]:
    """Turned diameters: round all the way, whatever stands on them; grooves may part them."""
    pins = [
        f.id
        for f in scene.part.faces
        if f.id in scene.free - taken
        and isinstance(s := f.surface, Cylinder)
        and not s.hollow
        and coverage(scene, [f.id], s.origin, s.axis) > _ROUND_TURN
        and not scene.part.across(f.id, Convexity.TANGENT) & scene.free
    ]
    features = []
    for group in scene.rejoined([f] for f in pins):
        s = scene.face(group[0]).surface
        assert isinstance(s, Cylinder)
        low, high = span(scene.cloud(group), s.axis)
        frame = scene.part.frame
        sides = [side for d in (s.axis, -s.axis) if (side := frame.side_of(d))]
        features.append(
            Feature(
                id="",
                kind=Kind.BOSS,
                faces=tuple(group),
                roles=dict.fromkeys(group, Role.WALL),
                dims={"diameter_mm": 2 * s.radius_mm, "height_mm": high - low},
                axis=Axis(vec(s.origin + (high - float(s.origin @ s.axis)) * s.axis), vec(s.axis)),
                opens_to=tuple(x for x in SIDES if x[1] != sides[0][1]) if sides else (),
                evidence=("a turned diameter: material inside a round wall that goes all the way about",),
            )
        )
    return features


def _walls(scene: Scene, top: int, up: Array, *, closed: bool) -> set[int]:
    """The free walls under a top that look outwards and stand on something; empty if it is no top.

    ``closed``: every edge of the top must be such a wall's (a top on the box is otherwise just the
    outside face between two steps).
    """
    edges = scene.part.edges_of(top)
    if not edges or any(e.convexity == Convexity.CONCAVE for e in edges):
        return set()
    around = {f for f in _around(scene, top) if f not in scene.free or not _reaches_past(scene, f, top, up)}
    walls = {f for f in around & scene.free if is_wall(scene.face(f), up) and _stands(scene, f, up)}
    if not walls or (closed and (walls != around or not _goes_about(scene, top, walls))):
        return set()
    ends = around - walls
    # Whatever else bounds the top must be where the part itself ends.
    if any(not _is_end(scene, f, up) for f in ends):
        return set()
    centre = scene.face(top).centroid
    for f in walls:
        face = scene.face(f)
        if float(np.mean(np.sum((face.points - centre) * face.normals, axis=1))) <= 0:
            return set()
    # Walls along one side alone bound what lies before them: a step or slot.
    if _one_sided(scene, top, walls) > _ONE_SIDE:
        return set()
    return walls if len(walls) > 1 or walls == around else set()


def _is_leftover(scene: Scene, top: int, walls: set[int]) -> bool:
    """Whether a top that is not fenced in all round is a piece of a floor, cut off by a wall that goes on
    elsewhere as well."""
    if _goes_about(scene, top, walls):
        return False

    def elsewhere(f: int) -> set[int]:
        return {o for o in scene.free - walls - {top} if scene.surface[o] == scene.surface[f]}

    floors = (scene.part.across(o, Convexity.CONCAVE) for o in elsewhere(top))
    return any(floors) and any(elsewhere(w) for w in walls)


def _is_between(scene: Scene, walls: set[int], elsewhere: set[int]) -> bool:
    """Whether several walls all go on where nothing stands: crossing cuts have left what is between them."""
    return len(walls) > 1 and all(scene.surface[w] in elsewhere for w in walls)


def _goes_about(scene: Scene, top: int, walls: set[int]) -> bool:
    """Whether walls fence a top in: their outward directions along its edges cancel out."""
    return _one_sided(scene, top, walls) < _OPEN_SHARE


def _one_sided(scene: Scene, top: int, walls: set[int]) -> float:
    """Mean of the walls' outward directions along a top's edges: 0 all about it, 1 on one side."""
    total, length = np.zeros(3), 0.0
    for e in scene.part.edges_of(top):
        if not walls.isdisjoint(e.faces):
            wall = scene.face(e.faces[0] if e.faces[1] == top else e.faces[1])
            out = normals_at(wall.surface, e.points)
            total += e.length_mm * (wall.normals if out is None else out).mean(axis=0)
            length += e.length_mm
    return float(np.linalg.norm(total)) / length if length else 0.0


def _around(scene: Scene, top: int) -> set[int]:
    """What bounds a top, once the holes in it are left out and its broken edges are sharp again."""
    around: set[int] = set()
    for f in scene.part.across(top):
        owner = scene.owner.get(f)
        if owner is None or owner.kind not in _IN_A_TOP | _BROKEN:
            around.add(f)
        elif owner.kind in _BROKEN:
            around |= scene.part.across(f) - {top, *owner.faces}
    return around


def _reaches_past(scene: Scene, wall: int, top: int, up: Array) -> bool:
    """Whether a flat wall is another cut's that happens to end the top: it runs on beyond it."""
    surface = scene.face(wall).surface
    if not isinstance(surface, Plane):
        return False
    along = np.cross(up, surface.normal)
    (low, high), (first, last) = mesh_span(scene, wall, along), mesh_span(scene, top, along)
    return min(first - low, high - last) > -tol.SURFACE_MM and high - low > _PAST * (last - first)


def _stands(scene: Scene, wall: int, up: Array) -> bool:
    """Whether the wall's foot is an inward corner (or a fillet) with a floor."""
    low, _ = mesh_span(scene, wall, up)
    return any(
        e.convexity in (Convexity.CONCAVE, Convexity.TANGENT)
        and float((e.points @ up).max()) < low + tol.SURFACE_MM
        for e in scene.part.edges_of(wall)
    )


def _is_end(scene: Scene, f: int, up: Array) -> bool:
    owner = scene.owner.get(f)
    if owner is not None and owner.kind in (Kind.OUTSIDE_FACE, Kind.OUTSIDE_PROFILE):
        return is_wall(scene.face(f), up)
    return False


def _feature(scene: Scene, top: int, members: set[int], walls: set[int], up: Array, on_box: bool) -> Feature:
    width, length = smallest_rectangle(scene, sorted(walls | {top}), up)
    low, high = span(scene.cloud(walls), up)
    slender = length > _RIB_SLENDERNESS * width - tol.SURFACE_MM
    flat = all(isinstance(scene.face(f).surface, Plane) for f in walls)
    dims = {"width_mm": width, "length_mm": length, "height_mm": high - low}
    pins = [s for f in walls if isinstance(s := scene.face(f).surface, Cylinder)]
    if len(pins) == len(walls) == 1:
        dims = {"diameter_mm": 2 * pins[0].radius_mm, "height_mm": high - low}
    roles = dict.fromkeys(walls, Role.WALL) | ({} if on_box else {top: Role.FACE})
    return Feature(
        id="",
        kind=Kind.RIB if slender and flat else Kind.BOSS,
        faces=tuple(sorted(members)),
        roles=roles,
        dims=dims,
        axis=Axis(vec(scene.face(top).centroid), vec(up)),
        opens_to=(side,) if (side := scene.part.frame.side_of(up)) else (),
        evidence=("a flat top bounded by outward edges, on walls that stand in inward corners",),
    )

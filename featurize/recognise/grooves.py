"""Ring grooves: in a shaft, in a bore, in a face.

A groove is a chain of faces of revolution about one axis, joined in inward corners, whose profile is deeper
in its middle than at both of its ends, seen from one of four sides: outside, the axis, and both ends of it.
That tells a gland, a seal or snap-ring groove, an undercut at a shoulder and a round or V-shaped one from
steps and counterbores, which are deepest at an end. Its rims' chamfers and rounds are features of their own.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from featurize import tolerances as tol
from featurize.brep.frame import SIDES
from featurize.brep.part import Convexity, Edge, Face
from featurize.brep.surfaces import Array, Cone, Cylinder, Plane, Torus
from featurize.brep.surfaces_at import parallel, same_line
from featurize.feature import Axis, CrossSection, Feature, Kind, Role
from featurize.recognise.bevels import bevel_of
from featurize.recognise.holes import coverage
from featurize.recognise.scene import Scene, vec
from featurize.recognise.treatments import breaks

# Before openings (15) and holes (20): a bore with a groove in it is two stretches of one bore.
ORDER = 12
# A keyway may break a groove; less of it than this is something else. In a face a channel of two walls about
# one axis is no other thing, however little steps and pockets leave of it.
_LEAST_TURN, _LEAST_ARC = 0.55, 0.04
_Line = tuple[Array, Array]


@dataclass(frozen=True, eq=False)
class _GrooveView:
    """A side from which a groove may open: (radius, height) @ ``up`` rises towards it, @ ``across`` runs
    from one rim to the other."""

    up: Array
    across: Array

    @property
    def along_axis(self) -> bool:
        return bool(self.up[1] != 0.0)

    @property
    def in_shaft(self) -> bool:
        return bool(self.up[0] > 0.0)


_ALONG, _OUT = np.array([0.0, 1.0]), np.array([1.0, 0.0])
_VIEWS = (
    _GrooveView(_OUT, _ALONG),
    _GrooveView(-_OUT, _ALONG),
    _GrooveView(_ALONG, _OUT),
    _GrooveView(-_ALONG, _OUT),
)


def find(scene: Scene) -> list[Feature]:
    """All grooves over free faces."""
    rings: dict[frozenset[int], _Line] = {}
    taken: set[int] = set()
    for f in sorted(scene.free - breaks(scene)):
        if f not in taken and (line := _line_of(scene.face(f))) is not None:
            ring = _ring(scene, f, line, taken)
            taken |= ring
            rings[frozenset(ring)] = line
    line_of = {f: line for ring, line in rings.items() for f in ring}
    found = (_groove(scene, sorted(group), *line_of[min(group)]) for group in _whole(scene, rings))
    return [feature for feature in found if feature is not None]


def _whole(scene: Scene, rings: dict[frozenset[int], _Line]) -> list[frozenset[int]]:
    """Rings whose curved faces lie on the same surfaces, side by side, put together: another cut has parted
    them. One further along the axis is a cut of its own: a counterbore at either end of a hole; but not a
    stretch of a wall alone before a channel."""
    curved = {f: r for r in rings for f in r if not isinstance(scene.face(f).surface, Plane)}
    found = scene.rejoined([f for f in r if f in curved] for r in rings)
    whole = []
    for group in found:
        parts = sorted({curved[f] for f in group}, key=min)
        origin, axis = rings[parts[0]]
        reach = {r: _reach(scene, r & curved.keys(), origin, axis) for r in parts}
        parts.sort(key=lambda r: reach[r])
        level, top = [parts[0]], reach[parts[0]][1]
        channel = any(_walled(scene, sorted(r)) for r in parts)
        for ring in parts[1:]:
            alone = channel and (ring <= curved.keys() or frozenset().union(*level) <= curved.keys())
            if reach[ring][0] > top - tol.SURFACE_MM and not alone:
                whole.append(frozenset().union(*level))
                level = []
            level, top = [*level, ring], max(top, reach[ring][1])
        whole.append(frozenset().union(*level))
    return whole


def _reach(scene: Scene, faces: Iterable[int], origin: Array, axis: Array) -> tuple[float, float]:
    """From where to where faces go along an axis."""
    heights = (np.vstack([scene.vertices(f) for f in faces]) - origin) @ axis
    return float(heights.min()), float(heights.max())


def _line_of(face: Face) -> _Line | None:
    """The axis of a face of revolution; None for planes, balls and the rest."""
    s = face.surface
    if isinstance(s, Cylinder):
        return s.origin, s.axis
    if isinstance(s, Cone):
        return s.apex, s.axis
    if isinstance(s, Torus) and s.hollow:  # the other kind is a rounded edge
        return s.centre, s.axis
    return None


def _ring(scene: Scene, seed: int, line: _Line, taken: set[int]) -> set[int]:
    """Faces about one axis that are joined to the seed in inward corners, or by fillets."""
    ring, stack = {seed}, [seed]
    while stack:
        f = stack.pop()
        inward = scene.part.across(f, Convexity.CONCAVE)
        around = scene.part.across(f, Convexity.CONCAVE, Convexity.TANGENT)
        for other in (around & scene.free) - ring - taken:
            fillet = isinstance(scene.face(f).surface, Torus) or isinstance(scene.face(other).surface, Torus)
            if _about(scene.face(other), line) and (other in inward or fillet):
                ring.add(other)
                stack.append(other)
    return ring


def _about(face: Face, line: _Line) -> bool:
    if isinstance(face.surface, Plane):
        return parallel(face.surface.normal, line[1], tol.AXIS_DEG)
    own = _line_of(face)
    return own is not None and same_line(*line, *own)


def _groove(scene: Scene, ring: list[int], origin: Array, axis: Array) -> Feature | None:
    beside = {other for f in ring for other in scene.part.across(f, Convexity.CONCAVE)}
    if beside - set(ring) - breaks(scene):
        return None  # what else it is joined to is no ring: a step, a keyway's floor
    curved = [f for f in ring if not isinstance(scene.face(f).surface, Plane)]
    turn = coverage(scene, curved, origin, axis)
    if turn < _LEAST_ARC:
        return None
    spots = {f: _profile(scene, f, origin, axis) for f in ring}
    rims = list(_rims(scene, ring, origin, axis))
    seen = [
        (shape, view)
        for view in _VIEWS
        if (turn >= _LEAST_TURN or (view.along_axis and _walled(scene, ring)))
        and _may_be_seen(scene, curved, view)
        and (shape := _shape(spots, curved, rims, view)) is not None
    ]
    if not seen:
        return None
    shape, view = max(seen, key=lambda s: s[0].depth_mm)
    inner, outer = shape.ends_mm
    if view.along_axis and outer - inner > 2 * inner:
        return None  # a round pocket with a pin in its middle
    return _feature(scene, ring, spots, shape, view, origin, axis)


def _may_be_seen(scene: Scene, curved: list[int], view: _GrooveView) -> bool:
    """Whether no straight wall turns its back: a shaft's look out, a bore's in, a face's either way."""
    senses = {s.hollow for f in curved if isinstance(s := scene.face(f).surface, Cylinder)}
    return view.along_axis or senses <= {not view.in_shaft}


def _walled(scene: Scene, ring: list[int]) -> bool:
    """Whether straight walls stand about a channel on both sides."""
    return {s.hollow for f in ring if isinstance(s := scene.face(f).surface, Cylinder)} == {True, False}


@dataclass(frozen=True)
class _Shape:
    """``floor_mm`` and ``mouth_mm`` are levels towards the opening; ``ends_mm`` are the least and the most
    across, ``rims_mm`` those of the two rims."""

    floor_mm: float
    mouth_mm: float
    ends_mm: tuple[float, float]
    rims_mm: tuple[float, float]

    @property
    def depth_mm(self) -> float:
        return self.mouth_mm - self.floor_mm


@dataclass(frozen=True, eq=False)
class _Rim:
    """A turned edge at which a groove ends: (radius, height), and where the face beyond begins once its
    chamfer or round is left out."""

    at: Array
    beyond: Array


def _shape(spots: dict[int, Array], curved: list[int], rims: list[_Rim], view: _GrooveView) -> _Shape | None:
    points = np.vstack(list(spots.values()))
    levels, places = points @ view.up, points @ view.across
    # A chamfer that runs out on a wall may draw it out below a flat floor.
    flat = np.concatenate([np.full(len(at), view.along_axis and f not in curved) for f, at in spots.items()])
    floor = float(levels[flat].min() if flat.any() else levels.min())
    middle = float(np.mean(places[levels < floor + tol.SURFACE_MM]))
    sides = [[r for r in rims if side * (float(r.at @ view.across) - middle) > 0] for side in (-1, 1)]
    if not all(sides):
        return None
    # A later cut may have taken some of a rim: its highest stretch is the rim's.
    first, last = (max(side, key=lambda r: float(r.at @ view.up)) for side in sides)
    mouth = min(max(float(r.at @ view.up), float(r.beyond @ view.up)) for r in (first, last))
    if mouth - floor < tol.VOID_MM or float(np.ptp(places)) < tol.SURFACE_MM:
        return None
    # Other cuts may have drawn out a floor: its walls tell how wide it was.
    walls = np.vstack([spots[f] for f in curved]) @ view.across if view.along_axis else places
    ends = float(walls.min()), float(walls.max())
    return _Shape(floor, mouth, ends, (float(first.at @ view.across), float(last.at @ view.across)))


def _profile(scene: Scene, f: int, origin: Array, axis: Array) -> Array:
    """Points (n, 2) of a face of revolution's profile, (radius, height); exact where chords fall short."""
    flat = _flat(scene.vertices(f), origin, axis)
    s = scene.face(f).surface
    if isinstance(s, Cylinder):
        flat[:, 0] = s.radius_mm
    elif isinstance(s, Torus):
        middle = np.array([s.major_mm, float((s.centre - origin) @ axis)])
        away = flat - middle
        flat = middle + away * (s.minor_mm / np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-12))
        near = np.radians(tol.MESH_ANGLE_DEG) * s.minor_mm
        summits = middle + s.minor_mm * np.vstack([np.eye(2), -np.eye(2)])
        reached = [p for p in summits if np.min(np.linalg.norm(flat - p, axis=1)) < near]
        flat = np.vstack([flat, *reached])
    return flat


def _flat(points: Array, origin: Array, axis: Array) -> Array:
    offsets = points - origin
    heights = offsets @ axis
    return np.column_stack([np.linalg.norm(offsets - np.outer(heights, axis), axis=1), heights])


def _rims(scene: Scene, ring: list[int], origin: Array, axis: Array) -> Iterator[_Rim]:
    for e, inner, outer in scene.rim(ring):
        spots = _spots(scene, e, inner, origin, axis)
        if spots is None:
            continue
        beyond = spots
        if _breaks_rim(scene, outer):
            others = (_spots(scene, o, outer, origin, axis) for o in scene.part.edges_of(outer) if o is not e)
            far = [o for o in others if o is not None]
            beyond = max(far, key=lambda o: float(np.abs(o[0] - spots[0]).sum()), default=spots)
        yield from (
            _Rim(at, far) for at, far in zip(spots, np.broadcast_to(beyond[0], spots.shape), strict=True)
        )


def _spots(scene: Scene, e: Edge, f: int, origin: Array, axis: Array) -> Array | None:
    """(radius, height) (n, 2) of a circle about the axis, or along what a slanted face has cut off a wall."""
    if e.circle is not None and same_line(origin, axis, e.circle[0], e.circle[1]):
        return np.array([[e.circle[2], float((e.circle[0] - origin) @ axis)]])
    s = scene.face(f).surface
    if e.curve != "other" or not isinstance(s, Cylinder):
        return None
    spots = _flat(e.points, origin, axis)
    spots[:, 0] = s.radius_mm
    return spots


def _breaks_rim(scene: Scene, f: int) -> bool:
    s = scene.face(f).surface
    bevel = bevel_of(scene, f)
    return (isinstance(s, Torus) and not s.hollow) or (bevel is not None and not bevel.hollow)


def _feature(
    scene: Scene,
    ring: list[int],
    spots: dict[int, Array],
    shape: _Shape,
    view: _GrooveView,
    origin: Array,
    axis: Array,
) -> Feature:
    frame = scene.part.frame
    flat = {f for f in ring if float(np.ptp(spots[f] @ view.up)) < tol.SURFACE_MM}
    bottoms = {f for f in flat if float((spots[f] @ view.up).min()) < shape.floor_mm + tol.SURFACE_MM}
    roles = {}
    for f in ring:
        lowest = float((spots[f] @ view.up).min()) < shape.floor_mm + tol.SURFACE_MM
        if f in bottoms or (lowest and not bottoms):
            roles[f] = Role.FLOOR
        else:
            foot = isinstance(scene.face(f).surface, Torus) or (
                (b := bevel_of(scene, f)) is not None and b.hollow
            )
            roles[f] = Role.FOOT if foot else Role.WALL
    radii = [s.minor_mm for f in ring if isinstance(s := scene.face(f).surface, Torus)]
    head, neck = (high - low for low, high in (shape.ends_mm, shape.rims_mm))
    dims = {"diameter_mm": 2 * abs(shape.floor_mm), "width_mm": head, "depth_mm": shape.depth_mm}
    if view.along_axis:
        dims["diameter_mm"], dims["inner_diameter_mm"] = 2 * shape.ends_mm[1], 2 * shape.ends_mm[0]
    if radii:
        dims["floor_radius_mm"] = min(radii)
    if neck < head - tol.SURFACE_MM:
        dims |= {"neck_width_mm": neck, "head_width_mm": head}
    if view.along_axis:
        lead = axis * view.up[1]
        middle = origin + shape.mouth_mm * view.up[1] * axis
        opens_to = tuple(s for s in SIDES if s == frame.side_of(lead))
    else:
        lead = axis * np.sign(axis[int(np.argmax(np.round(np.abs(axis), 6)))])
        middle = origin + sum(shape.ends_mm) / 2 * axis
        across = (s for s in SIDES if abs(float(frame.direction(s) @ axis)) < 0.5)
        opens_to = tuple(across) if view.in_shaft else ()
    where = "in a face" if view.along_axis else "in a shaft" if view.in_shaft else "in a bore"
    return Feature(
        id="",
        kind=Kind.GROOVE,
        faces=tuple(ring),
        roles=roles,
        dims=dims,
        axis=Axis(vec(middle), vec(lead)),
        opens_to=opens_to,
        cross_section=CrossSection.ROUND,
        evidence=("a ring about one axis, deeper in the middle than at both ends", where),
    )

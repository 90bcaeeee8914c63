"""The void in front of a set of faces, as a convex body, and what it opens to.

A cutter that makes a set of faces sweeps the void in front of them. When that void is convex (every
face lies on the void side of every other) it is the part's box cut by the faces' tangent planes, and
the box sides that still bound it are what the recess opens to. This looks past whatever other
features have taken from the rim, so crossings do not change the answer.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from featurize import tolerances as tol
from featurize.brep.frame import SIDES, Frame
from featurize.brep.part import Convexity
from featurize.brep.polytope import Polytope
from featurize.brep.surfaces import Array, Cylinder, Plane, orthonormal_basis
from featurize.brep.surfaces_at import parallel
from featurize.feature import CrossSection, Kind
from featurize.recognise.scene import Scene
from featurize.recognise.treatments import unbroken

_TANGENTS_PER_FACE = 12
# The mean normal of a round wall that goes all the way about is shorter than this.
_CLOSED_TURN = 0.05
# A box side counts as open when the void reaches it with more than this much area (mm2).
_OPEN_AREA_MM2 = 1e-3


@dataclass(frozen=True, eq=False)
class Void:
    """``body`` is in the part's frame; its facets carry box side labels or plane numbers.

    ``planes`` are the distinct (normal, offset) pairs in the frame that cut it.
    """

    body: Polytope
    planes: tuple[tuple[Array, float], ...]
    opens_to: tuple[str, ...]

    def sides_around(self, run: Array) -> int:
        """How many facets are not square to a direction of the frame: sides of the cross-section."""
        facets = zip(self.body.facets, self.body.area_vectors, strict=True)
        return len({tag for (tag, _), across in facets if not parallel(_unit(across), run, tol.AXIS_DEG)})

    @cached_property
    def key(self) -> tuple[tuple[float, ...], ...]:
        """The bounding planes, rounded: equal for two descriptions of one volume."""
        return tuple(
            sorted(
                tuple(round(c, 3) + 0.0 for c in (*normal.tolist(), offset)) for normal, offset in self.planes
            )
        )

    def moved(self, old: Frame, new: Frame) -> Void:
        """The same void of a part that stands in another frame, its axes parallel to those of the old."""
        named = {s: new.side_of(old.direction(s)) for s in SIDES}
        turn = new.axes @ old.axes.T
        shift = new.local(old.origin)
        planes = tuple((n @ turn.T, offset + float(n @ turn.T @ shift)) for n, offset in self.planes)
        opens_to = {named[s] for s in self.opens_to}
        return Void(self.body.moved(turn, shift, named), planes, tuple(s for s in SIDES if s in opens_to))


def void_of(scene: Scene, ids: Sequence[int]) -> Void | None:
    """The convex void in front of these faces; None when it is not convex."""
    key, frame = ("void", *ids), scene.part.frame

    def make() -> Void | None:
        void, where = scene.kept(key, lambda: (_void_of(scene, ids), frame))
        return void if void is None or where is frame else void.moved(where, frame)

    return scene.kept(key, make, here=True)


def _void_of(scene: Scene, ids: Sequence[int]) -> Void | None:
    frame = scene.part.frame
    origins, normals, slacks, chosen = [], [], [], []
    for i in ids:
        face = scene.face(i)
        at, out = face.points, face.normals
        # All tangent planes are tested, a few of them shape the void.
        used = np.arange(len(at)) % max(1, len(at) // _TANGENTS_PER_FACE) == 0
        if isinstance(face.surface, Plane):
            at, out, used = face.surface.origin[None], face.surface.normal[None], np.ones(1, bool)
        elif isinstance(face.surface, Cylinder):
            at, out = _tangents(face.surface, scene.vertices(i), face.normals.mean(axis=0))
            used = np.ones(len(at), bool)
        origins.append(at)
        normals.append(out)
        slacks.append(np.full(len(at), _slack(scene, i)))
        chosen.append(used)
    n = np.vstack(normals) @ frame.axes.T
    offset = np.sum(frame.local(np.vstack(origins)) * n, axis=1)
    corners = frame.local(np.vstack([unbroken(scene, i) for i in ids]))
    if np.any((corners @ n.T).min(axis=0) < offset - np.concatenate(slacks)):
        return None
    used = np.concatenate(chosen)
    return _void(scene, _distinct(n[used], offset[used]))


def _tangents(s: Cylinder, corners: Array, mean: Array) -> tuple[Array, Array]:
    """Points and normals (n, 3) over a round wall's turn, from end to end, ``mean`` being its mean normal.

    They are so close that what they enclose stands off the wall by half of what counts as material.
    """
    lead = mean - (mean @ s.axis) * s.axis
    size = float(np.linalg.norm(lead))
    x, y, _ = orthonormal_basis(s.axis)
    if size >= _CLOSED_TURN:
        x = lead / size
        y = np.cross(s.axis, x)
    sense = -1.0 if s.hollow else 1.0
    away = sense * (corners - s.origin)
    turns = np.arctan2(away @ y, away @ x)
    low, high = (float(turns.min()), float(turns.max())) if size >= _CLOSED_TURN else (-np.pi, np.pi)
    step = 2 * np.arccos(s.radius_mm / (s.radius_mm + tol.VOID_MM / 2))
    angles = np.linspace(low, high, int(np.ceil((high - low) / step)) + 1)[:, None]
    out = np.cos(angles) * x + np.sin(angles) * y
    return s.origin + sense * s.radius_mm * out, out


def _distinct(normals: Array, offsets: Array) -> list[tuple[Array, float]]:
    """Planes (n, 3), (n,) without repeats."""
    close = normals @ normals.T > np.cos(np.radians(tol.PARALLEL_DEG))
    close &= np.abs(offsets[:, None] - offsets) < tol.SURFACE_MM
    kept: list[int] = []
    for k, first in enumerate(close.argmax(axis=1).tolist()):  # the first that is close, maybe itself
        if first == k or not close[k, kept].any():
            kept.append(k)
    return [(normals[k], float(offsets[k])) for k in kept]


def _void(scene: Scene, planes: Sequence[tuple[Array, float]]) -> Void:
    body = Polytope.box(scene.part.low, scene.part.high)
    body = body.cut([(n, offset, k) for k, (n, offset) in enumerate(planes)], tol.LENGTH_MM / 100)
    opens_to = tuple(s for s in SIDES if body.area_of(s) > _OPEN_AREA_MM2)
    return Void(body, tuple(planes), opens_to)


def material_inside(scene: Scene, void: Void, ids: Sequence[int] = ()) -> bool:
    """Whether the part reaches into the void in front of these faces: then some of its walls are missing.

    What stands in a recess (bosses, ribs) is no such reach, nor are webs of its own.
    """
    inside = scene.skin[1][_intruders(scene, void.body, void.planes, tol.VOID_MM)]
    return not (scene.standing | frozenset(ids)).issuperset(inside.tolist())


def free_between(
    scene: Scene, void: Void, ids: Sequence[int], spared: Callable[[Array], NDArray[np.bool_]]
) -> bool:
    """Whether the void is free of the part as far as these faces reach; but for ``spared`` points (n, 3) of
    the frame, by a mask (n,)."""
    low, high = _reach(scene, ids)
    walls = [(np.eye(3)[k], float(low[k])) for k in range(3)] + [
        (-np.eye(3)[k], -float(high[k])) for k in range(3)
    ]
    places = _intruders(scene, void.body, [*void.planes, *walls], tol.VOID_MM)
    inside = scene.skin[1][places[~spared(scene.skin[0][places])]]
    # A few tangent planes stand for a round corner: it may reach in between them itself.
    return (scene.standing | frozenset(ids)).issuperset(inside.tolist())


def straight_on(scene: Scene, void: Void, ids: Sequence[int]) -> Void:
    """A void with missing walls, as far as its faces reach; it opens to the sides straight on from them."""
    window = _window(scene, ids)
    kept = []
    for side in void.opens_to:
        across = [(n, offset, None) for other, (n, offset) in window.items() if other[1] != side[1]]
        if void.body.cut(across, tol.LENGTH_MM / 100).area_of(side) > _OPEN_AREA_MM2:
            kept.append(side)
    body = void.body.cut([(n, offset, side) for side, (n, offset) in window.items()], tol.LENGTH_MM / 100)
    return Void(body, void.planes, tuple(kept))


def unblocked(scene: Scene, void: Void, ids: Sequence[int]) -> Void:
    """A void with missing walls, less those sides where the part closes it further on.

    A pocket whose end wall fell to a slot opens into the slot, and the slot's far wall closes it.
    """
    window = _window(scene, ids)
    kept = []
    for side in void.opens_to:
        normal, offset = window[side]
        beyond = [(-normal, -offset), *(plane for other, plane in window.items() if other[1] != side[1])]
        ahead = _void(scene, [*void.planes, *beyond]).body
        if not len(_intruders(scene, ahead, [*void.planes, *beyond], tol.VOID_MM)):
            kept.append(side)
    return Void(void.body, void.planes, tuple(kept))


def _window(scene: Scene, ids: Sequence[int]) -> dict[str, tuple[Array, float]]:
    """Planes that bound what is within the reach of faces, by side."""
    low, high = _reach(scene, ids)
    return {
        side: (np.eye(3)[k], float(low[k])) if side[0] == "-" else (-np.eye(3)[k], -float(high[k]))
        for side in SIDES
        for k in ["xyz".index(side[1])]
    }


def _reach(scene: Scene, ids: Sequence[int]) -> tuple[Array, Array]:
    cloud = scene.part.frame.local(scene.cloud(ids))
    return cloud.min(axis=0), cloud.max(axis=0)


def _intruders(
    scene: Scene, body: Polytope, planes: Sequence[tuple[Array, float]], clear_mm: float = tol.SURFACE_MM
) -> NDArray[np.int64]:
    """Places of the points of the part's skin that lie clearly inside a body and in front of planes.

    ``body`` holds all that is in front of some of the planes: only points near it are looked at.
    """
    if body.empty:
        return np.zeros(0, np.int64)
    corners = body.vertices
    low = np.maximum(corners.min(axis=0), scene.part.low + clear_mm)
    high = np.minimum(corners.max(axis=0), scene.part.high - clear_mm)
    points = scene.skin[0]
    left = scene.skin_grid.within(low, high)
    normals = np.array([n for n, _ in planes])
    limits = np.array([offset for _, offset in planes]) + clear_mm
    return left[np.all(points[left] @ normals.T > limits, axis=1)]


def convex_voids(scene: Scene, ids: Sequence[int]) -> list[tuple[Void, tuple[int, ...]]] | None:
    """Split a cut with flat walls into the convex voids that crossing cutters would leave.

    Each wall in turn is given just the planes of its group that keep the part out of the void in front
    of it, those next to it first. Returns each distinct void with its faces, or None when some wall has
    no such void. A face that several voids share goes to the one that covers most of it.
    """
    if not all(isinstance(scene.face(i).surface, Plane) for i in ids):
        return None
    frame = scene.part.frame
    plane_of = {i: _plane_in_frame(scene, i) for i in ids}
    clouds = {i: frame.local(np.vstack([unbroken(scene, i), scene.face(i).points])) for i in ids}
    # A face that reaches behind its neighbour's plane is shared by several cuts: it seeds none.
    whole = [
        i
        for i in ids
        if all(
            float((clouds[i] @ plane_of[j][0]).min()) > plane_of[j][1] - tol.SURFACE_MM
            for j in scene.part.across(i, Convexity.CONCAVE) & set(ids)
        )
    ]
    if not whole:
        return None
    voids: dict[object, Void] = {}
    members: dict[object, list[int]] = {}
    for seed in whole:
        void = _grown(scene, seed, ids, plane_of, clouds)
        if void is None:
            return None
        voids.setdefault(void.key, void)
        members.setdefault(void.key, []).append(seed)
    for i in ids:
        if i in whole:
            continue
        points = clouds[i]
        best = max(
            voids,
            key=lambda k: sum(
                bool(np.all([p @ n > o - tol.SURFACE_MM for n, o in voids[k].planes])) for p in points
            ),
        )
        members[best].append(i)
    return [(voids[k], tuple(sorted(members[k]))) for k in voids]


def _plane_in_frame(scene: Scene, i: int) -> tuple[Array, float]:
    s = scene.face(i).surface
    assert isinstance(s, Plane)
    n = scene.part.frame.axes @ s.normal
    return n, float(scene.part.frame.local(s.origin) @ n)


def _grown(
    scene: Scene,
    seed: int,
    ids: Sequence[int],
    plane_of: dict[int, tuple[Array, float]],
    clouds: dict[int, Array],
) -> Void | None:
    chosen = [seed]
    body = Polytope.box(scene.part.low, scene.part.high)
    while True:
        planes = [plane_of[i] for i in chosen]
        body = body.cut([(*planes[-1], len(planes))], tol.LENGTH_MM / 100)
        inside = _intruders(scene, body, planes)
        if not len(inside):
            break
        points = scene.skin[0][inside]
        best, best_score = None, (0, 0)
        for i in ids:
            if i in chosen:
                continue
            n, offset = plane_of[i]
            if float((clouds[seed] @ n).min()) < offset - tol.SURFACE_MM:
                continue  # would cut into the seed itself
            removed = int(np.sum(points @ n <= offset + tol.SURFACE_MM))
            near = any(i in scene.part.across(j, Convexity.CONCAVE) for j in chosen)
            if removed and (near, removed) > best_score:
                best, best_score = i, (int(near), removed)
        if best is None:
            return None
        chosen.append(best)
    return _void(scene, [plane_of[i] for i in chosen])


def kind_of(opens_to: Sequence[str]) -> Kind:
    """The feature kind that follows from the sides a recess opens to.

    One side is a pocket, two opposite ones a through profile, two adjoining ones a blind slot; three
    with an opposite pair a slot, without one a blind step; four a step, five a floor.
    """
    pairs = sum(1 for axis in "xyz" if "+" + axis in opens_to and "-" + axis in opens_to)
    table = {
        (1, 0): Kind.POCKET,
        (2, 1): Kind.THROUGH_PROFILE,
        (2, 0): Kind.BLIND_SLOT,
        (3, 1): Kind.SLOT,
        (3, 0): Kind.BLIND_STEP,
        (4, 1): Kind.STEP,
        (5, 2): Kind.FLOOR,
    }
    return table.get((len(opens_to), pairs), Kind.UNASSIGNED)


def section_of(sides: int, curved: bool) -> CrossSection:
    """Name of a cross-section with this many sides."""
    if curved:
        return CrossSection.OTHER
    return {3: CrossSection.THREE, 4: CrossSection.FOUR, 6: CrossSection.SIX}.get(sides, CrossSection.OTHER)


def _slack(scene: Scene, i: int) -> float:
    """Mesh corners of a curved face may lie a deflection behind its tangent planes."""
    flat = isinstance(scene.face(i).surface, Plane)
    return tol.SURFACE_MM if flat else tol.SURFACE_MM + scene.part.mesh.deflection_mm


def _unit(vector: Sequence[float]) -> Array:
    return np.array(vector) / max(math.hypot(*vector), 1e-300)

"""Faces that were cut together, and the pieces that another cut has left of one put together again."""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np

from featurize import tolerances as tol
from featurize.brep.surfaces import Array
from featurize.feature import Kind
from featurize.recognise.corners import behind_breaks, edge_breaks, void_before
from featurize.recognise.scene import Scene
from featurize.recognise.treatments import unbroken
from featurize.recognise.volume import (
    Void,
    free_between,
    kind_of,
    material_inside,
    straight_on,
    unblocked,
)

# Fewer walls than this close nothing: a V that opens into another cut stays a V.
_CLOSED_BY = 3
_OUTSIDE = (Kind.OUTSIDE_FACE, Kind.OUTSIDE_PROFILE)


@dataclass(frozen=True, eq=False)
class Cut:
    faces: tuple[int, ...]
    opens_to: tuple[str, ...]
    void: Void | None


def surfaces_of(scene: Scene, cut: Cut) -> frozenset[int]:
    return frozenset(scene.surface[f] for f in cut.faces)


def rejoined(scene: Scene, cuts: list[Cut]) -> list[Cut]:
    """Put together what another cut has parted, on one surface before others, the closest fit first.

    A slot through a pocket leaves its two ends, each with a wall missing. Pieces are one cut when they lie on
    a common surface and one convex void in front of all their faces is free of the part as far as they reach;
    so are, without a common surface, a wall and a floor that lack each other and border on what took their
    corner, such as a relief.
    """
    left, numbers, serial = dict(enumerate(cuts)), itertools.count(len(cuts)), itertools.count()
    on: dict[int, set[int]] = {}
    for k, cut in left.items():
        for surface in surfaces_of(scene, cut) if cut.void is not None else ():
            on.setdefault(surface, set()).add(k)
    fits: list[tuple[bool, float, int, int, int, Cut]] = []  # a number of its own before each whole

    lacking: dict[int, bool] = {}

    def lacks(k: int) -> bool:
        if k not in lacking:
            lacking[k] = lacks_walls(scene, left[k])
        return lacking[k]

    corners: dict[int, Array] = {}

    def corner(k: int) -> Array:
        if k not in corners:
            corners[k] = scene.part.frame.local(unbroken(scene, left[k].faces[0])[0])
        return corners[k]

    def ahead(k: int, others: set[int]) -> list[int]:
        """Others of which a corner lies before all walls of this one, as one of its does before theirs."""
        near, planes = sorted(others & left.keys() - {k}), _quick_planes(scene, left[k])
        if planes is None or not near:
            return []
        seen = np.all(np.array([corner(j) for j in near]) @ planes[0].T > planes[1], axis=1)
        return [
            j
            for j in np.array(near)[seen].tolist()
            if (theirs := _quick_planes(scene, left[j])) is not None
            and bool(np.all(theirs[0] @ corner(k) > theirs[1]))
        ]

    def compare(k: int, others: set[int]) -> None:
        for j in ahead(k, others):
            if (whole := _whole(scene, left[j], left[k])) is not None:
                apart = surfaces_of(scene, left[j]).isdisjoint(surfaces_of(scene, left[k]))
                size = round(_volume_mm3(whole), 3)
                heapq.heappush(fits, (apart, size, min(j, k), max(j, k), next(serial), whole))

    for k in list(left):
        near = {j for surface in surfaces_of(scene, left[k]) for j in on.get(surface, ())}
        compare(k, {j for j in near | _across_a_corner(scene, left, k, lacks) if j < k})
    while fits:
        _, _, j, k, _, whole = heapq.heappop(fits)
        if j in left and k in left:
            new = next(numbers)
            del left[j], left[k]
            left[new] = whole
            for surface in surfaces_of(scene, whole):
                on[surface].add(new)
            near = {i for surface in surfaces_of(scene, whole) for i in on[surface]}
            compare(new, near | _across_a_corner(scene, left, new, lacks))
            around = {o for f in whole.faces for o in scene.part.across(f)}
            for k in [k for k, cut in left.items() if k != new and not around.isdisjoint(cut.faces)]:
                compare(k, _across_a_corner(scene, left, k, lacks))
    return [_closed(scene, c) for c in left.values()]


def _across_a_corner(scene: Scene, cuts: Mapping[int, Cut], k: int, lacks: Callable[[int], bool]) -> set[int]:
    """Cuts that lack walls, as this one does, and border on the same other cut as it."""
    if not lacks(k):
        return set()
    of = {f: j for j, cut in cuts.items() for f in cut.faces}

    def beyond(faces: Iterable[int]) -> set[int]:
        """Faces around, beyond broken edges too, and those of their cut or feature; the part's outside is
        none."""
        around = {o for f in faces for o in scene.part.across(f)} - set(cuts[k].faces)
        broken = [f for f in around if f in scene.owner and scene.owner[f].kind.traits.edge_break]
        around |= {o for f in broken for o in scene.part.across(f)} - set(cuts[k].faces)
        cut = {o for f in around if f in of for o in cuts[of[f]].faces}
        owners = [scene.owner[f] for f in around if f in scene.owner]
        return cut | {o for x in owners if x.kind not in _OUTSIDE for o in x.faces}

    third = beyond(cuts[k].faces)
    return {of[f] for f in beyond(third) - third if f in of and lacks(of[f])}


def lacks_walls(scene: Scene, cut: Cut) -> bool:
    return cut.void is not None and material_inside(scene, cut.void, cut.faces)


def _volume_mm3(cut: Cut) -> float:
    return cut.void.body.volume_mm3 if cut.void is not None else np.inf


def _quick_planes(scene: Scene, cut: Cut) -> tuple[Array, Array] | None:
    """Normals (n, 3) and lowest offsets (n,) of a cut's walls, as far as a quick look goes: none of one whose
    walls may run along a part of an edge only. None without a void."""
    if cut.void is None:
        return None
    planes = [] if edge_breaks(scene, cut.faces) else cut.void.planes
    slack = 2 * (tol.SURFACE_MM + scene.part.mesh.deflection_mm)
    normals = np.array([n for n, _ in planes]).reshape(-1, 3)
    return normals, np.array([offset for _, offset in planes]) - slack


def _whole(scene: Scene, a: Cut, b: Cut) -> Cut | None:
    faces = tuple(sorted((*a.faces, *b.faces)))
    void = void_before(scene, faces)
    if void is None or not free_between(scene, void, faces, partial(behind_breaks, scene, faces)):
        return None
    return Cut(faces, void.opens_to, void)


def _closed(scene: Scene, cut: Cut) -> Cut:
    """A cut with missing walls, less the sides where the part closes it further on."""
    if cut.void is None or not lacks_walls(scene, cut):
        return cut
    ahead = straight_on(scene, cut.void, cut.faces)
    free = unblocked(scene, ahead, cut.faces)
    closed = kind_of(free.opens_to) in (Kind.THROUGH_PROFILE, Kind.POCKET)
    void = ahead if closed and len(free.planes) < _CLOSED_BY else free
    return Cut(cut.faces, void.opens_to, void) if kind_of(void.opens_to) != Kind.UNASSIGNED else cut

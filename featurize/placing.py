"""Where features are in the part's own box, so that another file of the same part finds them again.

Face numbers and feature ids change with every export, and even the sense of the part's frame does: it
follows the model's axes. What stays is the box around the part. Places are taken from its middle, along the
frame's axes, and two files of one part differ in them by a *turn*: one of the rotations that carry a box's
axes onto its axes, a signed permutation matrix (3, 3). A part that is round about an axis has no box that
stands one way; there a *spin* about that axis, which brings a feature to the place of another, goes before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations, product

import numpy as np
from numpy.typing import NDArray

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.runs import EdgeRun, edge_runs
from featurize.brep.surfaces import Array, Cylinder, Plane, Surface
from featurize.brep.surfaces_at import square
from featurize.feature import Feature, Kind

# Two places closer than this are one: meshed round faces stand off their box by 0.01 mm at most.
PLACE_MM = 0.05
# The size by which a person knows a feature, first the one that is there.
_MAIN_SIZES = ("diameter_mm", "width_mm", "radius_mm", "height_mm", "depth_mm", "length_mm")
# A feature this close to a round part's axis does not show which way it stands.
_OFF_AXIS_MM = 1.0


@dataclass(frozen=True, eq=False)
class Placed:
    """A feature in the part's box: ``at``, ``low``, ``high`` (3,) in mm from the box's middle.

    ``at`` is the middle of a recess's mouth, else of the feature's faces; ``low``/``high`` bound the faces.
    """

    feature: Feature
    at: Array
    low: Array
    high: Array

    @property
    def size_mm(self) -> float:
        """Main diameter or width, without either the longest side of the box around the faces."""
        dims = self.feature.dims
        return next((dims[n] for n in _MAIN_SIZES if n in dims), float(np.max(self.high - self.low)))


def places(part: Part, features: Sequence[Feature]) -> list[Placed]:
    """Every feature's place in the part's box."""
    middle = (part.low + part.high) / 2
    corners = part.frame.local(part.mesh.vertices) - middle
    found = []
    for f in features:
        own = corners[np.unique(part.mesh.triangles[np.isin(part.mesh.face_ids, f.faces)])]
        low, high = own.min(axis=0), own.max(axis=0)
        found.append(Placed(f, _at(part, f, low, high, middle), low, high))
    return found


@dataclass(frozen=True, eq=False)
class PlacedEdge:
    """A convex edge in the part's box: ``at`` (3,) is its middle, in mm from the box's middle."""

    run: EdgeRun
    at: Array

    @property
    def size_mm(self) -> float:
        return self.run.length_mm


def edge_places(part: Part) -> list[PlacedEdge]:
    """Every convex edge's place in the part's box."""
    middle = (part.low + part.high) / 2
    return [PlacedEdge(run, part.frame.local(run.middle) - middle) for run in edge_runs(part)]


def _at(part: Part, feature: Feature, low: Array, high: Array, middle: Array) -> Array:
    centre = (low + high) / 2
    if feature.axis is None or not feature.kind.traits.one_mouth:
        return np.asarray(centre)
    along = part.frame.axes @ np.array(feature.axis.direction)
    if feature.bores:  # an axis is known better than the box around a round face
        foot = part.frame.local(np.array(feature.axis.origin)) - middle
        centre = foot + ((centre - foot) @ along) * along
    through = len(feature.opens_to) > 1 and feature.kind.traits.hole
    return np.asarray(centre if through else centre + (np.abs(along) @ (high - low)) / 2 * along)


def turns(before: Array, after: Array, slack_mm: float = PLACE_MM, *, mirrored: bool = False) -> list[Array]:
    """Turns that bring a box with these spans (3,) onto one with those, no turn at all first.

    ``mirrored``: those that also make it its mirror image.
    """
    every = _MIRRORS if mirrored else _ROTATIONS
    return [t for t in every if np.all(np.abs(np.abs(t) @ before - after) <= slack_mm)]


def _all_turns(determinant: int) -> list[Array]:
    found = []
    for order in permutations(range(3)):
        for signs in product((1.0, -1.0), repeat=3):
            turn = np.zeros((3, 3))
            turn[range(3), order] = signs
            if round(float(np.linalg.det(turn))) == determinant:
                found.append(turn)
    return sorted(found, key=lambda t: -float(np.trace(t)))  # no turn at all comes first


_ROTATIONS, _MIRRORS = _all_turns(1), _all_turns(-1)


def box_turns(part: Part, placed: Sequence[Placed], *, mirrored: bool = False) -> list[Array]:
    """Every turn of a part's box onto itself; about a round part, with each outermost feature on an axis."""
    spans = part.high - part.low
    plain = turns(spans, spans, mirrored=mirrored)
    axis = round_axis(part)
    if axis is None:
        return plain
    away = _away(placed, axis)
    outermost = [p for p, r in zip(placed, away, strict=True) if r > max(away.max() - PLACE_MM, _OFF_AXIS_MM)]
    mark = np.eye(3)[(axis + 1) % 3]
    return [t @ spin(p.at, mark, axis) for p in outermost for t in plain] or plain


def round_axis(part: Part) -> int | None:
    """The axis of the frame about which nothing tells one direction from another."""
    for k, axis in enumerate(part.frame.axes):
        across = [f for f in part.faces if _across(f.surface, axis)]
        if not across and any(isinstance(f.surface, Cylinder) for f in part.faces):
            return k
    return None


def _across(surface: Surface, axis: Array) -> bool:
    if isinstance(surface, Plane):
        return square(surface.normal, axis, tol.AXIS_DEG)
    return isinstance(surface, Cylinder) and square(surface.axis, axis, tol.AXIS_DEG)


def _away(placed: Sequence[Placed], axis: int) -> Array:
    """Distances from the axis, in mm."""
    points = np.array([p.at for p in placed]).reshape(-1, 3)
    return np.asarray(np.linalg.norm(np.delete(points, axis, axis=1), axis=1))


def spin(before: Array, after: Array, axis: int) -> Array:
    """The rotation (3, 3) about an axis that brings one point's direction to another's."""
    u, v = (axis + 1) % 3, (axis + 2) % 3
    angle = np.arctan2(after[v], after[u]) - np.arctan2(before[v], before[u])
    turn = np.eye(3)
    turn[[u, u, v, v], [u, v, u, v]] = np.cos(angle), -np.sin(angle), np.sin(angle), np.cos(angle)
    return turn


def spins(before: Sequence[Placed], after: Sequence[Placed], axis: int) -> list[Array]:
    """No spin, and those about an axis that bring a feature to an equal one as far from it."""
    far = zip(before, _away(before, axis), strict=True)
    there = list(zip(after, _away(after, axis), strict=True))
    found = {0.0: np.eye(3)}
    for p, r in far:
        for q, s in there:
            if min(r, s) > _OFF_AXIS_MM and abs(r - s) < PLACE_MM and is_size(p.size_mm, q.size_mm):
                turn = spin(p.at, q.at, axis)
                u, v = (axis + 1) % 3, (axis + 2) % 3
                found.setdefault(round(float(np.arctan2(turn[v, u], turn[u, u])), 3), turn)
    return list(found.values())


def own_turns(part: Part, placed: Sequence[Placed]) -> tuple[list[Array], list[Array]]:
    """The turns of a part's box onto itself: those that geometry alone prefers, and all.

    The preferred ones give the least list of places, in an order that needs no model axes: every file of
    the part agrees on them. More than one is preferred where the part is symmetric, and then the turns
    carry its features onto each other.
    """
    every = box_turns(part, placed)
    known = [p for p in placed if p.feature.kind != Kind.UNASSIGNED]
    points = np.array([[turn @ p.at for p in known] for turn in every]).reshape(len(every), len(known), 3)
    sizes = _ranks(np.array([float(np.max(p.high - p.low)) for p in known]))
    ranked = _ranks(points)
    lists = [sorted((int(s), *map(int, row)) for s, row in zip(sizes, rows, strict=True)) for rows in ranked]
    least = min(lists)
    return [t for t, found in zip(every, lists, strict=True) if found == least], every


def _ranks(values: Array) -> NDArray[np.int64]:
    """Whole numbers in the order of the values, equal for values that lie close together."""
    flat = values.ravel()
    order = np.argsort(flat)
    ranks = np.zeros(len(flat), dtype=np.int64)
    if len(flat) > 1:
        ranks[order[1:]] = np.cumsum(np.diff(flat[order]) > PLACE_MM / 2)
    return np.asarray(ranks.reshape(values.shape))


def box_point(part: Part, turn: Array, at: Array) -> Array:
    """A place from the box's middle, turned, as a point from the low corner of the turned box."""
    return np.asarray(turn @ at + turned_spans(turn, part.high - part.low) / 2)


def turned_spans(turn: Array, spans: Array) -> Array:
    """Spans (3,) of a box after a turn; what is round keeps them when it is spun."""
    straight = float(np.abs(turn).max(axis=1).min()) > 1 - 1e-9
    return np.asarray(np.abs(turn) @ spans if straight else spans)


def is_size(a: float, b: float) -> bool:
    """Whether two sizes are one."""
    return abs(a - b) <= 2 * tol.SURFACE_MM  # sizes of round faces without dimensions are read off meshes

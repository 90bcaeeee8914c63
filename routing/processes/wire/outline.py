"""Plane outlines of straight pieces and circular arcs, kept as such.

An arc is written by its bulge, the tangent of a quarter of its angle, as the DXF polyline writes it:
0 for a straight piece, positive against the clock.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely

from featurize import tolerances as tol
from featurize.brep.surfaces import Array

# A joint this near the common line or circle of its two pieces is no corner.
_SMOOTH_MM = tol.LENGTH_MM / 50
# Curves that are neither straight nor round become arcs within this: a quarter of what a wire holds.
ARC_FIT_MM = 0.0005
_MOST_HALVINGS = 9


@dataclass(frozen=True, eq=False)
class Outline:
    """``points`` (n, 2) mm are its corners; piece k runs from corner k to the next and has ``bulges[k]``.

    Closed outlines have n pieces, open ones n - 1. ``faces`` names the face of the part under each piece.
    Material lies to the right of the travel.
    """

    points: Array
    bulges: Array
    faces: tuple[int, ...]
    closed: bool

    @property
    def starts(self) -> Array:
        return self.points if self.closed else self.points[:-1]

    @property
    def ends(self) -> Array:
        return np.roll(self.points, -1, axis=0) if self.closed else self.points[1:]

    @cached_property
    def angles(self) -> Array:
        """Signed angle (n,) of each piece in radians, 0 for a straight one."""
        return np.asarray(4 * np.arctan(self.bulges))

    @cached_property
    def radii(self) -> Array:
        """Radius (n,) of each arc, infinite for a straight piece."""
        chords = np.linalg.norm(self.ends - self.starts, axis=1)
        b = np.abs(self.bulges)
        with np.errstate(divide="ignore"):
            return np.asarray(np.where(b > 0, chords * (1 + b**2) / (4 * b), np.inf))

    @cached_property
    def centres(self) -> Array:
        """Centre (n, 2) of each arc, nan for a straight piece."""
        chord = self.ends - self.starts
        left = np.column_stack([-chord[:, 1], chord[:, 0]])
        with np.errstate(divide="ignore", invalid="ignore"):
            off = (1 - self.bulges**2) / (4 * self.bulges)
            found = (self.starts + self.ends) / 2 + left * off[:, None]
        return np.asarray(np.where((self.bulges != 0)[:, None], found, np.nan))

    @property
    def lengths(self) -> Array:
        """Length (n,) of each piece in mm."""
        chords = np.linalg.norm(self.ends - self.starts, axis=1)
        with np.errstate(invalid="ignore"):
            return np.asarray(np.where(self.bulges != 0, np.abs(self.angles) * self.radii, chords))

    @property
    def area_mm2(self) -> float:
        """Signed area, positive against the clock: Green's formula, exact on arcs.

        The corners' polygon plus, for each arc, its segment r^2 (a - sin a) / 2.
        """
        (x, y), (u, v) = self.starts.T, self.ends.T
        arcs = self.bulges != 0
        a, r = self.angles[arcs], self.radii[arcs]
        return float(np.sum(x * v - u * y) / 2 + np.sum(r**2 * (a - np.sin(a))) / 2)

    @property
    def is_circle(self) -> bool:
        return self.closed and bool(np.all(self.bulges != 0)) and _one_circle(self.centres, self.radii)

    def place(self, piece: int, share: float = 0.5) -> tuple[Array, Array]:
        """A point (2,) on a piece at a share of its length, and the unit tangent (2,) there."""
        start, end = self.starts[piece], self.ends[piece]
        if self.bulges[piece] == 0:
            along = end - start
            return start + share * along, along / np.linalg.norm(along)
        centre = self.centres[piece]
        arm = turned(start - centre, share * float(self.angles[piece]))
        quarter = np.array([-arm[1], arm[0]]) * np.sign(self.bulges[piece])
        return centre + arm, quarter / np.linalg.norm(quarter)

    def distance_mm(self, point: Array) -> float:
        """Exact distance from a point (2,)."""
        return float(min(_to_lines(self, point).min(), _to_arcs(self, point).min(initial=np.inf)))

    def nearest(self, point: Array) -> Array:
        """The point (2,) of an outline of one piece that lies nearest a point."""
        if self.bulges[0] and len(_to_arcs(self, point)):
            away = point - self.centres[0]
            return np.asarray(self.centres[0] + away * self.radii[0] / np.linalg.norm(away))
        a, along = self.points[0], self.points[1] - self.points[0]
        share = float(np.clip((point - a) @ along / max(float(along @ along), 1e-300), 0, 1))
        return np.asarray(a + (round(share) if self.bulges[0] else share) * along)

    def chain(self, chord_mm: float) -> Array:
        """Points (m, 2) along the outline; chords stray from arcs by less than ``chord_mm``."""
        found = [self.points[:1]]
        for k, angle in enumerate(self.angles):
            if angle == 0:
                found.append(self.ends[k : k + 1])
                continue
            step = 2 * np.arccos(max(1 - chord_mm / self.radii[k], 0.0))
            n = max(2, int(np.ceil(abs(angle) / step)))
            turns = angle * np.arange(1, n) / n
            arm = self.starts[k] - self.centres[k]
            c, s = np.cos(turns), np.sin(turns)
            arc = np.column_stack([c * arm[0] - s * arm[1], s * arm[0] + c * arm[1]])
            found += [self.centres[k] + arc, self.ends[k : k + 1]]
        return np.vstack(found)

    def polygon(self, chord_mm: float = tol.LENGTH_MM) -> Any:
        """The shapely polygon inside a closed outline, arcs in chords."""
        return shapely.make_valid(shapely.polygons(self.chain(chord_mm)))

    def but(self, points: Array, bulges: Array) -> Outline:
        return Outline(points, bulges, self.faces, self.closed)

    def piece(self, k: int) -> Outline:
        """One piece as an outline of its own."""
        return Outline(
            np.array([self.starts[k], self.ends[k]]), self.bulges[k : k + 1], self.faces[k : k + 1], False
        )

    def reversed(self) -> Outline:
        """The same outline travelled the other way."""
        points = np.roll(self.points[::-1], 1, axis=0) if self.closed else self.points[::-1]
        return Outline(points, -self.bulges[::-1], self.faces[::-1], self.closed)

    def begun_at(self, piece: int) -> Outline:
        """The same closed outline, its first corner the start of a piece."""
        faces = (*self.faces[piece:], *self.faces[:piece])
        return Outline(np.roll(self.points, -piece, axis=0), np.roll(self.bulges, -piece), faces, self.closed)


def turned(v: Array, angle: float) -> Array:
    """A vector (2,) turned against the clock by an angle in radians."""
    c, s = np.cos(angle), np.sin(angle)
    return np.array([c * v[0] - s * v[1], s * v[0] + c * v[1]])


def _to_lines(o: Outline, point: Array) -> Array:
    """Distances (n,) to the straight pieces, and to the chord's ends of arcs."""
    along = o.ends - o.starts
    square = np.maximum(np.sum(along**2, axis=1), 1e-300)
    share = np.clip(np.sum((point - o.starts) * along, axis=1) / square, 0, 1)
    share = np.where(o.bulges != 0, np.round(share), share)
    return np.asarray(np.linalg.norm(o.starts + share[:, None] * along - point, axis=1))


def _to_arcs(o: Outline, point: Array) -> Array:
    """Distances to those arcs that have the point in their sector."""
    arcs = o.bulges != 0
    centres, arms, angles = o.centres[arcs], (o.starts - o.centres)[arcs], o.angles[arcs]
    sight = point - centres
    cross = arms[:, 0] * sight[:, 1] - arms[:, 1] * sight[:, 0]
    turn = np.arctan2(cross, np.sum(arms * sight, axis=1)) * np.sign(angles) % (2 * np.pi)
    inside = turn <= np.abs(angles)
    return np.asarray(np.abs(np.linalg.norm(sight[inside], axis=1) - o.radii[arcs][inside]))


def _one_circle(centres: Array, radii: Array) -> bool:
    return bool(np.ptp(centres, axis=0).max() < _SMOOTH_MM and np.ptp(radii) < _SMOOTH_MM)


@dataclass(frozen=True, eq=False)
class Piece:
    """One line or arc on a face."""

    start: Array
    end: Array
    bulge: float
    face: int


def joined(pieces: Sequence[Piece], reach_mm: float = tol.SURFACE_MM) -> list[Outline]:
    """Pieces that follow each other (ends within ``reach_mm``) as outlines, smooth joints taken out.

    Deterministic: outlines begin at their lowest, then leftmost corner, and come sorted by it.
    """
    follows = _followers(pieces, reach_mm)
    led = set(follows.values())
    todo = set(range(len(pieces)))
    found = []
    for head in [*(k for k in range(len(pieces)) if k not in led), *range(len(pieces))]:
        if head not in todo:
            continue
        chain = [head]
        todo.discard(head)
        while (k := follows.get(chain[-1], -1)) in todo:
            chain.append(k)
            todo.discard(k)
        closed = follows.get(chain[-1]) == head
        points = [pieces[k].start for k in chain]
        points += [] if closed else [pieces[chain[-1]].end]
        bulges = np.array([pieces[k].bulge for k in chain])
        found.append(
            _smoothed(Outline(np.array(points), bulges, tuple(pieces[k].face for k in chain), closed))
        )
    return sorted((_begun(o) for o in found), key=lambda o: _key(o.points[0]))


def _followers(pieces: Sequence[Piece], reach_mm: float) -> dict[int, int]:
    """For each piece the one that starts where it ends; nearest pairs first."""
    ends, starts = np.array([p.end for p in pieces]), np.array([p.start for p in pieces])
    gaps = np.linalg.norm(ends[:, None] - starts[None], axis=2)
    rows, columns = np.nonzero(gaps <= reach_mm)
    follows: dict[int, int] = {}
    taken: set[int] = set()
    for i in np.lexsort((columns, rows, gaps[rows, columns])):
        a, b = int(rows[i]), int(columns[i])
        if a not in follows and b not in taken:
            follows[a] = b
            taken.add(b)
    return follows


def _key(point: Array) -> tuple[float, float]:
    return round(float(point[1]), 4) + 0.0, round(float(point[0]), 4) + 0.0


def _begun(o: Outline) -> Outline:
    return o.begun_at(min(range(len(o.points)), key=lambda k: _key(o.points[k]))) if o.closed else o


def _smoothed(o: Outline) -> Outline:
    """Without joints inside one line or one arc; a full circle keeps two."""
    k = 0
    while len(o.bulges) > 2 and k < len(o.bulges):
        one = _as_one(o, k)
        if one is None:
            k += 1
            continue
        if k == len(o.bulges) - 1:  # the joint is the first corner
            o, k = o.begun_at(1), 0
            continue
        points = np.delete(o.points, k + 1, axis=0)
        bulges = np.delete(o.bulges, k + 1)
        bulges[k] = one
        o = Outline(points, bulges, (*o.faces[: k + 1], *o.faces[k + 2 :]), o.closed)
    return o


def _as_one(o: Outline, k: int) -> float | None:
    """The bulge of piece k and the next as a single piece, if they are one line or one arc."""
    j = k + 1
    if j == len(o.bulges):
        if not o.closed:
            return None
        j = 0
    a, joint, b = o.starts[k], o.ends[k], o.ends[j]
    if o.bulges[k] == 0 and o.bulges[j] == 0:
        chord = b - a
        length = float(np.linalg.norm(chord))
        if length < tol.LENGTH_MM or float((joint - a) @ (b - joint)) < 0:
            return None
        off = abs(float(chord[0] * (joint - a)[1] - chord[1] * (joint - a)[0])) / length
        return 0.0 if off < _SMOOTH_MM else None
    angle = float(o.angles[k] + o.angles[j])
    # Beyond a half circle an arc is badly held by its ends.
    if o.bulges[k] * o.bulges[j] <= 0 or abs(angle) > np.pi + 1e-9:
        return None
    return float(np.tan(angle / 4)) if _one_circle(o.centres[[k, j]], o.radii[[k, j]]) else None


def bulge_through(start: Array, middle: Array, end: Array) -> float:
    """The bulge of the arc from start to end through a point in between."""
    a, b = start - middle, end - middle
    turn = np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b)  # half of the angle's complement, signed
    return float(np.tan((np.pi - abs(turn)) / 2) * -np.sign(turn)) if turn else 0.0


def as_arcs(curve: Callable[[float], Array], face: int, within_mm: float = ARC_FIT_MM) -> list[Piece]:
    """A smooth curve over [0, 1] in as few lines and arcs as halving finds, each within ``within_mm``.

    One line, else one arc, else two arcs that meet smoothly with equal tangent lengths (a biarc),
    else halves.
    """
    return _halved(curve, 0.0, 1.0, face, within_mm, _MOST_HALVINGS)


def _halved(
    curve: Callable[[float], Array], low: float, high: float, face: int, within_mm: float, left: int
) -> list[Piece]:
    shares = low + (high - low) * np.linspace(0, 1, 17)
    points = np.array([curve(float(t)) for t in shares])
    a, b = points[0], points[-1]
    tries = [[Piece(a, b, 0.0, face)]] if np.linalg.norm(b - a) > tol.LENGTH_MM else []
    if not _strays(tries[0] if tries else [], points, tol.LENGTH_MM / 10):
        return tries[0]
    tries = [[Piece(a, b, bulge_through(a, points[8], b), face)]]
    nudge = (high - low) * 1e-5
    tangents = [curve(low + nudge) - a, b - curve(high - nudge)]
    tries += _biarc(a, tangents[0], b, tangents[1], face)
    for tried in tries:
        if not _strays(tried, points, within_mm):
            return tried
    if left == 0:
        return tries[-1]
    middle = (low + high) / 2
    halves = ((low, middle), (middle, high))
    return [p for i, j in halves for p in _halved(curve, i, j, face, within_mm, left - 1)]


def _strays(pieces: Sequence[Piece], points: Array, within_mm: float) -> bool:
    if not pieces or any(abs(p.bulge) > 1 + 1e-9 for p in pieces):
        return True
    corners = np.array([*(p.start for p in pieces), pieces[-1].end])
    o = Outline(corners, np.array([p.bulge for p in pieces]), tuple(p.face for p in pieces), False)
    return any(o.distance_mm(p) > within_mm for p in points)


def _biarc(a: Array, ta: Array, b: Array, tb: Array, face: int) -> list[list[Piece]]:
    """Two arcs with the tangents of both ends: their tangent polygons' legs are equal.

    With legs of length d the joint is the middle of a + d ta and b - d tb, and the two inner points are
    2 d apart: a quadratic in d.
    """
    ta, tb, v = ta / np.linalg.norm(ta), tb / np.linalg.norm(tb), b - a
    square, half = 2 * (1 - float(ta @ tb)), float(v @ (ta + tb))
    if square < 1e-12:
        d = float(v @ v) / (2 * half) if half > 0 else 0.0
    else:
        d = (-half + np.sqrt(half**2 + square * float(v @ v))) / square
    if d <= 0:
        return []
    joint = (a + b + d * (ta - tb)) / 2
    return [[Piece(a, joint, _leaving(ta, joint - a), face), Piece(joint, b, _leaving(b - joint, tb), face)]]


def _leaving(u: Array, v: Array) -> float:
    """The bulge of an arc whose tangent and chord are these: half the angle between them."""
    return float(np.tan(np.arctan2(u[0] * v[1] - u[1] * v[0], u @ v) / 2))

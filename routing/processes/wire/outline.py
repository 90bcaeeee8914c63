"""Plane outlines of straight pieces and circular arcs, kept as such.

An arc is written by its bulge, the tangent of a quarter of its angle, as the DXF polyline writes it:
0 for a straight piece, positive against the clock.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely

from featurize import tolerances as tol
from featurize.brep.surfaces import Array
from routing.processes.wire.arcs import Piece

# A joint this near the common line or circle of its two pieces is no corner.
_SMOOTH_MM = tol.LENGTH_MM / 50
# So many pairs of points and pieces are looked at together: bounds the memory.
_CHUNK = 1_000_000


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
        with np.errstate(divide="ignore", invalid="ignore"):
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
    def is_line(self) -> bool:
        """Whether it goes anywhere: walls may end in a point."""
        return bool(np.ptp(self.points, axis=0).max() > tol.LENGTH_MM or np.any(self.angles))

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

    def sample(self, shares: Sequence[float]) -> Array:
        """Points (n, k, 2) on every piece at shares (k,) of its length."""
        t = np.asarray(shares, float)
        found = self.starts[:, None] + t[None, :, None] * (self.ends - self.starts)[:, None]
        arcs = self.bulges != 0
        turns = self.angles[arcs][:, None] * t
        arm = (self.starts - self.centres)[arcs][:, None]
        c, s = np.cos(turns), np.sin(turns)
        turned_arm = np.stack([c * arm[..., 0] - s * arm[..., 1], s * arm[..., 0] + c * arm[..., 1]], axis=2)
        found[arcs] = self.centres[arcs][:, None] + turned_arm
        return found

    def distances(self, points: Array) -> Array:
        """Exact distances (m,) from points (m, 2)."""
        chunks = np.array_split(points, max(1, len(points) * len(self.bulges) // _CHUNK))
        return np.concatenate([np.minimum(_to_lines(self, p), _to_arcs(self, p)).min(axis=1) for p in chunks])

    def distance_mm(self, point: Array) -> float:
        """Exact distance from a point (2,)."""
        return float(self.distances(np.asarray(point)[None])[0])

    def piece_at(self, point: Array) -> int:
        """The piece that lies nearest a point (2,)."""
        p = np.asarray(point)[None]
        return int(np.argmin(np.minimum(_to_lines(self, p), _to_arcs(self, p))[0]))

    def nearest(self, point: Array) -> Array:
        """The point (2,) of an outline of one piece that lies nearest a point."""
        if self.bulges[0] and np.isfinite(_to_arcs(self, point[None])[0, 0]):
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


def _to_lines(o: Outline, points: Array) -> Array:
    """Distances (m, n) of points (m, 2) to the straight pieces, and to the chord's ends of arcs."""
    along = o.ends - o.starts
    square = np.maximum(np.sum(along**2, axis=1), 1e-300)
    share = np.clip(np.sum((points[:, None] - o.starts) * along, axis=2) / square, 0, 1)
    share = np.where(o.bulges != 0, np.round(share), share)
    return np.asarray(np.linalg.norm(o.starts + share[..., None] * along - points[:, None], axis=2))


def _to_arcs(o: Outline, points: Array) -> Array:
    """Distances (m, n) to those arcs that have a point (m, 2) in their sector, else infinite."""
    found = np.full((len(points), len(o.bulges)), np.inf)
    arcs = o.bulges != 0
    centres, arms, angles = o.centres[arcs], (o.starts - o.centres)[arcs], o.angles[arcs]
    sight = points[:, None] - centres
    cross = arms[:, 0] * sight[..., 1] - arms[:, 1] * sight[..., 0]
    turn = np.arctan2(cross, np.sum(arms * sight, axis=2)) * np.sign(angles) % (2 * np.pi)
    away = np.abs(np.linalg.norm(sight, axis=2) - o.radii[arcs])
    found[:, arcs] = np.where(turn <= np.abs(angles), away, np.inf)
    return found


def _one_circle(centres: Array, radii: Array) -> bool:
    return bool(np.ptp(centres, axis=0).max() < _SMOOTH_MM and np.ptp(radii) < _SMOOTH_MM)


def outline_of(pieces: Sequence[Piece], faces: Sequence[int], closed: bool) -> Outline:
    """Pieces that follow each other, each with the face under it."""
    points = [p.start for p in pieces] + ([] if closed else [pieces[-1].end])
    return Outline(np.array(points), np.array([p.bulge for p in pieces]), tuple(faces), closed)


def smoothed(outlines: Sequence[Outline]) -> tuple[Outline, ...]:
    """Outlines of equally many pieces without the joints that lie inside one line or one arc in all of them.

    A full circle keeps two.
    """
    found = tuple(outlines)
    k = 0
    while len(found[0].bulges) > 2 and k < len(found[0].bulges):
        one = [_as_one(o, k) for o in found]
        if any(b is None for b in one):
            k += 1
        elif k == len(found[0].bulges) - 1:  # the joint is the first corner
            found, k = tuple(o.begun_at(1) for o in found), 0
        else:
            found = tuple(_without(o, k, b) for o, b in zip(found, one, strict=True) if b is not None)
    return found


def _without(o: Outline, k: int, bulge: float) -> Outline:
    """Piece k and the next as a single piece."""
    bulges = np.delete(o.bulges, k + 1)
    bulges[k] = bulge
    faces = (*o.faces[: k + 1], *o.faces[k + 2 :])
    return Outline(np.delete(o.points, k + 1, axis=0), bulges, faces, o.closed)


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


def begun(outlines: Sequence[Outline]) -> tuple[Outline, ...]:
    """Closed outlines, all begun at the same corner: the lowest, then leftmost of the first."""
    first = outlines[0]
    if not first.closed:
        return tuple(outlines)
    start = min(range(len(first.points)), key=lambda k: place_key(first.points[k]))
    return tuple(o.begun_at(start) for o in outlines)


def place_key(point: Array) -> tuple[float, float]:
    """What points (2,) are sorted by: from below, then from the left."""
    return round(float(point[1]), 4) + 0.0, round(float(point[0]), 4) + 0.0

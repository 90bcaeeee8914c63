"""Plane curves as lines and arcs, several curves at a time in equally many pieces.

Curves that belong together, as a wall's sections at two heights do, are halved at the same shares, so that
their pieces pair off.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from featurize import tolerances as tol
from featurize.brep.surfaces import Array

# What a wire holds of a shape, which bounds all that a path may stray from the model (common practice, no
# source).
WIRE_HOLDS_MM = 0.002
# Curves that are neither straight nor round become arcs within this: a quarter of what a wire holds.
ARC_FIT_MM = WIRE_HOLDS_MM / 4
_MOST_HALVINGS = 9
_PROBES = 17

# A curve over the shares [0, 1].
Curve: TypeAlias = Callable[[float], Array]


@dataclass(frozen=True, eq=False)
class Piece:
    """One line or arc, from ``start`` (2,) to ``end``: ``bulge`` is the tangent of a quarter of its angle."""

    start: Array
    end: Array
    bulge: float


def as_arcs(curves: Sequence[Curve], within_mm: float = ARC_FIT_MM) -> list[list[Piece]]:
    """Smooth curves in as few lines and arcs as halving finds, all within ``within_mm`` of theirs.

    One list for each curve, all of the same length: a line or an arc each, else two arcs each that meet
    smoothly with equal tangent lengths (a biarc), else halves.
    """
    return _halved(curves, 0.0, 1.0, within_mm, _MOST_HALVINGS)


def bulge_through(start: Array, middle: Array, end: Array) -> float:
    """The bulge of the arc from start to end through a point in between."""
    a, b = start - middle, end - middle
    turn = np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b)  # half of the angle's complement, signed
    return float(np.tan((np.pi - abs(turn)) / 2) * -np.sign(turn)) if turn else 0.0


def _halved(
    curves: Sequence[Curve], low: float, high: float, within_mm: float, left: int
) -> list[list[Piece]]:
    shares = low + (high - low) * np.linspace(0, 1, _PROBES)
    probes = [np.array([curve(float(t)) for t in shares]) for curve in curves]
    single = [_one(points, within_mm) for points in probes]
    if all(single):
        return [[p] for p in single if p]
    nudge = (high - low) * 1e-5
    pairs = [
        _biarc(points, curve(low + nudge) - points[0], points[-1] - curve(high - nudge))
        for points, curve in zip(probes, curves, strict=True)
    ]
    whole = [
        pair
        for pair, points in zip(pairs, probes, strict=True)
        if pair and not _has_outliers(pair, points, within_mm)
    ]
    if len(whole) == len(curves):
        return whole
    if left == 0:
        return [pair or _chords(points) for pair, points in zip(pairs, probes, strict=True)]
    middle = (low + high) / 2
    halves = [_halved(curves, a, b, within_mm, left - 1) for a, b in ((low, middle), (middle, high))]
    return [[*first, *second] for first, second in zip(*halves, strict=True)]


def _one(points: Array, within_mm: float) -> Piece | None:
    """The line through points, else the arc, else None. A line must hold much closer: it is no flat arc."""
    a, b = points[0], points[-1]
    if np.linalg.norm(b - a) <= tol.LENGTH_MM:
        return None
    line = Piece(a, b, 0.0)
    if not _has_outliers([line], points, tol.LENGTH_MM / 10):
        return line
    arc = Piece(a, b, bulge_through(a, points[_PROBES // 2], b))
    return None if _has_outliers([arc], points, within_mm) else arc


def _chords(points: Array) -> list[Piece]:
    middle = points[_PROBES // 2]
    return [Piece(points[0], middle, 0.0), Piece(middle, points[-1], 0.0)]


def _has_outliers(pieces: Sequence[Piece], points: Array, within_mm: float) -> bool:
    if any(abs(p.bulge) > 1 + 1e-9 for p in pieces):
        return True
    return bool(np.min([_away(p, points) for p in pieces], axis=0).max() > within_mm)


def _away(piece: Piece, points: Array) -> Array:
    """Distances (n,) of points to the line or circle of a piece, beyond its ends to the nearer one."""
    chord = piece.end - piece.start
    length = max(float(np.linalg.norm(chord)), 1e-300)
    u = chord / length
    along = (points - piece.start) @ u
    over = np.maximum(np.maximum(-along, along - length), 0.0)  # up to half a circle stands over its chord
    if piece.bulge == 0:
        beside = (points - piece.start) @ np.array([-u[1], u[0]])
        return np.asarray(np.hypot(beside, over))
    b = piece.bulge
    centre = (piece.start + piece.end) / 2 + np.array([-chord[1], chord[0]]) * (1 - b * b) / (4 * b)
    radius = length * (1 + b * b) / (4 * abs(b))
    return np.asarray(np.abs(np.linalg.norm(points - centre, axis=1) - radius) + over)


def _biarc(points: Array, ta: Array, tb: Array) -> list[Piece]:
    """Two arcs with the tangents of both ends: their tangent polygons' legs are equal.

    With legs of length d the joint is the middle of a + d ta and b - d tb, and the two inner points are
    2 d apart: a quadratic in d.
    """
    a, b = points[0], points[-1]
    ta, tb, v = ta / np.linalg.norm(ta), tb / np.linalg.norm(tb), b - a
    square, half = 2 * (1 - float(ta @ tb)), float(v @ (ta + tb))
    if square < 1e-12:
        d = float(v @ v) / (2 * half) if half > 0 else 0.0
    else:
        d = (-half + np.sqrt(half**2 + square * float(v @ v))) / square
    if d <= 0:
        return []
    joint = (a + b + d * (ta - tb)) / 2
    return [Piece(a, joint, _leaving(ta, joint - a)), Piece(joint, b, _leaving(b - joint, tb))]


def _leaving(u: Array, v: Array) -> float:
    """The bulge of an arc whose tangent and chord are these: half the angle between them."""
    return float(np.tan(np.arctan2(u[0] * v[1] - u[1] * v[0], u @ v) / 2))

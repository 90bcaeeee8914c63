"""Rings told by fewer walls: across what another pass makes, and apart at corners that no line follows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from featurize import tolerances as tol
from featurize.brep.surfaces import Array
from routing.processes.wire.outline import Outline
from routing.processes.wire.rulings import Ruled

# Lines and circles that agree this closely are one.
_SAME_MM = tol.LENGTH_MM / 10
# The face of a piece that makes no wall: it closes a ring through the air.
NO_WALL = -1


def bridged(ruled: Ruled, known: NDArray[np.bool_]) -> Ruled | None:
    """A closed ring without the pieces (n,) that are ``known``, where its others go on over them.

    None where they nowhere do.
    """
    if not ruled.closed or known.all():
        return None
    outlines = (ruled.lower,) if ruled.straight else (ruled.lower, ruled.upper)
    kept = np.flatnonzero(~known).tolist()
    # Pieces that stay, and whether each goes on to the next one.
    follow = [kept[(place + 1) % len(kept)] for place in range(len(kept))]
    joins = [all(_goes_on(o, k, j) for o in outlines) for k, j in zip(kept, follow, strict=True)]
    gaps = [(j - k) % len(known) != 1 for k, j in zip(kept, follow, strict=True)]
    if not any(join and gap for join, gap in zip(joins, gaps, strict=True)):
        return None
    if all(joins) and all(o.bulges[kept[0]] for o in outlines):
        return _told(ruled, _circles(outlines, kept[0]))
    return _told(ruled, [_joined(o, kept, joins, outlines) for o in outlines])


def stretched(ruled: Ruled, uneven: NDArray[np.bool_], low_mm: float, high_mm: float) -> list[Ruled]:
    """The ring whose ``uneven`` corners (n,) are where their walls, carried on, meet at two other heights.

    A corner between a leaning plane and an upright cylinder runs along an ellipse, whose chord stays in the
    air. [] where the walls do not meet there.
    """
    if ruled.straight or not ruled.closed:
        return []
    n = len(uneven)
    ends = []
    for height in (low_mm, high_mm):
        paths = [_carried(ruled, k, height) for k in range(n)]
        points = ruled.sample(height, (0.0,))[:, 0]
        for k in np.flatnonzero(uneven):
            met = _meeting(paths[k - 1], paths[k], points[k])
            if met is None:
                return []
            points[k] = met
        bulges = [p.bulge(points[k], points[(k + 1) % n]) for k, p in enumerate(paths)]
        ends.append(Outline(points, np.array(bulges), ruled.lower.faces, True))
    return [Ruled(low_mm, high_mm, ends[0], ends[1])]


@dataclass(frozen=True, eq=False)
class _Path:
    """The line through ``at`` along ``way``, or the circle about it whose ``radius_mm`` is over nought."""

    at: Array
    way: Array
    radius_mm: float = 0.0
    sense: float = 0.0

    def bulge(self, a: Array, b: Array) -> float:
        """Of the piece from a to b on it."""
        if not self.radius_mm:
            return 0.0
        u, v = a - self.at, b - self.at
        turn = np.arctan2(u[0] * v[1] - u[1] * v[0], u @ v) * self.sense % (2 * np.pi)
        return float(self.sense * np.tan(turn / 4))


def _carried(ruled: Ruled, k: int, height_mm: float) -> _Path:
    """The line or circle of a piece at a height: their points, centres and radii move in straight lines."""
    a, b = ruled.lower, ruled.upper
    t = (height_mm - ruled.low_mm) / (ruled.high_mm - ruled.low_mm)
    if a.bulges[k]:
        centre = a.centres[k] + t * (b.centres[k] - a.centres[k])
        radius = float(a.radii[k] + t * (b.radii[k] - a.radii[k]))
        return _Path(centre, centre, max(radius, 0.0), float(np.sign(a.bulges[k])))
    start, end = ruled.sample(height_mm, (0.0, 1.0))[k]
    return _Path(start, (end - start) / np.linalg.norm(end - start))


def _meeting(p: _Path, q: _Path, near: Array) -> Array | None:
    """Where two paths meet nearest a point; None where they do not."""
    if p.radius_mm and q.radius_mm:
        way, gap = q.at - p.at, float(np.linalg.norm(q.at - p.at))
        if gap == 0:
            return None
        along = (p.radius_mm**2 - q.radius_mm**2 + gap**2) / (2 * gap)
        foot, u, square = p.at + along * way / gap, way / gap, p.radius_mm**2 - along**2
        u = np.array([-u[1], u[0]])
    elif p.radius_mm or q.radius_mm:
        circle, line = (p, q) if p.radius_mm else (q, p)
        foot = line.at + ((circle.at - line.at) @ line.way) * line.way
        u, square = line.way, circle.radius_mm**2 - float(np.sum((foot - circle.at) ** 2))
    else:
        cross = float(p.way[0] * q.way[1] - p.way[1] * q.way[0])
        if abs(cross) < 1e-9:
            return None
        away = q.at - p.at
        return np.asarray(p.at + (away[0] * q.way[1] - away[1] * q.way[0]) / cross * p.way)
    if square < 0:
        return None
    half = np.sqrt(square) * u
    return np.asarray(min(foot + half, foot - half, key=lambda m: float(np.sum((m - near) ** 2))))


def parted(ruled: Ruled, uneven: NDArray[np.bool_], known: NDArray[np.bool_]) -> list[Ruled]:
    """Rings of the pieces between two uneven corners (n,) each, closed through the air: [] where none can be.

    A circle's pieces become all of it, others are closed by a straight line.
    """
    corners = np.flatnonzero(uneven)
    if not ruled.closed or ruled.straight or len(corners) < 2:
        return []
    found = []
    for a, b in zip(corners, np.roll(corners, -1), strict=True):
        own = [(int(a) + k) % len(known) for k in range(int(b - a) % len(known) or len(known))]
        if known[own].all():
            continue
        both = (ruled.lower, ruled.upper)
        if all(o.bulges[k] and _one_circle(o, own[0], k) for o in both for k in own):
            found.append(_told(ruled, _circles(both, own[0])))
        elif len(own) == 1:
            return []
        else:
            found.append(_told(ruled, [_closed(o, own) for o in both]))
    return _without_twins(found)


def _without_twins(found: Sequence[Ruled]) -> list[Ruled]:
    kept: list[Ruled] = []
    for r in found:
        points = r.lower.sample((0.0, 0.3, 0.7)).reshape(-1, 2)
        if not any(k.lower.distances(points).max() < _SAME_MM for k in kept):
            kept.append(r)
    return kept


def _told(ruled: Ruled, outlines: Sequence[Outline]) -> Ruled:
    return Ruled(ruled.low_mm, ruled.high_mm, outlines[0], outlines[-1])


def _goes_on(o: Outline, k: int, j: int) -> bool:
    """Whether piece j lies farther along the line or the circle of piece k."""
    if o.bulges[k] and o.bulges[j]:
        return _one_circle(o, k, j)
    if o.bulges[k] or o.bulges[j] or k == j:
        return False
    u = (o.ends[k] - o.starts[k]) / np.linalg.norm(o.ends[k] - o.starts[k])
    ahead = np.array([o.starts[j], o.ends[j]]) - o.ends[k]
    aside = np.abs(ahead @ np.array([-u[1], u[0]])).max()
    return bool(aside < _SAME_MM and (ahead @ u).min() > 0)


def _one_circle(o: Outline, k: int, j: int) -> bool:
    same = np.linalg.norm(o.centres[k] - o.centres[j]) < _SAME_MM and abs(o.radii[k] - o.radii[j]) < _SAME_MM
    return bool(same and o.bulges[k] * o.bulges[j] > 0)


def _circles(outlines: Sequence[Outline], k: int) -> list[Outline]:
    """All of a piece's circle in every outline, begun on the same ruling."""
    first = outlines[0]
    way = (first.place(k)[0] - first.centres[k]) / first.radii[k]
    bulges = np.full(2, np.sign(first.bulges[k]))
    return [
        Outline(np.array([c + r * way, c - r * way]), bulges, (first.faces[k],) * 2, True)
        for c, r in ((o.centres[k], o.radii[k]) for o in outlines)
    ]


def _joined(o: Outline, kept: Sequence[int], joins: Sequence[bool], matched: Sequence[Outline]) -> Outline:
    """Pieces that stay, each carried on over what it bridges; where it bridges nothing that stays too."""
    n, first = len(o.bulges), joins.index(False) + 1
    found: list[tuple[Array, float, int]] = []
    start: int | None = None
    for place in range(first, first + len(kept)):
        k, following = kept[place % len(kept)], kept[(place + 1) % len(kept)]
        start = k if start is None else start
        if joins[place % len(kept)]:
            continue
        halves = 2 if any(abs(_turn(a, start, k)) > np.pi + 1e-9 for a in matched) else 1
        found += [(point, bulge, o.faces[start]) for point, bulge in _arcs(o, start, k, halves)]
        between = ((k + d) % n for d in range(1, (following - k) % n))
        found += [(o.starts[m], float(o.bulges[m]), o.faces[m]) for m in between]
        start = None
    points, bulges, faces = zip(*found, strict=True)
    return Outline(np.array(points), np.array(bulges), tuple(faces), True)


def _turn(o: Outline, k: int, j: int) -> float:
    """The signed angle from the start of an arc to the end of another on its circle."""
    if k == j or not o.bulges[k]:
        return float(o.angles[k])
    a, b = o.starts[k] - o.centres[k], o.ends[j] - o.centres[k]
    sign = np.sign(o.bulges[k])
    turn = np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b) * sign % (2 * np.pi)
    return float(sign * turn)


def _arcs(o: Outline, k: int, j: int, halves: int) -> list[tuple[Array, float]]:
    """(start, bulge) of the arcs from the start of piece k to the end of piece j, or of one line."""
    if not o.bulges[k]:
        return [(o.starts[k], 0.0)]
    turn = _turn(o, k, j) / halves
    arm, centre = o.starts[k] - o.centres[k], o.centres[k]
    found = []
    for h in range(halves):
        c, s = np.cos(h * turn), np.sin(h * turn)
        at = centre + np.array([c * arm[0] - s * arm[1], s * arm[0] + c * arm[1]])
        found.append((at, float(np.tan(turn / 4))))
    return found


def _closed(o: Outline, own: Sequence[int]) -> Outline:
    """Pieces that follow each other, and the straight line from their end to their start."""
    points = [*(o.starts[k] for k in own), o.ends[own[-1]]]
    bulges = [*(float(o.bulges[k]) for k in own), 0.0]
    faces = (*(o.faces[k] for k in own), NO_WALL)
    return Outline(np.array(points), np.array(bulges), faces, True)

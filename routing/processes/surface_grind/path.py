"""The path of a wheel's edge across its traverse: what it clears of a run, and which wheel gets through."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from featurize import tolerances as tol
from featurize.brep.planar_path import Segment, is_foot, opened, polygon_of, rolled
from featurize.brep.surfaces import Array
from routing.processes.surface_grind.runs import Fillet, WheelRun, step
from routing.processes.surface_grind.view import UPRIGHT_SINE, Trace
from routing.processes.tools import Wheel

# A wheel is dressed to a hundredth, so that a thousandth does not decide whether it fits.
_FIT_MM = 1e-3


@dataclass(frozen=True, eq=False)
class Profile:
    """What a wheel clears in one run: closed paths against the clock, true arcs where they fit."""

    paths: tuple[tuple[Segment, ...], ...]
    wheel_corner_mm: float
    exact: bool  # arcs kept


def bottom_of(run: WheelRun, *, overrun_mm: float, over: Array, top: float) -> list[Segment]:
    """The run's bottom as an open path from wall top to wall top, moved into the air by the allowances.

    ``over`` (2,) are the places across that are beyond the blank, ``top`` a level above it. Where air goes
    on past the end of a run the wheel follows it, by ``overrun_mm`` or out of the blank.
    """
    pieces: list[Segment] = []
    for k, s in enumerate(run.stretches):
        if k and (drop := step(run.stretches[k - 1], s)):
            pieces.append(_upright(s.low + drop * run.walls_mm[k], up=drop < 0))
        pieces.append(_moved(s.trace, s.left_mm))
    ends = []
    for s, free, back in ((run.stretches[0], run.free[0], True), (run.stretches[-1], run.free[1], False)):
        at, sign = (s.low, 1.0) if back else (s.high, -1.0)
        if np.isinf(free) and s.trace.circle is not None:
            ends.append(float(over[0] if back else over[1]))
            end = pieces[0].start if back else pieces[-1].end
            out = np.array([ends[-1], end[1]])
            pieces.insert(0, Segment(out, end)) if back else pieces.append(Segment(end, out))
        elif np.isinf(free):
            ends.append(
                _out_of_blank(pieces[0] if back else pieces[-1], float(over[0] if back else over[1]), top)
            )
        elif free > tol.LENGTH_MM:
            ends.append(at - sign * min(free, overrun_mm) * abs(float(s.outward(back)[0])))
        elif s.trace.circle is not None:
            ends.append(float((pieces[0].start if back else pieces[-1].end)[0]))
        else:
            ends.append(at + sign * run.walls_mm[0 if back else -1])
    chain = [_upright(ends[0], up=False), *pieces, _upright(ends[1], up=True)]
    joints = [_meet(a, b) for a, b in zip(chain[:-1], chain[1:], strict=True)]
    path = []
    for k, piece in enumerate(chain):
        start = joints[k - 1][1] if k else np.array([ends[0], top])
        end = joints[k][0] if k < len(joints) else np.array([ends[1], top])
        path.append(Segment(start, end, piece.mid))
        if k < len(joints) and float(np.linalg.norm(joints[k][1] - joints[k][0])) > tol.LENGTH_MM / 10:
            path.append(Segment(joints[k][0], joints[k][1]))
    path = [s for s in path if s.length_mm > tol.LENGTH_MM / 100]
    return _mirrored(_plumb(_mirrored(_plumb(path))))


def _moved(trace: Trace, into_air_mm: float) -> Segment:
    if trace.circle is None:
        shift = into_air_mm * trace.normal
        return Segment(trace.low + shift, trace.high + shift)
    centre, radius, hollow = trace.circle
    grown = (radius - into_air_mm if hollow else radius + into_air_mm) / radius
    a, m, b = (centre + grown * (p - centre) for p in trace.points(3))
    return Segment(a, b, m)


def _plumb(path: list[Segment]) -> list[Segment]:
    """A path without ledges that go back on its way down: the wheel comes from above and stays beside them.

    They come from an upper wall that keeps more than its ledge is wide.
    """
    k = 1
    while k < len(path) - 1:
        before, ledge, after = path[k - 1 : k + 2]
        goes_back = float(ledge.end[0]) < float(ledge.start[0]) - tol.LENGTH_MM / 100
        if not (goes_back and before.end[1] < before.start[1] and after.end[1] < after.start[1]):
            k += 1
            continue
        x = float(ledge.start[0])
        j = next((j for j in range(k + 1, len(path)) if path[j].end[0] > x), None)
        if j is None:
            return path
        line = path[j].points()
        met = np.array([x, np.interp(x, line[:, 0], line[:, 1])])
        rest = line[line[:, 0] > x]
        middle = None if path[j].mid is None else rest[len(rest) // 2]
        path = [
            *path[: k - 1],
            Segment(before.start, met),
            Segment(met, path[j].end, middle),
            *path[j + 1 :],
        ]
    return path


def _mirrored(path: list[Segment]) -> list[Segment]:
    """A path seen from the other end, still from low to high across."""
    over = np.array([-1.0, 1.0])
    return [
        Segment(over * s.end, over * s.start, None if s.mid is None else over * s.mid) for s in reversed(path)
    ]


def _upright(across: float, *, up: bool) -> Segment:
    ends = np.array([across, 0.0]), np.array([across, 1.0])
    return Segment(*ends) if up else Segment(*ends[::-1])


def _out_of_blank(piece: Segment, over: float, top: float) -> float:
    """Where a straight piece, followed on, leaves the blank: at its side or at its top."""
    d = piece.end - piece.start
    if abs(float(d[0])) < tol.LENGTH_MM / 100:
        return over
    slope = float(d[1] / d[0])
    if float(piece.start[1]) + slope * (over - float(piece.start[0])) <= top:
        return over
    return float(piece.start[0]) + (top - float(piece.start[1])) / slope


def _meet(a: Segment, b: Segment) -> tuple[Array, Array]:
    """Where a piece ends and the next begins: one point for lines that cross, else their own ends."""
    if a.mid is None and b.mid is None:
        u, v = (a.end - a.start) / a.length_mm, (b.end - b.start) / b.length_mm
        if abs(float(u[0] * v[1] - u[1] * v[0])) > UPRIGHT_SINE:
            p = a.start + float(np.linalg.solve(np.column_stack([u, -v]), b.start - a.start)[0]) * u
            return p, p
    if a.mid is None:
        # An arc's neighbour comes to the arc's own end, square where it is a boundary.
        return (b.start, b.start) if a.start[0] == a.end[0] else (a.end, b.start)
    return (a.end, a.end) if b.mid is None and b.start[0] == b.end[0] else (a.end, b.start)


def cleared(
    bottom: list[Segment],
    over: Array,
    fillets: Sequence[Fillet],
    corner_mm: float,
    allowance_mm: float = 0.0,
) -> Profile:
    """The region over a bottom, opened by a wheel's corner radius or a larger modelled foot.

    ``over`` is that of ``bottom_of``: corners out there leave nothing. ``allowance_mm`` is how far the
    bottom's corners may have moved from the model's.
    """
    slack = allowance_mm + tol.SURFACE_MM
    modelled = [
        max((f.radius_mm for f in fillets if f.low - slack < s.end[0] < f.high + slack), default=0.0)
        for s in bottom[:-1]
    ]
    lid = Segment(bottom[-1].end, bottom[0].start)
    # A wheel dressed to an arc is dressed to the flat beside it too.
    corners = [
        0.0 if _formed(a, b) or _is_out(a, over) else max(corner_mm, r)
        for a, b, r in zip(bottom, bottom[1:], modelled, strict=False)
    ]
    path = rolled(bottom, corners)
    if path is not None:
        return Profile(((*path, lid),), corner_mm, True)
    drawn = rolled(bottom, modelled)
    radius = corner_mm if drawn is not None else max(corner_mm, *modelled)
    region = polygon_of([*(drawn or bottom), lid])
    return Profile(tuple(tuple(p) for p in opened(region, radius)), corner_mm, False)


def _formed(a: Segment, b: Segment) -> bool:
    flat = b if a.mid is not None else a
    return (a.mid is None) != (b.mid is None) and abs(float(flat.end[0] - flat.start[0])) > tol.LENGTH_MM


def _is_out(piece: Segment, over: Array) -> bool:
    """Whether a piece of a bottom ends beside the blank, where the wheel is in the air."""
    return not over[0] + tol.LENGTH_MM < float(piece.end[0]) < over[1] - tol.LENGTH_MM


def feet(bottom: Sequence[Segment], over: Array) -> int:
    """How many inward corners a bottom has within the blank."""
    return sum(is_foot(a, b) and not _is_out(a, over) for a, b in zip(bottom[:-1], bottom[1:], strict=True))


@dataclass(frozen=True)
class Channel:
    """Pieces ``first`` (down) to ``last`` (up) of a bottom; ``width_mm`` is inf where it opens out."""

    first: int
    last: int
    width_mm: float
    floor: float


def channels(bottom: Sequence[Segment], over: Array) -> list[Channel]:
    """The lanes a wheel has to pass; ``over`` (2,) are the places across beyond the blank.

    Leaning sides are measured at the lower of their two rims, because a wheel is dressed to them.
    """
    rises = [int(np.sign(round(float(s.end[1] - s.start[1]), 6))) for s in bottom]
    found = []
    for i in (k for k in range(len(bottom) - 1) if rises[k] < 0 <= rises[k + 1]):
        m = next((k for k in range(i + 1, len(bottom)) if rises[k]), None)
        if m is None or rises[m] < 0:
            continue
        floor = min(float(s.points()[:, 1].min()) for s in bottom[i : m + 1])
        if bottom[i].start[0] <= over[0] + tol.LENGTH_MM or bottom[m].end[0] >= over[1] - tol.LENGTH_MM:
            width = float("inf")
        else:
            level = min(float(bottom[i].start[1]), float(bottom[m].end[1]))
            width = _across_at(bottom[m], level) - _across_at(bottom[i], level)
        found.append(Channel(i, m, width, floor))
    return found


def filled(bottom: Sequence[Segment], channel: Channel) -> list[Segment]:
    """A bottom with one lane left full up to the lower of its rims: the wheel passes over it."""
    down, up = bottom[channel.first], bottom[channel.last]
    a, b = down.start, up.end
    higher = down if a[1] > b[1] else up
    if higher.mid is not None:  # an arc is left whole
        corner = np.array([b[0], a[1]]) if a[1] > b[1] else np.array([a[0], b[1]])
        middle = [Segment(a, corner), Segment(corner, b)]
    elif higher is down:
        rim = np.array([_across_at(down, float(b[1])), b[1]])
        middle = [Segment(a, rim), Segment(rim, b)]
    else:
        rim = np.array([_across_at(up, float(a[1])), a[1]])
        middle = [Segment(a, rim), Segment(rim, b)]
    path = [*bottom[: channel.first], *middle, *bottom[channel.last + 1 :]]
    return [s for s in path if s.length_mm > tol.LENGTH_MM / 100]


def _across_at(piece: Segment, level: float) -> float:
    points = piece.points()
    order = np.argsort(points[:, 1], kind="stable")
    return float(np.interp(level, points[order, 1], points[order, 0]))


def wheel_for(channel: Channel, top: float, wheels: Sequence[Wheel]) -> Wheel | None:
    """The widest of the wheels with the finest corner that pass a lane under a part's ``top``."""
    passing = [w for w in wheels if fits(w, channel.width_mm, top - channel.floor)]
    return min(passing, key=lambda w: (w.corner_radius_mm, -w.width_mm), default=None)


def fits(wheel: Wheel, width_mm: float, depth_mm: float) -> bool:
    return wheel.width_mm <= width_mm + _FIT_MM and depth_mm <= wheel.depth_mm + _FIT_MM


def lowest(path: Sequence[Segment], at: Array) -> Array:
    """The lowest level of a closed path at places across (n,), in order; inf beside it."""
    points = [s.points() for s in path]
    p, q = np.vstack([line[:-1] for line in points]), np.vstack([line[1:] for line in points])
    back = (p[:, 0] > q[:, 0])[:, None]
    p, q = np.where(back, q, p), np.where(back, p, q)
    first, last = np.searchsorted(at, p[:, 0]), np.searchsorted(at, q[:, 0])
    piece = np.repeat(np.arange(len(p)), last - first)
    place = np.arange(len(piece)) - np.repeat(np.cumsum(last - first) - last, last - first)
    rise = (q[:, 1] - p[:, 1]) / np.where(q[:, 0] > p[:, 0], q[:, 0] - p[:, 0], 1.0)
    found = np.full(len(at), np.inf)
    np.minimum.at(found, place, p[piece, 1] + (at[place] - p[piece, 0]) * rise[piece])
    return found

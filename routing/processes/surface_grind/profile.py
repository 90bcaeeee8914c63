"""Faces of a part as a grinding wheel sees them: end-on, along its traverse.

A view has ``along`` = traverse, ``up`` = the side the wheel comes from, ``across`` = cross-feed. A face
parallel to the traverse is a line or an arc there; the wheel can make it where nothing of the part
stands above it anywhere along the traverse.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from shapely.ops import substring

from featurize import tolerances as tol
from featurize.brep.part import Convexity, Part
from featurize.brep.planar_path import Segment, is_foot, opened, polygon_of, rolled
from featurize.brep.shadow import View, below, cast, covers, envelope
from featurize.brep.surfaces import Array, Cylinder, Plane
from featurize.brep.surfaces_at import parallel, square
from routing.processes.surface_grind.envelope_faces import uppermost

# Free air is looked for this far in front of a face: twice what the mesh may stand off a hollow.
_LOOK_MM = 2 * tol.MESH_DEFLECTION_MM
_UPRIGHT_SINE = float(np.sin(np.radians(tol.PARALLEL_DEG)))


@dataclass(frozen=True)
class Allowance:
    """What stays on, square to a face: on floors (nearer the cross-feed than 45 deg) and on other faces."""

    floor_mm: float = 0.0
    wall_mm: float = 0.0

    def __post_init__(self) -> None:
        if not (self.floor_mm >= 0 and self.wall_mm >= 0):
            raise ValueError("an allowance is stock left on: it cannot be negative")

    def on(self, trace: Trace) -> float:
        return self.floor_mm if trace.is_floor else self.wall_mm


NOTHING_LEFT = Allowance()


@dataclass(frozen=True, eq=False)
class Trace:
    """A face seen end-on. ``low`` and ``high`` are its ends (2,), from low to high across.

    ``normal`` (2,) points out of the material, of an arc at its middle; ``circle`` is
    (centre, radius, hollow) of a round face.
    """

    face: int
    low: Array
    high: Array
    normal: Array
    circle: tuple[Array, float, bool] | None = None

    @property
    def upright(self) -> bool:
        """Whether it is a wall square to the wheel's axis side, without extent across."""
        return self.circle is None and abs(float(self.normal[1])) < _UPRIGHT_SINE

    @property
    def looks_away(self) -> bool:
        """Whether the wheel's side cannot see it at all."""
        return float(self.normal[1]) < -_UPRIGHT_SINE

    @property
    def is_floor(self) -> bool:
        """Whether it takes a floor's allowance: it, or its middle, lies nearer the cross-feed than 45 deg."""
        return self.slope_deg < 45.0 - tol.PARALLEL_DEG

    @property
    def slope_deg(self) -> float:
        """Angle to the cross-feed, 0 to 90; of a round face at its middle."""
        return float(np.degrees(np.arctan2(abs(self.normal[0]), abs(self.normal[1]))))

    def points(self, count: int = 25) -> Array:
        """Points along it (k, 2)."""
        if self.circle is None:
            return np.array([self.low, self.high])
        centre, radius, _ = self.circle
        angles = _turned(self, count)
        return centre + radius * np.column_stack([np.cos(angles), np.sin(angles)])

    def height(self, across: float) -> float:
        """Level at a place across; of a wall its foot."""
        if self.upright:
            return float(self.low[1])
        if self.circle is None:
            return float(self.low[1] - (across - self.low[0]) * self.normal[0] / self.normal[1])
        line = self.points()
        return float(np.interp(across, line[:, 0], line[:, 1]))

    def segment(self, allowance_mm: float) -> Segment:
        """The trace moved into the air."""
        if self.circle is None:
            shift = allowance_mm * self.normal
            return Segment(self.low + shift, self.high + shift)
        centre, radius, hollow = self.circle
        grown = (radius - allowance_mm if hollow else radius + allowance_mm) / radius
        a, m, b = (centre + grown * (p - centre) for p in self.points(3))
        return Segment(a, b, m)


def _turned(trace: Trace, count: int) -> Array:
    assert trace.circle is not None
    centre, _, hollow = trace.circle
    middle = -trace.normal if hollow else trace.normal
    base = float(np.arctan2(middle[1], middle[0]))
    ends = [
        (float(np.arctan2(p[1] - centre[1], p[0] - centre[0])) - base + np.pi) % (2 * np.pi) - np.pi
        for p in (trace.low, trace.high)
    ]
    return base + np.linspace(ends[0], ends[1], count)


@dataclass(eq=False)
class Sight:
    """A part seen along one traverse from one side; made once for each part and view."""

    part: Part
    view: View

    @cached_property
    def line(self) -> Array:
        """The upper envelope of the part (k, 2)."""
        mesh = self.part.mesh
        cover = np.array([covers(f.surface, self.view) for f in self.part.faces])[mesh.face_ids]
        top = uppermost(self.flat[mesh.triangles[cover]], mesh.face_ids[cover])
        return envelope(cast(self.part, self.view, top))

    @cached_property
    def flat(self) -> Array:
        """The mesh's corners in the view (n, 2)."""
        return self.view.flat(self.part.mesh.vertices)

    @cached_property
    def _size_mm(self) -> float:
        """More than the part measures across."""
        return float(np.ptp(self.flat[:, 0]) + np.ptp(self.flat[:, 1])) + 1.0

    @cached_property
    def solid(self) -> Any:
        """Everything under the envelope."""
        region = below(self.line, float(self.flat[:, 1].min()) - 1.0)
        shapely.prepare(region)
        return region

    @cached_property
    def top(self) -> float:
        """Highest level of the part."""
        return float(self.flat[:, 1].max())

    def trace(self, face: int) -> Trace | None:
        """A face seen end-on, None if it is not parallel to the traverse."""
        surface = self.part.faces[face].surface
        corners = self.flat[self.part.mesh.corners([face])]
        if len(corners) == 0:
            return None
        turn = np.array([self.view.across, self.view.up])
        if isinstance(surface, Plane) and square(surface.normal, self.view.along):
            normal = turn @ surface.normal
            normal = normal / np.linalg.norm(normal)
            run = np.array([normal[1], -normal[0]])
            level = float(self.view.flat(surface.origin) @ normal)
            places = corners @ run
            a, b = (level * normal + s * run for s in (float(places.min()), float(places.max())))
            return Trace(face, *_sorted(a, b), normal)
        if isinstance(surface, Cylinder) and parallel(surface.axis, self.view.along):
            centre = self.view.flat(surface.origin)
            sense = -1.0 if surface.hollow else 1.0
            mean = sense * (turn @ self.part.faces[face].normals.mean(axis=0))
            base = float(np.arctan2(mean[1], mean[0]))
            away = corners - centre
            angles = (np.arctan2(away[:, 1], away[:, 0]) - base + np.pi) % (2 * np.pi) - np.pi
            middle = base + (float(angles.min()) + float(angles.max())) / 2
            a, b = (
                centre + surface.radius_mm * np.array([np.cos(base + s), np.sin(base + s)])
                for s in (float(angles.min()), float(angles.max()))
            )
            out = sense * np.array([np.cos(middle), np.sin(middle)])
            return Trace(face, *_sorted(a, b), out, (centre, surface.radius_mm, surface.hollow))
        return None

    def covered(self, trace: Trace) -> tuple[Array, Array] | None:
        """Ends of the longest stretch of a trace that the part stands in front of, None if it is free."""
        line = trace.points()
        along = np.gradient(line, axis=0)
        along /= np.linalg.norm(along, axis=1, keepdims=True)
        outward = np.column_stack([-along[:, 1], along[:, 0]])
        if float(np.sum(outward[len(line) // 2] * trace.normal)) < 0:
            outward = -outward
        front = shapely.linestrings(line + _LOOK_MM * outward)
        trim = min(3 * _LOOK_MM, front.length / 3)  # a neighbour in an inward corner is not in the way
        front = substring(front, trim, front.length - trim)
        hidden = [g for g in shapely.get_parts(front.intersection(self.solid)) if g.length > _LOOK_MM]
        if not hidden:
            return None
        coords = np.asarray(max(hidden, key=lambda g: g.length).coords)
        return _sorted(coords[0], coords[-1])

    def obstacle(self, trace: Trace, stretch: tuple[Array, Array], own: Iterable[int]) -> tuple[int, float]:
        """The highest foreign face over a stretch, and how far it stands above the trace; (-1, 0) if none."""
        mesh = self.part.mesh
        corners = self.flat[mesh.triangles]
        middle = float(stretch[0][0] + stretch[1][0]) / 2
        low, high = min(stretch[0][0] + _LOOK_MM, middle), max(stretch[1][0] - _LOOK_MM, middle)
        over = (corners[:, :, 0].min(axis=1) <= high) & (corners[:, :, 0].max(axis=1) >= low)
        over &= ~np.isin(mesh.face_ids, list(own))
        if not over.any():
            return -1, 0.0
        tops = np.where(over, corners[:, :, 1].max(axis=1), -np.inf)
        # Of the faces that reach this high name the one across the traverse: the wheel would meet it.
        best = np.unique(mesh.face_ids[tops >= tops.max() - tol.LENGTH_MM])
        facing = [round(float(np.abs(self.part.faces[f].normals @ self.view.along).max()), 3) for f in best]
        return int(best[int(np.argmax(facing))]), float(tops.max()) - trace.height(middle)

    def free_beyond(self, at: Array, direction: Array) -> float:
        """How far air reaches from a point of the envelope in a direction (2,); inf when for ever."""
        away = np.array([-direction[1], direction[0]])
        away = away if away[1] > 0 else -away
        start = at + 2 * tol.LENGTH_MM * away + tol.LENGTH_MM * direction
        hit = shapely.linestrings([start, start + self._size_mm * direction]).intersection(self.solid)
        if hit.is_empty or shapely.length(hit) < tol.LENGTH_MM:
            return float("inf")
        return max(0.0, float(shapely.distance(shapely.points(start), hit)))


def sight(part: Part, traverse: Array, side: Array) -> Sight:
    """The part seen along a traverse with the wheel on a side (unit directions, model coordinates)."""
    view = View.toward(part.frame.origin, traverse, side)
    key = tuple(np.round(np.concatenate([view.origin, view.along, view.up]), 9))
    # Kept on the part itself: a store elsewhere would keep the part alive.
    kept: dict[tuple[float, ...], Sight] = vars(part).setdefault("_sights", {})
    if key not in kept:
        kept[key] = Sight(part, view)
    return kept[key]


def _sorted(a: Array, b: Array) -> tuple[Array, Array]:
    """Two points from low to high across; of an upright pair the lower first."""
    return (a, b) if (round(float(a[0]), 9), float(a[1])) <= (round(float(b[0]), 9), float(b[1])) else (b, a)


@dataclass(frozen=True, eq=False)
class Stretch:
    """Part of a trace that makes one piece of a run's bottom, and what stays on it."""

    trace: Trace
    low: float
    high: float
    left: Allowance = NOTHING_LEFT


@dataclass(frozen=True)
class Fillet:
    """A modelled radius in a foot, from ``low`` to ``high`` across."""

    low: float
    high: float
    radius_mm: float


@dataclass(frozen=True, eq=False)
class Run:
    """Neighbouring traces that wheels clear together; ``free`` tells how far air goes on at each end."""

    stretches: tuple[Stretch, ...]
    free: tuple[float, float]
    fillets: tuple[Fillet, ...]

    @property
    def faces(self) -> set[int]:
        return {s.trace.face for s in self.stretches}


def runs(
    sight_: Sight,
    traces: Sequence[Trace],
    left: Mapping[int, Allowance] | None = None,
    beside_mm: Mapping[int, float] | None = None,
) -> list[Run]:
    """The bottoms that some free traces make, from low to high across.

    ``left`` has the allowance of each face that keeps one. A wall that stands on none of the traces is made
    by the wheel's side: ``beside_mm`` has how wide the lane beside it may be, by face.
    """
    left = left or {}
    bottoms = [t for t in traces if not t.upright and not t.looks_away]
    stops = np.unique([round(float(p[0]), 7) for t in bottoms for p in (t.low, t.high)])
    chain: list[list[Stretch]] = []
    for a, b in zip(stops[:-1], stops[1:], strict=True):
        if b - a < tol.LENGTH_MM / 10:
            continue
        middle = (a + b) / 2
        over = [t for t in bottoms if t.low[0] < middle < t.high[0]]
        if not over:
            continue
        keeps = {t.face: left.get(t.face, NOTHING_LEFT) for t in over}
        # Of level faces, one behind the other along the traverse, the one that keeps most.
        top = max(over, key=lambda t: (round(t.height(middle), 5), keeps[t.face].on(t), -t.face))
        keep = keeps[top.face]
        last = chain[-1][-1] if chain else None
        if last is not None and a - last.high < tol.LENGTH_MM:
            if _same_line(last.trace, top) and last.left == keep:
                chain[-1][-1] = replace(last, high=b)
            else:
                chain[-1].append(Stretch(top, a, b, keep))
        else:
            chain.append([Stretch(top, a, b, keep)])
    for wall in (t for t in traces if t.upright and t.face in (beside_mm or {})):
        if any(_stands_on(wall, c) for c in chain):
            continue
        lane = _lane(sight_, wall, (beside_mm or {})[wall.face], left.get(wall.face, NOTHING_LEFT))
        if lane is not None:
            chain.append([lane])
    return [_run(sight_, c) for c in sorted(chain, key=lambda c: c[0].low)]


def _stands_on(wall: Trace, chain: Sequence[Stretch]) -> bool:
    at = float(wall.low[0] + 2 * tol.LENGTH_MM * np.sign(wall.normal[0]))
    return chain[0].low < at < chain[-1].high


def _lane(sight_: Sight, wall: Trace, widest_mm: float, left: Allowance) -> Stretch | None:
    """The floor a wall stands on, anybody's, else its foot's level; out to what stands across from it."""
    foot, out = wall.low, float(np.sign(wall.normal[0]))
    floor = Trace(wall.face, foot, foot, np.array([0.0, 1.0]))
    for f in sorted(sight_.part.across(wall.face, Convexity.CONCAVE)):
        t = sight_.trace(f)
        if t is not None and t.circle is None and not t.upright and not t.looks_away:
            floor = replace(t, face=wall.face)
    way = out * np.array([floor.normal[1], -floor.normal[0]])
    free = sight_.free_beyond(foot, way) * float(abs(way[0]))
    end = float(foot[0]) + out * min(free, widest_mm)
    low, high = sorted((float(foot[0]), float(np.clip(end, *_extent(sight_)))))
    if high - low < tol.LENGTH_MM:
        return None
    ends = [np.array([x, floor.height(x)]) for x in (low, high)]
    return Stretch(replace(floor, low=ends[0], high=ends[1]), low, high, left)


def _extent(sight_: Sight) -> tuple[float, float]:
    return float(sight_.flat[:, 0].min()), float(sight_.flat[:, 0].max())


def _same_line(a: Trace, b: Trace) -> bool:
    if a is b:
        return True
    if a.circle is not None or b.circle is not None:
        return False
    apart = (b.low - a.low) @ a.normal, (b.high - a.low) @ a.normal
    return float(a.normal @ b.normal) > 0.999999 and max(abs(float(d)) for d in apart) < tol.LENGTH_MM


def _run(sight_: Sight, stretches: list[Stretch]) -> Run:
    fillets: list[Fillet] = []
    spread: dict[int, tuple[float, float]] = {}
    for k, s in enumerate(stretches):
        beside = _smooth_neighbours(stretches, k)
        if not beside:
            continue
        # A foot fillet is a dressed wheel corner, not a piece of its own: beside a wall the flat takes its
        # place, between two flats they meet in it.
        assert s.trace.circle is not None
        fillets.append(Fillet(s.low, s.high, s.trace.circle[1]))
        spread[k] = (s.low, s.high)
        if len(beside) == 1:
            flat = stretches[beside[0]]
            stretches[beside[0]] = replace(flat, low=min(flat.low, s.low), high=max(flat.high, s.high))
    kept = [s for k, s in enumerate(stretches) if k not in spread]
    ends = []
    for s, back in ((kept[0], True), (kept[-1], False)):
        filleted = (0 if back else len(stretches) - 1) in spread
        if filleted:
            ends.append(0.0)
            continue
        across = s.low if back else s.high
        at = np.array([across, s.trace.height(across)])
        level = np.array([-1.0 if back else 1.0, 0.0])
        free = sight_.free_beyond(at, level if s.trace.circle is not None else _outward(s.trace, back))
        # Round ends are followed only out of the blank: what lies nearer is another feature's.
        ends.append(free if s.trace.circle is None or np.isinf(free) else 0.0)
    return Run(tuple(kept), (ends[0], ends[1]), tuple(fillets))


def _outward(trace: Trace, back: bool) -> Array:
    d = (trace.high - trace.low) / np.linalg.norm(trace.high - trace.low)
    return -d if back else d


def _smooth_neighbours(stretches: Sequence[Stretch], k: int) -> list[int]:
    """The flat pieces between which, or between which and a wall, a round one is a foot fillet; else none."""
    s = stretches[k]
    if s.trace.circle is None or not s.trace.circle[2]:
        return []
    centre, radius, _ = s.trace.circle
    if abs(float(np.diff(_turned(s.trace, 2))[0])) > np.pi / 2 + _UPRIGHT_SINE:
        return []
    beside = [
        j
        for j in (k - 1, k + 1)
        if 0 <= j < len(stretches)
        and (t := stretches[j].trace).circle is None
        and abs(float((centre - t.low) @ t.normal) - radius) < tol.SURFACE_MM
    ]
    if len(beside) == 1:
        end = s.trace.low if beside[0] > k else s.trace.high
        if abs(float(end[1] - centre[1])) > radius * np.sin(np.radians(tol.TANGENT_DEG)):
            return []  # it ends before it stands upright: no wall goes on from it
    return beside


@dataclass(frozen=True, eq=False)
class Profile:
    """What a wheel clears in one run: closed paths against the clock, true arcs where they fit."""

    paths: tuple[tuple[Segment, ...], ...]
    wheel_corner_mm: float
    exact: bool  # arcs kept


def bottom_of(run: Run, *, overrun_mm: float, over: Array, top: float) -> list[Segment]:
    """The run's bottom as an open path from wall top to wall top, moved into the air by the allowances.

    ``over`` (2,) are the places across that are beyond the blank, ``top`` a level above it. Where air goes
    on past the end of a run the wheel follows it, by ``overrun_mm`` or out of the blank. A wall between two
    pieces keeps what the lower one's walls keep.
    """
    pieces: list[Segment] = []
    for k, s in enumerate(run.stretches):
        if k and (step := _step(run.stretches[k - 1], s)):
            wall_mm = (s if step > 0 else run.stretches[k - 1]).left.wall_mm
            pieces.append(_upright(s.low + step * wall_mm, up=step < 0))
        pieces.append(s.trace.segment(s.left.on(s.trace)))
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
            ends.append(at - sign * min(free, overrun_mm) * abs(float(_outward(s.trace, back)[0])))
        elif s.trace.circle is not None:
            ends.append(float((pieces[0].start if back else pieces[-1].end)[0]))
        else:
            ends.append(at + sign * s.left.wall_mm)
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


def _step(a: Stretch, b: Stretch) -> int:
    """1 when the bottom drops between neighbours, -1 when it rises, 0 when it goes on."""
    jump = b.trace.height(b.low) - a.trace.height(a.high)
    if b.low - a.high > tol.LENGTH_MM:  # a fillet between: they meet in it
        return 0
    return 0 if abs(jump) < tol.LENGTH_MM else (1 if jump < 0 else -1)


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
        if abs(float(u[0] * v[1] - u[1] * v[0])) > _UPRIGHT_SINE:
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
class Lane:
    """Pieces ``first`` (down) to ``last`` (up) of a bottom; ``width_mm`` is inf where it opens out."""

    first: int
    last: int
    width_mm: float
    floor: float


def lanes(bottom: Sequence[Segment], over: Array) -> list[Lane]:
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
        found.append(Lane(i, m, width, floor))
    return found


def filled(bottom: Sequence[Segment], lane: Lane) -> list[Segment]:
    """A bottom with one lane left full up to the lower of its rims: the wheel passes over it."""
    down, up = bottom[lane.first], bottom[lane.last]
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
    path = [*bottom[: lane.first], *middle, *bottom[lane.last + 1 :]]
    return [s for s in path if s.length_mm > tol.LENGTH_MM / 100]


def _across_at(piece: Segment, level: float) -> float:
    points = piece.points()
    order = np.argsort(points[:, 1], kind="stable")
    return float(np.interp(level, points[order, 1], points[order, 0]))

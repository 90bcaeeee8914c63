"""Runs: neighbouring faces, seen end-on, that a wheel clears together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Convexity
from featurize.brep.surfaces import Array
from routing.processes.protocol import Allowance
from routing.processes.surface_grind.view import UPRIGHT_SINE, Trace, TraverseView

NOTHING_LEFT = Allowance()


@dataclass(frozen=True, eq=False)
class Stretch:
    """Part of a trace that makes one piece of a run's bottom, and what stays on it."""

    trace: Trace
    low: float
    high: float
    left: Allowance = NOTHING_LEFT

    @property
    def left_mm(self) -> float:
        """What stays on it, square to it."""
        return _kept(self.left, self.trace)

    def outward(self, back: bool) -> Array:
        """Its direction (2,) past its low or high end."""
        d = (self.trace.high - self.trace.low) / np.linalg.norm(self.trace.high - self.trace.low)
        return -d if back else d


@dataclass(frozen=True)
class Fillet:
    """A modelled radius in a foot, from ``low`` to ``high`` across."""

    low: float
    high: float
    radius_mm: float


@dataclass(frozen=True, eq=False)
class WheelRun:
    """Neighbouring traces that wheels clear together; ``free`` tells how far air goes on at each end.

    ``walls_mm`` is what stays on a wall before the first stretch, between them and after the last.
    """

    stretches: tuple[Stretch, ...]
    free: tuple[float, float]
    fillets: tuple[Fillet, ...]
    walls_mm: tuple[float, ...]

    @property
    def faces(self) -> set[int]:
        return {s.trace.face for s in self.stretches}


def runs(
    sight_: TraverseView,
    traces: Sequence[Trace],
    left: Mapping[int, Allowance] | None = None,
    beside_mm: Mapping[int, float] | None = None,
    least_mm: float = 0.0,
) -> list[WheelRun]:
    """The bottoms that some free traces make, from low to high across.

    ``left`` has the allowance of each face that keeps one. A wall that stands on none of the traces is made
    by the wheel's side: ``beside_mm`` has how wide the lane beside it may be, by face. Ledges at the ends
    that are narrower than ``least_mm`` are left.
    """
    left = left or {}
    bottoms = [t for t in traces if t.is_bottom]
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
        top = max(over, key=lambda t: (round(t.height(middle), 5), _kept(keeps[t.face], t), -t.face))
        keep = keeps[top.face]
        last = chain[-1][-1] if chain else None
        if last is not None and a - last.high < tol.LENGTH_MM:
            if last.trace.in_line_with(top) and last.left == keep:
                chain[-1][-1] = replace(last, high=b)
            else:
                chain[-1].append(Stretch(top, a, b, keep))
        else:
            chain.append([Stretch(top, a, b, keep)])
    for c in chain:
        for end, beside in ((0, 1), (-1, -2)):
            while len(c) > 1 and c[end].high - c[end].low < least_mm and _is_over(c[end], c[beside]):
                c.pop(end)
    for wall in (t for t in traces if t.upright and t.face in (beside_mm or {})):
        if any(_stands_on(wall, c) for c in chain):
            continue
        channel = _channel(sight_, wall, (beside_mm or {})[wall.face], left.get(wall.face, NOTHING_LEFT))
        if channel is not None:
            chain.append([channel])
    walls = [(t, left[t.face].wall_mm) for t in traces if t.upright and t.face in left]
    return [_run(sight_, c, walls) for c in sorted(chain, key=lambda c: c[0].low)]


def step(a: Stretch, b: Stretch) -> int:
    """1 when the bottom drops between neighbours, -1 when it rises, 0 when it goes on."""
    jump = b.trace.height(b.low) - a.trace.height(a.high)
    if b.low - a.high > tol.LENGTH_MM:  # a fillet between: they meet in it
        return 0
    return 0 if abs(jump) < tol.LENGTH_MM else (1 if jump < 0 else -1)


def _is_over(ledge: Stretch, beside: Stretch) -> bool:
    middle = (ledge.low + ledge.high) / 2
    return ledge.trace.height(middle) > beside.trace.height(middle)


def _stands_on(wall: Trace, chain: Sequence[Stretch]) -> bool:
    at = float(wall.low[0] + 2 * tol.LENGTH_MM * np.sign(wall.normal[0]))
    return chain[0].low < at < chain[-1].high


def _channel(sight_: TraverseView, wall: Trace, widest_mm: float, left: Allowance) -> Stretch | None:
    """The floor a wall stands on, anybody's, else its foot's level; out to what stands across from it."""
    foot, out = wall.low, float(np.sign(wall.normal[0]))
    floor = Trace(wall.face, foot, foot, np.array([0.0, 1.0]))
    for f in sorted(sight_.part.across(wall.face, Convexity.CONCAVE)):
        t = sight_.trace(f)
        if t is not None and t.circle is None and t.is_bottom:
            floor = replace(t, face=wall.face)
    way = out * np.array([floor.normal[1], -floor.normal[0]])
    free = sight_.free_beyond(foot, way) * float(abs(way[0]))
    end = float(foot[0]) + out * min(free, widest_mm)
    low, high = sorted((float(foot[0]), float(np.clip(end, *sight_.wide))))
    if high - low < tol.LENGTH_MM:
        return None
    ends = [np.array([x, floor.height(x)]) for x in (low, high)]
    return Stretch(replace(floor, low=ends[0], high=ends[1]), low, high, left)


def _run(sight_: TraverseView, stretches: list[Stretch], walls: Sequence[tuple[Trace, float]]) -> WheelRun:
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
        free = sight_.free_beyond(at, level if s.trace.circle is not None else s.outward(back))
        # Round ends are followed only out of the blank: what lies nearer is another feature's.
        ends.append(free if s.trace.circle is None or np.isinf(free) else 0.0)
    return WheelRun(tuple(kept), (ends[0], ends[1]), tuple(fillets), tuple(_walls(kept, walls)))


def _walls(stretches: Sequence[Stretch], walls: Sequence[tuple[Trace, float]]) -> Iterator[float]:
    """What the wall at each end of each stretch keeps: its own, else what the lower stretch says of walls."""
    for a, b in zip([None, *stretches], [*stretches, None], strict=True):
        lower = b if a is None or (b is not None and step(a, b) > 0) else a
        assert lower is not None
        across = b.low if b is not None else lower.high
        foot = lower.trace.height(across)
        own = [
            mm
            for t, mm in walls
            if abs(float(t.low[0]) - across) < tol.LENGTH_MM
            and float(t.low[1]) - tol.SURFACE_MM < foot < float(t.high[1]) - tol.LENGTH_MM
        ]
        yield max(own, default=lower.left.wall_mm)


def _kept(left: Allowance, trace: Trace) -> float:
    return left.floor_mm if trace.is_floor else left.wall_mm


def _smooth_neighbours(stretches: Sequence[Stretch], k: int) -> list[int]:
    """The flat pieces between which, or between which and a wall, a round one is a foot fillet; else none."""
    s = stretches[k]
    if s.trace.circle is None or not s.trace.circle[2]:
        return []
    centre, radius, _ = s.trace.circle
    if abs(float(np.diff(s.trace.angles())[0])) > np.pi / 2 + UPRIGHT_SINE:
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

"""What cutters of different sizes clear of a feature, and which of them in turn rough it at the least cost.

On a height grid cut into levels: at each the air is opened by the cutter's disc (a threshold decomposition of
the grey opening), so the volume that one leaves falls to the next, and each mm3 is found once. An estimate: a
radius is known to a pitch.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from featurize.brep.surfaces import Array
from featurize.feature import Feature
from routing.processes.context import JobContext, bearing
from routing.processes.heights import HeightGrid
from routing.processes.sizes import rim_depth
from routing.processes.tools import Cutter

# Levels of equal depth between a feature's floor and its rim.
_LEVELS = 16
# A cutter is at most so much of the room that it turns in, so that it can ramp down and finish each wall with
# a cut of its own (common practice, no source).
_ROOM_SHARE = 0.8
# Air and metal are told apart with this much to spare, far under a level's depth.
_FREE_MM = 1e-3


@dataclass(frozen=True, eq=False)
class _Level:
    """Levels with the same air: their heights over the feature's lowest part, their depths under its rim."""

    heights_mm: Array
    depths_mm: Array
    air: NDArray[np.bool_]  # of the feature itself
    room: Array  # how far each point of the grid is from metal, mm

    @cached_property
    def _box(self) -> tuple[tuple[int, int], tuple[int, int]]:
        rows, columns = (np.flatnonzero(self.air.any(axis=k)) for k in (1, 0))
        if not len(rows):
            return (0, 0), (0, 0)
        return (int(rows[0]), int(rows[-1]) + 1), (int(columns[0]), int(columns[-1]) + 1)

    def around(self, steps: int) -> tuple[slice, slice]:
        """The part of the grid with the feature's air, and so many steps about it."""
        rows, columns = (slice(max(0, low - steps), high + steps) for low, high in self._box)
        return rows, columns

    @cached_property
    def widest_mm(self) -> float:
        """Radius of the largest disc in the air that the feature's own is part of."""
        parts, _ = ndimage.label(self.room > 0)
        own = np.isin(parts, np.unique(parts[self.air]))
        return float(self.room[own].max(initial=0.0))


@dataclass(frozen=True, eq=False)
class Clearing:
    """One feature from one side. ``shares`` of its volume and of its floor that a cutter does not get to."""

    pitch_mm: float
    rim_mm: float  # its depth
    levels: tuple[_Level, ...]
    _known: dict[tuple[float, float, bool], float] = field(default_factory=dict, repr=False)
    _counted: dict[tuple[int, float, float], int] = field(default_factory=dict, repr=False)

    @classmethod
    def of(cls, job: JobContext, feature: Feature, toward: Array, widest_mm: float) -> Clearing:
        """``widest_mm`` is the diameter of the largest cutter that will be asked about."""
        key = ("clearing", feature.faces, widest_mm, bearing(toward))
        return job.seen(key, lambda: cls._made(job, feature, toward, widest_mm))

    @classmethod
    def _made(cls, job: JobContext, feature: Feature, toward: Array, widest_mm: float) -> Clearing:
        rim = rim_depth(job, feature, toward)
        # Over an open side a cutter's axis leaves the feature by half of the cutter at most.
        grid = HeightGrid.of(job, feature, toward, widest_mm / 2)
        middles = grid.floor_mm + rim * (np.arange(_LEVELS) + 0.5) / _LEVELS
        found: list[_Level] = []
        count = -1
        for level in middles:
            free = grid.heights <= level + _FREE_MM
            height, depth = level - grid.floor_mm, grid.floor_mm + rim - level
            if int(free.sum()) == count:
                last = found[-1]
                found[-1] = replace(
                    last,
                    heights_mm=np.append(last.heights_mm, height),
                    depths_mm=np.append(last.depths_mm, depth),
                )
                continue
            count = int(free.sum())
            # A wall stands half a pitch before the first point in it.
            steps = ndimage.distance_transform_edt(np.pad(free, 1, mode="edge"))[1:-1, 1:-1]
            room = np.maximum(steps - 0.5, 0.0) * grid.pitch_mm
            found.append(_Level(np.array([height]), np.array([depth]), free & grid.owned, room))
        return cls(grid.pitch_mm, rim, tuple(found))

    def left_share(self, cutter: Cutter, reach_mm: float) -> float:
        """What it leaves of the feature's volume: corners, narrow places, what is out of its reach."""
        ball = cutter.form == "ball"
        deepest = float(self.levels[0].depths_mm.max())
        asked = cutter.radius_mm, min(round(reach_mm, 6), deepest), ball
        if asked not in self._known:
            whole = left = 0.0
            for level in self.levels:
                air = int(level.air.sum())
                sweeps = np.full(len(level.heights_mm), cutter.radius_mm)
                if ball:  # narrower towards its tip
                    up = np.minimum(level.heights_mm, cutter.radius_mm)
                    sweeps = np.sqrt(2 * cutter.radius_mm * up - up**2)
                within = (level.depths_mm <= reach_mm) & (cutter.radius_mm <= _ROOM_SHARE * level.widest_mm)
                whole += air * len(sweeps)
                left += air * int((~within).sum())
                for r, count in zip(*np.unique(sweeps[within], return_counts=True), strict=True):
                    left += count * (air - self._opened(level, cutter.radius_mm, float(r)))
            self._known[asked] = float(left / whole) if whole else 0.0
        return self._known[asked]

    @property
    def turns_mm(self) -> float:
        """Radius of the largest cutter that has room to ramp down into the feature and to turn in it."""
        return _ROOM_SHARE * max(level.widest_mm for level in self.levels)

    def floor_share(self, cutter: Cutter) -> float:
        """What it gets to of the lowest level."""
        low = self.levels[0]
        air = int(low.air.sum())
        return self._opened(low, cutter.radius_mm, cutter.radius_mm) / air if air else 0.0

    def _opened(self, level: _Level, keeps_mm: float, sweeps_mm: float) -> int:
        """Points of the feature that a disc gets to whose middle keeps off the metal."""
        asked = id(level), keeps_mm, sweeps_mm
        if asked not in self._counted:
            self._counted[asked] = self._count(level, keeps_mm, sweeps_mm)
        return self._counted[asked]

    def _count(self, level: _Level, keeps_mm: float, sweeps_mm: float) -> int:
        # The middles' own region goes on for half a pitch past the last of them.
        within = sweeps_mm + self.pitch_mm / 2
        near = level.around(int(np.ceil(within / self.pitch_mm)) + 1)
        middles = level.room[near] >= keeps_mm
        if not middles.any():
            return 0
        # The nearest middles are found for all, how far they are for the feature's own air alone.
        nearest = ndimage.distance_transform_edt(~middles, return_distances=False, return_indices=True)
        own = np.nonzero(level.air[near])
        away = np.sqrt(
            sum(np.square(at[own] - place, dtype=float) for at, place in zip(nearest, own, strict=True))
        )
        return int((away * self.pitch_mm <= within).sum())


@dataclass(frozen=True)
class Rougher:
    """A cutter that may rough: ``left_share`` of the volume stays, ``per_share`` is money for all of it."""

    cutter: Cutter
    left_share: float
    per_share: float


def in_turn(
    roughers: Sequence[Rougher], is_last: Callable[[Cutter], bool], change: float, most: int
) -> list[tuple[Cutter, float]]:
    """The cheapest sequence of at most so many cutters, and the share that each finds.

    Each leaves less than the one before. ``change`` is the money for putting one in. The last must be one of
    those that ``is_last`` allows; what that one leaves is its own to find. [] where none is allowed. A
    shortest path over the cutters by falling rest, one more cutter in each round (dynamic programming).
    """
    order = sorted(roughers, key=lambda r: -r.left_share)
    rests = [r.left_share for r in order]
    # For each cutter as the last so far: the money, and the cutters.
    round_: dict[int, tuple[float, tuple[int, ...]]] = {
        n: (change + (1 - r.left_share) * r.per_share, (n,)) for n, r in enumerate(order)
    }
    ends: list[tuple[float, tuple[int, ...]]] = []
    for _ in range(most):
        ends += [
            (money + rests[n] * order[n].per_share, chain)
            for n, (money, chain) in round_.items()
            if is_last(order[n].cutter)
        ]
        longer: dict[int, tuple[float, tuple[int, ...]]] = {}
        for n, rougher in enumerate(order):
            ways = [
                (money + change + (rests[k] - rests[n]) * rougher.per_share, (*chain, n))
                for k, (money, chain) in round_.items()
                if rests[k] > rests[n]
            ]
            if ways:
                longer[n] = min(ways)
        round_ = longer
    if not ends:
        return []
    chain = min(ends)[1]
    before = [1.0, *(rests[n] for n in chain[:-1])]
    after = [*(rests[n] for n in chain[:-1]), 0.0]
    return [(order[n].cutter, b - a) for n, b, a in zip(chain, before, after, strict=True)]

"""A second opinion on the booleans: bodies as stretches of upright lines on a square grid.

A line enters a closed mesh and leaves it; what of one body lies outside another is reckoned line by line from
the heights at which it does, with no boolean of meshes. Lengths mm, Z up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from manifold3d import Manifold

from featurize.brep.surfaces import Array
from routing.dryrun.pieces import Ints, corners_of

# Lines in a grid, about.
_LINES = 3_000
# Heights of one crossing differ by less on two meshes.
_ROUNDING_MM = 1e-3
# The grid lies askew to the part's own measures, so that no line runs within a wall.
_SKEW = np.array([0.3819, 0.6180])


@dataclass(frozen=True, eq=False)
class Grid:
    """``low`` (2,) is the first line, ``shape`` lines along X and Y."""

    low: Array
    pitch_mm: float
    shape: tuple[int, int]

    @classmethod
    def over(cls, solid: Manifold) -> Grid:
        x0, y0, _, x1, y1, _ = solid.bounding_box()
        pitch = float(np.sqrt((x1 - x0) * (y1 - y0) / _LINES))
        low = np.array([x0, y0]) + pitch * (_SKEW - 0.5)
        return cls(low, pitch, (int((x1 - x0) / pitch) + 2, int((y1 - y0) / pitch) + 2))

    def crossings(self, solid: Manifold) -> tuple[Ints, Array, Ints]:
        """Lines (n,), heights (n,) and +1 (n,) where a line enters a solid from below, -1 where it leaves."""
        corners = corners_of(solid)
        flat = (corners[:, :, :2] - self.low) / self.pitch_mm
        u, v = flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]
        twice = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
        first = np.maximum(np.ceil(flat.min(axis=1)), 0).astype(np.int64)
        last = np.minimum(np.floor(flat.max(axis=1)), np.array(self.shape) - 1).astype(np.int64)
        counts = np.maximum(last - first + 1, 0)
        each = np.where(np.abs(twice) > 1e-12, counts[:, 0] * counts[:, 1], 0)
        t = np.repeat(np.arange(len(corners)), each)
        place = np.arange(len(t)) - np.repeat(np.cumsum(each) - each, each)
        x, y = first[t, 0] + place // counts[t, 1], first[t, 1] + place % counts[t, 1]
        off = np.column_stack([x, y]) - flat[t, 0]
        a = (off[:, 0] * v[t, 1] - off[:, 1] * v[t, 0]) / twice[t]
        b = (u[t, 0] * off[:, 1] - u[t, 1] * off[:, 0]) / twice[t]
        hit = (a >= 0) & (b >= 0) & (a + b <= 1)
        t, a, b, line = t[hit], a[hit], b[hit], (x * self.shape[1] + y)[hit]
        z = corners[:, :, 2]
        heights = z[t, 0] + a * (z[t, 1] - z[t, 0]) + b * (z[t, 2] - z[t, 0])
        return line, heights, np.where(twice[t] < 0, 1, -1)

    def outside(self, one: Manifold, others: Manifold | None = None) -> Array:
        """How much of each line (n,) lies in a solid, and not in another."""
        bodies = [one] if others is None or others.is_empty() else [one, others]
        events = [self.crossings(b) for b in bodies]
        line = np.concatenate([e[0] for e in events])
        height = np.concatenate([e[1] for e in events])
        own = np.concatenate([e[2] if k == 0 else np.zeros_like(e[2]) for k, e in enumerate(events)])
        other = np.concatenate([e[2] if k == 1 else np.zeros_like(e[2]) for k, e in enumerate(events)])
        order = np.lexsort((height, line))
        line, height, own, other = line[order], height[order], np.cumsum(own[order]), np.cumsum(other[order])
        ahead = np.diff(height, append=height[-1:])
        counted = np.where((own > 0) & (other <= 0), ahead, 0.0)
        counted[np.flatnonzero(np.diff(line, append=-1))] = 0.0  # the last of each line
        return np.bincount(line, counted, self.shape[0] * self.shape[1]).astype(np.float64)

    def place(self, line: int) -> tuple[float, float]:
        x, y = self.low + self.pitch_mm * np.array(divmod(line, self.shape[1]))
        return float(x), float(y)


def disagreement_mm3(
    grid: Grid, before: Manifold, taken: Manifold, after: Manifold, within_mm: float
) -> float:
    """How far a boolean ``after = before - taken`` is off what the lines make of it.

    Lines that are off by less than ``within_mm`` are rounding; so are single ones beside a wall.
    """
    off = np.abs(grid.outside(before, taken) - grid.outside(after))
    off[off <= within_mm] = 0.0
    field = off.reshape(grid.shape)
    beside = np.zeros_like(field, dtype=bool)
    for axis in (0, 1):
        for step in (-1, 1):
            beside |= np.roll(field, step, axis) > 0
    return float(field[beside].sum()) * grid.pitch_mm**2


def boolean_doubt_mm3(before: Manifold, taken: Manifold, after: Manifold, up: Array) -> float:
    """The same along the axis of coordinates nearest to a unit direction (3,)."""
    turned = np.roll(np.eye(3), 2 - int(np.argmax(np.abs(up))), axis=0)
    axes = np.ascontiguousarray(np.column_stack([turned, np.zeros(3)]))
    a, b, c = (body.transform(axes) for body in (before, taken, after))
    return disagreement_mm3(Grid.over(a), a, b, c, _ROUNDING_MM)

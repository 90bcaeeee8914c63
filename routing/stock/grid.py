"""Columns through a triangle mesh: its top from one side and its volume, in numpy alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from featurize.brep.shadow import View
from featurize.brep.surfaces import Array

# Columns stand a little off their cells' middles, so that none runs down a mesh edge at a round number.
_ASIDE = 0.5 + 0.0123 / np.pi


@dataclass(frozen=True, eq=False)
class Columns:
    """A grid of columns along a view: ``across`` and ``up`` are the centres in its plane."""

    view: View
    across: Array
    up: Array

    @classmethod
    def over(cls, view: View, triangles: Array, count: int) -> Columns:
        """Cells that tile the box of a mesh (m, 3, 3), nearly square, ``count`` along the longer side."""
        flat = view.flat(triangles).reshape(-1, 2)
        low, span = flat.min(axis=0), np.ptp(flat, axis=0)
        cells = [max(2, round(count * float(s) / float(span.max()))) for s in span]
        across, up = (low[k] + span[k] * (np.arange(cells[k]) + _ASIDE) / cells[k] for k in (0, 1))
        return cls(view, across, up)

    @property
    def pitch_mm(self) -> float:
        """The longer side of a cell."""
        return max(float(self.across[1] - self.across[0]), float(self.up[1] - self.up[0]))

    @property
    def cell_mm2(self) -> float:
        """Area of a cell."""
        return float((self.across[1] - self.across[0]) * (self.up[1] - self.up[0]))

    def place(self, cell: Sequence[np.intp | int], along: float) -> tuple[float, float, float]:
        """A cell's place in model coordinates at a height along the view."""
        p = self.view.solid(np.array([self.across[cell[0]], self.up[cell[1]]]), along)
        return float(p[0]), float(p[1]), float(p[2])


@dataclass(frozen=True, eq=False)
class Filled:
    """``top``: the highest level in each column, -inf where there is nothing."""

    top: Array
    volume_mm3: float


def columns(grid: Columns, triangles: Array) -> Filled:
    """Top and volume of a closed mesh (m, 3, 3), facets against the clock from outside.

    Each facet adds its level to the columns it crosses, upward ones plus and downward ones minus: the sum is
    the length of material in the column whatever the shape.
    """
    flat = grid.view.flat(triangles)
    level = (triangles - grid.view.origin) @ grid.view.along
    a, b, c = flat[:, 0], flat[:, 1], flat[:, 2]
    # across x up = along: a facet that looks up the columns turns against the clock.
    twice = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    top = np.full((len(grid.across), len(grid.up)), -np.inf)
    length = np.zeros_like(top)
    first = [
        np.searchsorted(axis, flat[:, :, k].min(axis=1)) for k, axis in enumerate((grid.across, grid.up))
    ]
    last = [np.searchsorted(axis, flat[:, :, k].max(axis=1)) for k, axis in enumerate((grid.across, grid.up))]
    crossed = (np.abs(twice) > 1e-12) & (last[0] > first[0]) & (last[1] > first[1])
    for i in np.flatnonzero(crossed):
        rows, cols = slice(first[0][i], last[0][i]), slice(first[1][i], last[1][i])
        x, y = grid.across[rows, None] - a[i, 0], grid.up[None, cols] - a[i, 1]
        u = (x * (c[i, 1] - a[i, 1]) - y * (c[i, 0] - a[i, 0])) / twice[i]
        v = (y * (b[i, 0] - a[i, 0]) - x * (b[i, 1] - a[i, 1])) / twice[i]
        inside = (u >= 0) & (v >= 0) & (u + v <= 1)
        z = level[i, 0] + u * (level[i, 1] - level[i, 0]) + v * (level[i, 2] - level[i, 0])
        window = top[rows, cols]
        top[rows, cols] = np.where(inside & (z > window), z, window)
        length[rows, cols] += np.where(inside, np.sign(twice[i]) * z, 0.0)
    return Filled(top, float(length.sum()) * grid.cell_mm2)

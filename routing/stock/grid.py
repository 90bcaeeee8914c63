"""Columns through a triangle mesh: its top from one side and its volume, in numpy alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from featurize.brep.silhouette import View
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
    first = np.searchsorted(grid.across, flat[:, :, 0].min(axis=1))
    last = np.searchsorted(grid.across, flat[:, :, 0].max(axis=1))
    t, row = ragged(first, np.where(np.abs(twice) > 1e-12, last, first))
    x = grid.across[row]
    low, high = np.full(len(t), np.inf), np.full(len(t), -np.inf)
    for i, j in ((0, 1), (1, 2), (2, 0)):
        # Ends in one order, so that neighbours find the same place on the edge they share.
        forth = flat[:, i, 0] <= flat[:, j, 0]
        p, q = (np.where(forth[:, None], flat[:, m], flat[:, n])[t] for m, n in ((i, j), (j, i)))
        met = (p[:, 0] <= x) & (x < q[:, 0])
        run = np.where(met, q[:, 0] - p[:, 0], 1.0)
        y = p[:, 1] + (x - p[:, 0]) / run * (q[:, 1] - p[:, 1])
        low, high = np.where(met, np.minimum(low, y), low), np.where(met, np.maximum(high, y), high)
    span, column = ragged(np.searchsorted(grid.up, low), np.searchsorted(grid.up, high))
    # Each facet's level is even along a row: from there on only the place up counts.
    solid = np.where(np.abs(twice) > 1e-12, twice, 1.0)
    rise, slope = level[:, 1] - level[:, 0], level[:, 2] - level[:, 0]
    by_x = (rise * (c[:, 1] - a[:, 1]) - slope * (b[:, 1] - a[:, 1])) / solid
    by_y = (slope * (b[:, 0] - a[:, 0]) - rise * (c[:, 0] - a[:, 0])) / solid
    base = level[t, 0] + by_x[t] * (x - a[t, 0]) - by_y[t] * a[t, 1]
    z = base[span] + by_y[t][span] * grid.up[column]
    up = (twice[t] > 0)[span]
    cell = (row * len(grid.up))[span] + column
    top = np.full(len(grid.across) * len(grid.up), -np.inf)
    np.maximum.at(top, cell[up], z[up])
    length = 2 * float(z[up].sum()) - float(z.sum())
    return Filled(top.reshape(len(grid.across), len(grid.up)), length * grid.cell_mm2)


def ragged(first: NDArray[np.intp], last: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Whose, and which, are all the whole numbers from each first up to before each last."""
    size = np.maximum(last - first, 0)
    whose = np.repeat(np.arange(len(size)), size)
    return whose, np.arange(len(whose)) - np.repeat(np.cumsum(size) - size, size) + first[whose]

"""Points sorted into square columns, so that those in a box are found without a look at the rest."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from featurize.brep.surfaces import Array

# Columns hold about this many points: fewer make more slices, more make more tests.
_PER_COLUMN = 32


class PointGrid:
    """An index of points (n, 3)."""

    def __init__(self, points: Array) -> None:
        self._points = points
        self._low = points[:, :2].min(axis=0)
        spans = np.maximum(np.ptp(points[:, :2], axis=0), 1e-9)
        self._width = float(np.sqrt(spans.prod() / max(1, len(points) // _PER_COLUMN)))
        self._width = max(self._width, float(spans.max()) / 2048)
        columns = self._column(points[:, :2])
        self._rows = int(columns[:, 1].max()) + 1
        places = columns[:, 0] * self._rows + columns[:, 1]
        self._order = np.argsort(places, kind="stable")
        count = (int(columns[:, 0].max()) + 1) * self._rows
        self._starts = np.searchsorted(places[self._order], np.arange(count + 1))

    def _column(self, flat: Array) -> NDArray[np.int64]:
        return np.asarray(np.floor((flat - self._low) / self._width), np.int64)

    def within(self, low: Array, high: Array) -> NDArray[np.int64]:
        """Places of the points strictly inside a box (3,), (3,)."""
        last = np.array([(len(self._starts) - 1) // self._rows, self._rows]) - 1
        a = np.clip(self._column(low[:2]), 0, last)
        b = np.clip(self._column(high[:2]), 0, last)
        if np.any(high <= low):
            return np.zeros(0, np.int64)
        first = np.arange(a[0], b[0] + 1) * self._rows
        found = np.concatenate(
            [
                self._order[start:end]
                for start, end in zip(
                    self._starts[first + a[1]].tolist(), self._starts[first + b[1] + 1].tolist(), strict=True
                )
            ]
        )
        points = self._points[found]
        return found[np.all((points > low) & (points < high), axis=1)]

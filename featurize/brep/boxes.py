"""Which of many boxes meet some others: an index in place of loops over pairs."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from featurize.brep.part import Mesh
from featurize.brep.surfaces import Array
from featurize.kept import once_for_each

Ints = NDArray[np.int64]


class Boxes:
    """Boxes along the axes, from ``low`` to ``high`` (m, 3); ``least`` and ``most`` are around them all."""

    def __init__(self, low: Array, high: Array) -> None:
        self.low, self.high = low, high
        self.least, self.most = low.min(axis=0), high.max(axis=0)
        # A tree sifts most along the axis in which the boxes look smallest; the third sense is compared.
        *self._seen, self._along = np.argsort((high - low).mean(axis=0), kind="stable").tolist()
        self._tree = shapely.STRtree(flat_boxes(low[:, self._seen], high[:, self._seen]))
        self._ends = np.ascontiguousarray(low[:, self._along]), np.ascontiguousarray(high[:, self._along])

    def meeting(self, low: Array, high: Array) -> tuple[Ints, Ints]:
        """Pairs of one of the boxes asked about, from ``low`` to ``high`` (n, 3), and one of these."""
        asked, found = self._tree.query(flat_boxes(low[:, self._seen], high[:, self._seen]))
        lows, highs = self._ends
        meet = (lows[found] <= high[asked, self._along]) & (highs[found] >= low[asked, self._along])
        return asked[meet], found[meet]


def flat_boxes(low: Array, high: Array) -> NDArray[np.object_]:
    """Boxes in a plane, from ``low`` to ``high`` (n, 2), as shapes for a tree to index or look up.

    They are diagonals, which have the same box as their rectangles and are made sooner.
    """
    return np.asarray(shapely.linestrings(np.stack([low, high], axis=1)))


@once_for_each
def facet_boxes(mesh: Mesh) -> Boxes:
    """The boxes of a mesh's facets, along the model's axes."""
    corners = mesh.vertices[mesh.triangles]
    return Boxes(corners.min(axis=1), corners.max(axis=1))

"""Which of many boxes meet some others: an index in place of loops over pairs."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray

from featurize.brep.part import Mesh
from featurize.brep.surfaces import Array

Ints = NDArray[np.int64]


class Boxes:
    """Boxes along the axes, from ``low`` to ``high`` (m, 3); ``least`` and ``most`` are around them all."""

    def __init__(self, low: Array, high: Array) -> None:
        self.low, self.high = low, high
        self.least, self.most = low.min(axis=0), high.max(axis=0)
        self._size = (high - low).mean(axis=0)
        self._trees: dict[int, shapely.STRtree] = {}

    def meeting(self, low: Array, high: Array) -> tuple[Ints, Ints]:
        """Pairs of one of the boxes asked about, from ``low`` to ``high`` (n, 3), and one of these."""
        # Along the axis in which the boxes look smallest a tree sifts most; the third sense is compared.
        size = (high - low).mean(axis=0) + self._size
        k = int(np.argmax(size))
        i, j = (n for n in range(3) if n != k)
        if k not in self._trees:
            self._trees[k] = shapely.STRtree(_flat(self.low, self.high, i, j))
        asked, found = self._trees[k].query(_flat(low, high, i, j))
        meet = (self.low[found, k] <= high[asked, k]) & (self.high[found, k] >= low[asked, k])
        return asked[meet], found[meet]


def _flat(low: Array, high: Array, i: int, j: int) -> NDArray[np.object_]:
    # A diagonal has the same box as its rectangle and is made sooner.
    return np.asarray(shapely.linestrings(np.stack([low[:, [i, j]], high[:, [i, j]]], axis=1)))


@lru_cache(maxsize=4)
def facet_boxes(mesh: Mesh) -> Boxes:
    """The boxes of a mesh's facets, along the model's axes."""
    corners = mesh.vertices[mesh.triangles]
    return Boxes(corners.min(axis=1), corners.max(axis=1))

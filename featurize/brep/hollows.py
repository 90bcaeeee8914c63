"""A part cut square to an axis: which faces fence in what is hollow there."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from featurize import tolerances as tol
from featurize.brep.part import Mesh
from featurize.brep.surfaces import Array, orthonormal_basis

# Ends of neighbouring facets that are nearer than this are one.
_GRID_MM = tol.LENGTH_MM


@dataclass(frozen=True, eq=False)
class Hollow:
    """A region of a section that material closes in: a shapely ``polygon`` in the axis' orthonormal basis,
    and the logical ``faces`` around it."""

    polygon: Any
    faces: frozenset[int]


class Levels:
    """A mesh to be cut square to a unit axis (3,), at many levels measured from the model's origin."""

    def __init__(self, mesh: Mesh, axis: Array) -> None:
        self._mesh = mesh
        self._basis = orthonormal_basis(axis)[:2]
        self._heights = mesh.vertices @ axis
        self._flat = mesh.vertices @ self._basis.T
        own = self._heights[mesh.triangles]
        self._low, self._high = own.min(axis=1), own.max(axis=1)

    def hollows(self, level_mm: float, wanted: Callable[[frozenset[int]], bool]) -> Iterator[Hollow]:
        """The hollows of the section at a level.

        ``wanted`` is asked of the faces that a line of the section runs along: what lies within no line that
        is wanted is left out.
        """
        rows = np.flatnonzero((self._low <= level_mm) & (self._high > level_mm))
        if not len(rows):
            return
        ends = np.round(self._crossings(rows, level_mm) / _GRID_MM) * _GRID_MM
        long = np.any(ends[:, 0] != ends[:, 1], axis=1)
        ends, rows = ends[long], rows[long]
        kept = _within_wanted(ends, self._mesh.face_ids[rows], wanted)
        if not kept.any():
            return
        ends, rows = ends[kept], rows[kept]
        faces = self._mesh.face_ids[rows]
        net = shapely.union_all(shapely.linestrings(ends))
        cells = shapely.get_parts(shapely.polygonize(shapely.get_parts(net)))
        shapely.prepare(cells)
        tree = shapely.STRtree(shapely.points(ends.mean(axis=1)))
        rims, near = tree.query(shapely.get_exterior_ring(cells), predicate="dwithin", distance=_GRID_MM)
        steps = shapely.points(ends.mean(axis=1) + 5 * _GRID_MM * self._outward(rows))
        inside = shapely.contains(cells[rims], steps[near])
        bounds = np.searchsorted(rims, np.arange(len(cells) + 1))
        for cell, low, high in zip(cells, bounds[:-1], bounds[1:], strict=True):
            if high > low and float(np.mean(inside[low:high])) > 0.5:
                yield Hollow(cell, frozenset(faces[near[low:high]].tolist()))

    def _outward(self, rows: NDArray[np.int64]) -> Array:
        """Unit ways (m, 2) out of the material, of some triangles."""
        a, b, c = self._mesh.vertices[self._mesh.triangles[rows]].transpose(1, 0, 2)
        out = np.cross(b - a, c - a) @ self._basis.T
        return np.asarray(out / np.linalg.norm(out, axis=1, keepdims=True))

    def _crossings(self, rows: NDArray[np.int64], level_mm: float) -> Array:
        """Where the sides of some triangles cross a level: (m, 2, 2)."""
        triangles = self._mesh.triangles[rows]
        heights, flat = self._heights - level_mm, self._flat
        above = heights[triangles] > 0
        # The corner that lies alone on its side of the level, and the two others.
        alone = np.where((above.sum(axis=1) == 1)[:, None], above, ~above).argmax(axis=1)
        every = np.arange(len(triangles))
        first = triangles[every, alone]
        ends = []
        for other in (triangles[every, (alone + 1) % 3], triangles[every, (alone + 2) % 3]):
            # The same two corners give the same point, whichever triangle asks.
            low, high = np.minimum(first, other), np.maximum(first, other)
            share = heights[low] / (heights[low] - heights[high])
            ends.append(flat[low] + share[:, None] * (flat[high] - flat[low]))
        return np.stack(ends, axis=1)


def _within_wanted(
    ends: Array, faces: NDArray[np.int64], wanted: Callable[[frozenset[int]], bool]
) -> NDArray[np.bool_]:
    """Which pieces (m, 2, 2) of a section belong to a line that is wanted, or that lies within such a one."""
    spots = np.round(ends.reshape(-1, 2) / _GRID_MM)
    _, names = np.unique(spots[:, 0] + 1j * spots[:, 1], return_inverse=True)
    start, end = names.reshape(-1, 2).T
    count = int(names.max()) + 1
    links = coo_array((np.ones(len(start), bool), (start, end)), shape=(count, count))
    lines, line_of = connected_components(links, directed=False)
    line = line_of[start]
    order = np.argsort(line, kind="stable")
    first = np.searchsorted(line[order], np.arange(lines))
    low = np.minimum.reduceat(ends.min(axis=1)[order], first)
    high = np.maximum.reduceat(ends.max(axis=1)[order], first)
    asked = [wanted(frozenset(own.tolist())) for own in np.split(faces[order], first[1:])]
    least, most = low[asked], high[asked]
    inner = np.all((low[:, None] >= least) & (high[:, None] <= most), axis=2)
    return np.asarray(np.any(inner, axis=1)[line])

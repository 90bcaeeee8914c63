"""A part cut square to an axis: which faces fence in what is hollow there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from featurize import tolerances as tol
from featurize.brep.part import Mesh
from featurize.brep.surfaces import Array, orthonormal_basis

# Ends of neighbouring facets that are nearer than this are one.
_GRID_MM = tol.LENGTH_MM


@dataclass(frozen=True, eq=False)
class Hollow:
    """A region of a section that material closes in: a shapely ``polygon`` in the plane of ``basis``
    (2, 3), and the logical ``faces`` around it."""

    polygon: Any
    faces: frozenset[int]
    basis: Array
    level_mm: float


def hollows(mesh: Mesh, axis: Array, level_mm: float) -> Iterator[Hollow]:
    """The hollows of the section at a level along a unit axis (3,), measured from the model's origin."""
    basis = orthonormal_basis(axis)
    heights = mesh.vertices @ axis - level_mm
    above = heights[mesh.triangles] > 0
    rows = np.flatnonzero(above.any(axis=1) & ~above.all(axis=1))
    if not len(rows):
        return
    ends = _crossings(mesh.vertices @ basis[:2].T, heights, mesh.triangles[rows], above[rows])
    corners = mesh.vertices[mesh.triangles[rows]]
    out = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) @ basis[:2].T
    ends = np.round(ends / _GRID_MM) * _GRID_MM
    long = np.any(ends[:, 0] != ends[:, 1], axis=1)
    ends, out, faces = ends[long], out[long], mesh.face_ids[rows[long]]
    net = shapely.union_all(shapely.linestrings(ends))
    cells = shapely.get_parts(shapely.polygonize(shapely.get_parts(net)))
    tree = shapely.STRtree(shapely.points(ends.mean(axis=1)))
    for cell in cells:
        near = tree.query(cell.exterior, predicate="dwithin", distance=_GRID_MM)
        if not len(near):
            continue
        middles = ends[near].mean(axis=1)
        inward = out[near] / np.linalg.norm(out[near], axis=1, keepdims=True)
        steps = shapely.points(middles + 5 * _GRID_MM * inward)
        if float(np.mean(shapely.contains(cell, steps))) > 0.5:
            yield Hollow(cell, frozenset(faces[near].tolist()), basis[:2], level_mm)


def _crossings(flat: Array, heights: Array, triangles: NDArray[np.int64], above: NDArray[np.bool_]) -> Array:
    """Where triangles' sides cross the level: (m, 2, 2)."""
    # The corner that lies alone on its side of the level, and the two others.
    alone = np.where((above.sum(axis=1) == 1)[:, None], above, ~above).argmax(axis=1)
    rows = np.arange(len(triangles))
    first = triangles[rows, alone]
    ends = []
    for other in (triangles[rows, (alone + 1) % 3], triangles[rows, (alone + 2) % 3]):
        # The same two corners give the same point, whichever triangle asks.
        low, high = np.minimum(first, other), np.maximum(first, other)
        share = heights[low] / (heights[low] - heights[high])
        ends.append(flat[low] + share[:, None] * (flat[high] - flat[low]))
    return np.stack(ends, axis=1)

"""Facets for round faces that an exporter wrote as splines.

The kernel joins the border points of such a face as it likes and then needs tens of thousands of inner
points to bend the facets to the surface. A ruled round face needs none: its border already turns in
small steps, and facets between points of like angle lie on it. Stretching the angle before a Delaunay
triangulation makes points of like angle the near ones.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from featurize.brep.surfaces import Array

# How much further apart neighbours in angle count than the whole length of the rulings.
_STRETCH = 50.0
# A facet with less than this share of the region's area in the parameters has its corners in line.
_FLAT = 1e-9


def across_rulings(uv: Array, triangles: NDArray[np.int64], ruling: int) -> NDArray[np.int64] | None:
    """The region of ``triangles`` (m, 3) over nodes (n, 2) cut anew, without new nodes.

    ``ruling`` is the parameter (0 or 1) that runs along the rulings. None when the border of the region
    does not close, as on a face that the kernel meshed with faults, or when a facet would have three
    corners in line.
    """
    spans = np.ptp(uv, axis=0)
    if np.any(spans <= 0):
        return None
    turn = 1 - ruling
    flat = np.empty_like(uv)
    flat[:, 0] = (uv[:, turn] - uv[:, turn].min()) / spans[turn] * _STRETCH
    flat[:, 1] = (uv[:, ruling] - uv[:, ruling].min()) / spans[ruling]
    pairs = np.sort(np.vstack([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]), axis=1)
    sides, count = np.unique(pairs, axis=0, return_counts=True)
    border = sides[count == 1]
    rings = shapely.get_parts(shapely.polygonize(shapely.linestrings(flat[border])))
    if len(rings) == 0:
        return None
    centres = shapely.points(flat[triangles].mean(axis=1))
    covered = np.unique(shapely.STRtree(rings).query(centres, predicate="within")[1])
    node_of = {tuple(flat[k].tolist()): int(k) for k in np.unique(border)}
    found = []
    for ring in rings[covered]:
        for facet in shapely.get_parts(shapely.constrained_delaunay_triangles(ring)):
            corners = [node_of.get((x, y)) for x, y in shapely.get_coordinates(facet)[:3].tolist()]
            if None in corners:
                return None
            found.append(corners)
    cut = np.array(found, np.int64)
    area = _twice_area(uv[cut])
    cut = np.where((area < 0)[:, None], cut[:, ::-1], cut)
    whole = float(np.abs(_twice_area(uv[triangles])).sum())
    same = abs(float(np.abs(area).sum()) - whole) < 1e-6 * whole and float(np.abs(area).min()) > _FLAT * whole
    # Keep the kernel's sense: its facets may run clockwise in the parameters.
    return (cut if float(_twice_area(uv[triangles]).sum()) > 0 else cut[:, ::-1]) if same else None


def _twice_area(corners: Array) -> Array:
    a, b = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])

"""Which faces can reach the upper envelope of a silhouette: those under others need not be united."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from featurize import tolerances as tol
from featurize.brep.silhouette import twice_area
from featurize.brep.surfaces import Array

# Upright strips that the silhouette is cut into, and how many facets, the widest, may give them their level:
# a facet must be covered in whole lanes to be passed over.
_LANES, _WIDEST = 512, 300
# Far under the snap of a silhouette, far over the rounding of a line between two points.
_SAME_MM = 1e-9


def highest_facets(corners: Array, owner: NDArray[np.int64]) -> NDArray[np.int64]:
    """Faces without which the envelope would differ, and few more.

    ``corners`` (m, 3, 2) are (across, up) of facets, ``owner`` (m,) their faces. A lane's level is the
    highest that one facet covers it to from side to side; who lies no higher in all of its lanes is passed
    over, unless it is the one that gives the level.
    """
    # The facets that look along the view cover all that the others do.
    seen = twice_area(corners) > tol.LENGTH_MM**2
    corners, owner = corners[seen], owner[seen]
    if len(corners) == 0:
        return np.unique(owner)
    corners = np.take_along_axis(corners, np.argsort(corners[:, :, :1], axis=1), axis=1)
    left, right = corners[:, 0, 0], corners[:, 2, 0]
    stops = np.linspace(left.min(), right.max(), _LANES + 1)
    wide = np.argsort(right - left, kind="stable")[-_WIDEST:]
    first = np.searchsorted(stops, left[wide])
    count = np.maximum(np.searchsorted(stops, right[wide], side="right") - 1 - first, 0)
    place = np.repeat(np.arange(len(wide)), count)
    channel = first[place] + np.arange(len(place)) - np.repeat(np.cumsum(count) - count, count)
    # A facet's upper side bulges upwards: over a lane it is lowest at one of the lane's two stops.
    height = np.minimum(*(_upper(corners[wide[place]], stops[channel + k]) for k in (0, 1)))
    level = np.full(_LANES, -np.inf)
    np.maximum.at(level, channel, height)
    gives = np.full(_LANES, -1)
    highest = height > level[channel] - _SAME_MM
    gives[channel[highest]] = wide[place[highest]]  # the widest of the highest is written last
    least = _least_over(
        level,
        np.clip(np.searchsorted(stops, left, side="right") - 1, 0, _LANES - 1),
        np.clip(np.searchsorted(stops, right), 1, _LANES),
    )
    kept = corners[:, :, 1].max(axis=1) > least + 2 * _SAME_MM
    kept[gives[gives >= 0]] = True
    return np.unique(owner[kept])


def _upper(corners: Array, across: Array) -> Array:
    """The upper side of facets (k, 3, 2), their corners from left to right, at places (k,)."""

    def between(i: int, j: int) -> Array:
        run = corners[:, j, 0] - corners[:, i, 0]
        share = np.clip((across - corners[:, i, 0]) / np.where(run > 0, run, 1.0), 0, 1)
        return np.asarray(corners[:, i, 1] + share * (corners[:, j, 1] - corners[:, i, 1]))

    return np.maximum(between(0, 2), np.where(across < corners[:, 1, 0], between(0, 1), between(1, 2)))


def _least_over(values: Array, low: NDArray[np.int64], beyond: NDArray[np.int64]) -> Array:
    """The least of values[low:beyond] for each pair, by a table of the least over spans of powers of two."""
    table = [values]
    while 2 ** len(table) <= len(values):
        half = 2 ** (len(table) - 1)
        table.append(np.minimum(table[-1][:-half], table[-1][half:]))
    beyond = np.maximum(beyond, low + 1)
    power = np.floor(np.log2(beyond - low)).astype(np.int64)
    found = np.empty(len(low))
    for k in np.unique(power):
        own = power == k
        found[own] = np.minimum(table[k][low[own]], table[k][beyond[own] - 2**k])
    return found

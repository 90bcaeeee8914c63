"""Triangles cut off at two levels of one coordinate."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from featurize import tolerances as tol
from featurize.brep.surfaces import Array


def between(corners: Array, axis: int, low: float, high: float) -> tuple[Array, NDArray[np.int64]]:
    """What of triangles (m, 3, d) lies between two levels of a coordinate, and of which each piece is.

    A level may be infinite. What has no height there, but for a triangle that lies in one plane, is dropped.
    """
    of = np.arange(len(corners))
    for level, sign in ((low, 1.0), (high, -1.0)):
        if np.isfinite(level):
            corners, kept = _over(corners, axis, level, sign)
            of = of[kept]
    return corners, of


def _over(corners: Array, axis: int, level: float, sign: float) -> tuple[Array, NDArray[np.int64]]:
    """The side of a level to which ``sign`` points."""
    over = sign * (corners[:, :, axis] - level)
    above = over > tol.SNAP_MM
    count = above.sum(axis=1)
    whole = np.flatnonzero((count == 3) | ((count > 0) & (over >= -tol.SNAP_MM).all(axis=1)))
    cut = np.flatnonzero((count > 0) & (over < -tol.SNAP_MM).any(axis=1))
    one = count[cut] == 1
    # The corner that is alone on its side comes first.
    alone = np.where(one, above[cut].argmax(axis=1), (~above[cut]).argmax(axis=1))
    turned = np.take_along_axis(corners[cut], ((alone[:, None] + np.arange(3)) % 3)[:, :, None], axis=1)
    height = np.take_along_axis(over[cut], (alone[:, None] + np.arange(3)) % 3, axis=1)
    share = np.clip(height[:, :1] / (height[:, :1] - height[:, 1:]), 0, 1)[:, :, None]
    met = turned[:, :1] + share * (turned[:, 1:] - turned[:, :1])
    tip = np.concatenate([turned[:, :1], met], axis=1)[one]
    rest = ~one
    first = np.stack([met[rest, 0], turned[rest, 1], turned[rest, 2]], axis=1)
    second = np.stack([met[rest, 0], turned[rest, 2], met[rest, 1]], axis=1)
    made = [corners[whole], tip, first, second]
    return np.concatenate(made), np.concatenate([whole, cut[one], cut[rest], cut[rest]])

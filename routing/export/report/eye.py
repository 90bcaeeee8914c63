"""From where things are looked at."""

from __future__ import annotations

import numpy as np

from featurize.brep.surfaces import Array

# Right and up of each view of a side, in the frame's own axes (rows of the unit matrix, or their opposites).
_SIDES = {
    "+z": ("+x", "+y"),
    "-z": ("+x", "-y"),
    "-y": ("+x", "+z"),
    "+y": ("-x", "+z"),
    "+x": ("+y", "+z"),
    "-x": ("-y", "+z"),
}


def axes_of(frame: Array, name: str) -> Array:
    """Rows to the right, up and towards the eye (3, 3), in model coordinates.

    From a side of a frame (rows of ``frame``), "+z" and so on, or from a corner: "iso" (+x -y +z) and "iso
    below" (+x -y -z).
    """
    if name in _SIDES:
        right, up = (_unit(side) for side in _SIDES[name])
    else:
        half = np.sqrt(0.5)
        right = np.array([half, half, 0.0])
        toward = np.array([1.0, -1.0, 1.0 if name == "iso" else -1.0]) / np.sqrt(3.0)
        up = np.cross(toward, right)
    return np.asarray(np.array([right, up, np.cross(right, up)]) @ frame)


def _unit(side: str) -> Array:
    return np.asarray((1.0 if side[0] == "+" else -1.0) * np.eye(3)["xyz".index(side[1])])

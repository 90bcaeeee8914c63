"""A right-handed frame and the six sides of a part in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurize.brep.surfaces import Array

SIDES = ("+x", "-x", "+y", "-y", "+z", "-z")


@dataclass(frozen=True, eq=False)
class Frame:
    """``axes`` (3, 3) has the unit x, y, z directions as rows, ``origin`` (3,) in model mm."""

    origin: Array
    axes: Array

    def local(self, points: Array) -> Array:
        """Model coordinates (..., 3) to frame coordinates."""
        return np.asarray((points - self.origin) @ self.axes.T)

    def world(self, points: Array) -> Array:
        """Frame coordinates (..., 3) to model coordinates."""
        return np.asarray(points @ self.axes + self.origin)

    def direction(self, side: str) -> Array:
        """Outward unit direction of a side such as "+z", in model coordinates."""
        sign = 1.0 if side[0] == "+" else -1.0
        return np.asarray(sign * self.axes["xyz".index(side[1])])

    def side_of(self, direction: Array, cos_limit: float = 0.999999) -> str | None:
        """The side that faces along ``direction``, or None for a slanted one."""
        dots = self.axes @ np.asarray(direction)
        k = int(np.argmax(np.abs(dots)))
        if abs(dots[k]) < cos_limit:
            return None
        return ("+" if dots[k] > 0 else "-") + "xyz"[k]

    def flipped(self) -> Frame:
        """The same frame turned half a turn about x: z points the other way."""
        return Frame(self.origin, self.axes * np.array([[1.0], [-1.0], [-1.0]]))

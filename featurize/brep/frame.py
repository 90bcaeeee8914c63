"""A right-handed frame and the six sides of a part in it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from featurize.brep.surfaces import Array

SIDES = ("+x", "-x", "+y", "-y", "+z", "-z")


def opposite(side: str) -> str:
    """The side across the part: "-z" of "+z"."""
    return ("-" if side[0] == "+" else "+") + side[1]


def direction_name(direction: Iterable[float]) -> str:
    """A unit direction as the choices take it: "+z" along an axis of the model, or "0.6,0,0.8"."""
    words = [round(float(c), 6) + 0.0 for c in direction]
    if sorted(map(abs, words)) == [0, 0, 1]:
        k = next(i for i, w in enumerate(words) if w)
        return ("+" if words[k] > 0 else "-") + "xyz"[k]
    return ",".join(f"{w:g}" for w in words)


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

    def stood_on(self, points: Array, up: Array) -> Frame:
        """The frame turned so that z looks the way of its axis nearest to ``up`` (3,), with its origin in the
        low corner of ``points`` (n, 3): turned over about x, or onto the side, x then along the longer way.
        """
        dots = self.axes @ np.asarray(up)
        k = int(np.argmax(np.abs(dots)))
        z = self.axes[k] * np.sign(dots[k])
        x = self.axes[0]
        if k != 2:
            spans = np.round(np.ptp(points @ self.axes.T, axis=0), 6)
            x = self.axes[max((j for j in range(3) if j != k), key=lambda j: spans[j])]
        axes = np.array([x, np.cross(z, x), z])
        return Frame((points @ axes.T).min(axis=0) @ axes, axes)

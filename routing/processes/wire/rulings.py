"""The surface that a wire sweeps: a line through two outlines, corner by corner, piece by piece."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from featurize.brep.surfaces import Array
from routing.processes.wire.arcs import bulge_through
from routing.processes.wire.outline import Outline


@dataclass(frozen=True, eq=False)
class Ruled:
    """``lower`` and ``upper`` at two heights (mm along the view from its origin), as many corners in each.

    The wire goes over every piece of both in the same time: it is the line through their points at the same
    share of a piece, at every height of the part. Between the two heights it makes walls of the part.
    """

    low_mm: float
    high_mm: float
    lower: Outline
    upper: Outline

    @property
    def straight(self) -> bool:
        return self.lower is self.upper

    @property
    def closed(self) -> bool:
        return self.lower.closed

    @property
    def faces(self) -> frozenset[int]:
        return frozenset(self.lower.faces)

    def sample(self, height_mm: float, shares: Sequence[float]) -> Array:
        """Points (n, k, 2) of the wire at a height, on every piece at shares (k,) of it."""
        low = self.lower.sample(shares)
        if self.straight:
            return low
        return np.asarray(low + self._share(height_mm) * (self.upper.sample(shares) - low))

    def at(self, height_mm: float) -> Outline:
        """The outline at any height: exact where arcs keep their angle, else arcs through three points."""
        if self.straight:
            return self.lower
        if height_mm in (self.low_mm, self.high_mm):
            return self.lower if height_mm == self.low_mm else self.upper
        points = self.sample(height_mm, (0.0, 0.5, 1.0))
        is_round = (self.lower.bulges != 0) | (self.upper.bulges != 0)
        bulges = [bulge_through(*three) if b else 0.0 for three, b in zip(points, is_round, strict=True)]
        corners = points[:, 0] if self.closed else np.vstack([points[:, 0], points[-1:, 2]])
        return Outline(corners, np.array(bulges), self.lower.faces, self.closed)

    def between(self, low_mm: float, high_mm: float) -> Ruled:
        """The same surface told by its outlines at two other heights."""
        if self.straight:
            return replace(self, low_mm=low_mm, high_mm=high_mm)
        return Ruled(low_mm, high_mm, self.at(low_mm), self.at(high_mm))

    def rulings(self, shares: Sequence[float]) -> Array:
        """Unit directions (n, k, 3) of the wire in the view's x, y and height."""
        move = self.upper.sample(shares) - self.lower.sample(shares)
        found = np.concatenate([move, np.full((*move.shape[:2], 1), self.high_mm - self.low_mm)], axis=2)
        return np.asarray(found / np.linalg.norm(found, axis=2, keepdims=True))

    @property
    def tilt_deg(self) -> float:
        """How far the wire leans at most, its corners included."""
        return (
            0.0
            if self.straight
            else float(np.degrees(np.arccos(self.rulings((0.0, 0.5, 1.0))[..., 2].min())))
        )

    @property
    def lean_deg(self) -> float:
        """How far the steepest wall leans: the wire against its tangent plane's line of fall."""
        if self.straight:
            return 0.0
        move = self.upper.sample((0.5,))[:, 0] - self.lower.sample((0.5,))[:, 0]
        square = np.array([self.lower.place(k)[1] for k in range(len(self.lower.bulges))]) @ np.array(
            [[0, 1], [-1, 0]]
        )
        out = np.abs(np.sum(move * square, axis=1)).max()
        return float(np.degrees(np.arctan2(out, self.high_mm - self.low_mm)))

    def _share(self, height_mm: float) -> float:
        return (height_mm - self.low_mm) / (self.high_mm - self.low_mm)

"""A second opinion on reach: what each process can remove, on a cubic lattice filled from a mesh alone.

Nothing here is shared with the program's own operators, which work on faces, edges and polygons. A point
of the lattice is known to be metal or air; places, radii and widths are known to a pitch. The operators are
those of the trade in their plainest form: a wire leaves by a straight line through air on both sides, a wheel
by a straight line and everything above it, a cutter downwards through what it opened before.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Off any even spacing, so that no line of the lattice runs along an edge or a face of a drawn part.
_OFF = np.array([0.3183, 0.4142, 0.2718])
# Directions tried for a wire that may lean: round about, and steps outwards.
_ROUND, _OUT = 16, 4


@dataclass(frozen=True, eq=False)
class Body:
    """A closed mesh: corners (n, 3) mm, facets (m, 3)."""

    vertices: Array
    facets: NDArray[np.int64]

    @classmethod
    def of(cls, solid: Any, deflection_mm: float = 0.02) -> Body:
        """From a kernel solid, by the kernel's mesher through a library of its own."""
        import cadquery as cq

        points, facets = cq.Shape.cast(solid).tessellate(deflection_mm, 0.2)
        return cls(np.array([p.toTuple() for p in points]), np.array(facets, dtype=np.int64))


@dataclass(frozen=True, eq=False)
class Lattice:
    """``metal[i, j, k]`` along three unit axes (rows of ``axes``), the last one the tool's."""

    axes: Array
    low: Array
    pitch_mm: float
    metal: Mask

    @classmethod
    def of(cls, body: Body, axes: Array, pitch_mm: float, margin: int = 4) -> Lattice:
        """Filled column by column: metal between the first crossing of the surface and the second."""
        turned = body.vertices @ axes.T
        low = turned.min(axis=0) - (margin + _OFF) * pitch_mm
        shape = np.ceil((turned.max(axis=0) - low) / pitch_mm).astype(int) + margin
        return cls(axes, low, pitch_mm, _filled((turned - low) / pitch_mm, body.facets, shape))

    def at(self, points: Array, field: Mask) -> Mask:
        """The values of a field at points (n, 3) in the part's own axes; air beyond the lattice."""
        k = np.floor((points @ self.axes.T - self.low) / self.pitch_mm).astype(int)
        inside = np.all((k >= 0) & (k < np.array(field.shape)), axis=1)
        found = np.ones(len(points), bool)
        found[inside] = field[tuple(k[inside].T)]
        return found

    @cached_property
    def clearance_mm(self) -> Array:
        """Distance of every point of air to the nearest metal."""
        return np.asarray(ndimage.distance_transform_edt(~self.metal)) * self.pitch_mm

    @cached_property
    def open_above(self) -> Mask:
        """Air with nothing but air above it."""
        return ~np.logical_or.accumulate(self.metal[:, :, ::-1], axis=2)[:, :, ::-1]

    def cut_from_above(self, radius_mm: float) -> Mask:
        """What a flat cutter clears: level by level, the free area opened by its disc."""
        free = self.open_above
        if radius_mm < self.pitch_mm:
            return free
        return np.stack(
            [_opened(free[:, :, k], radius_mm / self.pitch_mm) for k in range(free.shape[2])], axis=2
        )

    def wired(self, radius_mm: float) -> Mask:
        """What a wire along the last axis clears: air right through, opened by its disc."""
        through = ~self.metal.any(axis=2)
        kept = _opened(through, radius_mm / self.pitch_mm) if radius_mm >= self.pitch_mm else through
        return np.broadcast_to(kept[:, :, None], self.metal.shape)

    def wired_leaning(self, points: Array, limit_deg: float) -> Mask:
        """Which points (n, 3) a wire that leans up to a limit passes with air on both sides."""
        found = np.zeros(len(points), bool)
        span = float(np.linalg.norm(np.array(self.metal.shape))) * self.pitch_mm
        steps = np.arange(-span, span, 0.7 * self.pitch_mm)
        for lean in np.radians(np.linspace(0, limit_deg, _OUT + 1)):
            for turn in np.linspace(0, 2 * np.pi, _ROUND if lean else 1, endpoint=False):
                sine = np.sin(lean)
                d = np.array([sine * np.cos(turn), sine * np.sin(turn), np.cos(lean)]) @ self.axes
                rest = np.flatnonzero(~found)
                if not len(rest):
                    return found
                for some in np.array_split(rest, len(rest) * len(steps) // 2_000_000 + 1):
                    line = points[some, None] + steps[None, :, None] * d
                    metal = ~self.at(line.reshape(-1, 3), ~self.metal).reshape(len(some), -1)
                    found[some[~metal.any(axis=1)]] = True
        return found

    def ground(self, width_mm: float, deep_mm: float = np.inf) -> Mask:
        """What a wheel that traverses along the first axis clears: its width, and air above, all along."""
        seen = self.metal.any(axis=0)
        free = ~np.logical_or.accumulate(seen[:, ::-1], axis=1)[:, ::-1]
        n = max(1, int(width_mm / self.pitch_mm))
        wide = np.ones((n, 1), bool)
        kept = ndimage.binary_opening(np.pad(free, ((n, n), (0, 0)), constant_values=True), wide)[n:-n]
        if np.isfinite(deep_mm):
            top = int(np.flatnonzero(seen.any(axis=0)).max())
            kept &= np.arange(kept.shape[1])[None, :] > top - deep_mm / self.pitch_mm - 1
        return np.broadcast_to(kept[None], self.metal.shape)


def turned(toward: Array, first: Array | None = None) -> Array:
    """Axes whose last is the tool's and whose first is the one given, or any square to it."""
    k = toward / np.linalg.norm(toward)
    i = np.eye(3)[int(np.argmin(np.abs(k)))] if first is None else first
    i = i - (i @ k) * k
    i /= np.linalg.norm(i)
    return np.array([i, np.cross(k, i), k])


def _opened(area: Mask, radius: float) -> Mask:
    """Morphological opening by a disc (radius in pitches), air beyond the border.

    A wall stands half a step before the metal's first point, and a point stands for half a step around.
    """
    pad = int(np.ceil(radius)) + 2
    wide = np.pad(area, pad, constant_values=True)
    centres = ndimage.distance_transform_edt(wide) >= radius + 0.5
    return np.asarray(ndimage.distance_transform_edt(~centres) <= radius + 0.5)[pad:-pad, pad:-pad] & area


def _filled(corners: Array, facets: NDArray[np.int64], shape: NDArray[np.int64]) -> Mask:
    """Parity of the crossings of each column (at half steps) with the facets."""
    a, b, c = (corners[facets[:, k]] for k in range(3))
    area = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    flat = np.stack([a, b, c], axis=1)[:, :, :2] - 0.5
    first = np.maximum(np.ceil(flat.min(axis=1)), 0).astype(int)
    last = np.minimum(np.floor(flat.max(axis=1)), shape[:2] - 1).astype(int)
    size = np.maximum(last - first + 1, 0)
    size[np.abs(area) < 1e-12] = 0
    count = size[:, 0] * size[:, 1]
    t = np.repeat(np.arange(len(count)), count)
    n = np.arange(len(t)) - np.repeat(np.cumsum(count) - count, count)
    i, j = first[t, 0] + n % size[t, 0], first[t, 1] + n // size[t, 0]
    x, y = i + 0.5, j + 0.5
    wa = ((b[t, 0] - x) * (c[t, 1] - y) - (b[t, 1] - y) * (c[t, 0] - x)) / area[t]
    wb = ((c[t, 0] - x) * (a[t, 1] - y) - (c[t, 1] - y) * (a[t, 0] - x)) / area[t]
    wc = 1 - wa - wb
    hit = (wa >= 0) & (wb >= 0) & (wc >= 0)
    z = (wa * a[t, 2] + wb * b[t, 2] + wc * c[t, 2])[hit]
    # A crossing turns all points above it from metal to air or back.
    crossings = np.zeros((*shape[:2], shape[2] + 1), np.int32)
    np.add.at(crossings, (i[hit], j[hit], np.clip(np.ceil(z - 0.5), 0, shape[2]).astype(int)), 1)
    return np.asarray(np.cumsum(crossings, axis=2)[:, :, : shape[2]] % 2 == 1)

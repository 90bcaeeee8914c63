"""A height grid of the part from one side, and what a round cutter leaves on it.

The second opinion beside exact corners and sight: lines of sight on a square grid over one feature.
Heights are exact to the mesh (``Mesh.deflection_mm``) at the grid's points; a wall's place is known to
half a pitch, so volumes err by at most half a pitch times the wall area.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from featurize.brep.rays import first_hits
from featurize.brep.shadow import View
from featurize.brep.surfaces import Array
from featurize.feature import Vec3
from featurize.recognise.scene import vec
from routing.processes.base import JobContext
from routing.shop import Cutter

# Points across the longer side of a feature: fine enough to tell a gap to a hundredth of it.
_ACROSS = 96
_FINEST_MM = 0.02


@dataclass(frozen=True, eq=False)
class Leaving:
    """What a cutter leaves of a feature: volume, greatest height and where that is."""

    volume_mm3: float
    height_mm: float
    place: Vec3


@dataclass(frozen=True, eq=False)
class HeightGrid:
    """``heights`` (rows up, columns across) along ``view.along``, which points to the tool.

    ``mine`` marks the points whose uppermost face is the feature's, or which lie in front of its walls.
    """

    view: View
    pitch_mm: float
    low: Array  # (2,) place of the first point in the view
    heights: Array
    mine: NDArray[np.bool_]
    floor_mm: float  # the feature's lowest height

    @classmethod
    def over(cls, job: JobContext, ids: Iterable[int], toward: Array, margin_mm: float = 1.0) -> HeightGrid:
        """The grid over some faces, grown by a margin all round."""
        ids = list(ids)
        part = job.part
        up = part.frame.axes[int(np.argmin(np.abs(part.frame.axes @ toward)))]
        view = View.toward(part.frame.origin, toward, up)
        cloud = job.cloud(ids)
        flat = view.flat(cloud)
        pitch = max(float(np.ptp(flat, axis=0).max()) / _ACROSS, _FINEST_MM)
        margin = max(margin_mm, 3 * pitch)
        low = flat.min(axis=0) - margin
        counts = np.ceil((flat.max(axis=0) + margin - low) / pitch).astype(int) + 1
        across, rise = np.meshgrid(np.arange(counts[0]), np.arange(counts[1]))
        spots = low + pitch * (np.column_stack([across.ravel(), rise.ravel()]) + 0.5)
        level = (part.mesh.vertices - view.origin) @ view.along
        top, bottom = float(level.max()) + 1.0, float(level.min())
        distance, face = first_hits(part.mesh, view.solid(spots, top), -view.along)
        # Beside the part nothing stands in the way of a cutter.
        heights = np.where(np.isfinite(distance), top - distance, bottom).reshape(across.shape)
        own_top = np.isin(face, ids).reshape(across.shape)
        floor = float(((cloud - view.origin) @ view.along).min())
        rows = _bounds(flat, low, pitch)
        mine = own_top | ((heights <= floor + 1e-6) & _within(across.shape, rows))
        return cls(view, pitch, low, heights, mine, floor)

    @cached_property
    def depth_mm(self) -> float:
        """From the highest point beside the feature down to its lowest."""
        near = ndimage.binary_dilation(self.mine, iterations=3)
        if not near.any():
            return float(self.heights.max()) - self.floor_mm
        return float(self.heights[near].max()) - self.floor_mm

    def removed_mm3(self, job: JobContext) -> float:
        """What stood over the feature in a blank as high as the part."""
        top = float(((job.part.mesh.vertices - self.view.origin) @ self.view.along).max())
        return float(np.sum(top - self.heights[self.mine])) * self.pitch_mm**2

    def too_narrow(self, radius_mm: float) -> Vec3 | None:
        """Where a disc of this radius does not get in between walls; None when it does everywhere.

        Tried at the feature's floor; corners under 1.5 pitches are left to the exact check.
        """
        slack = 1.5 * self.pitch_mm
        free = self.heights <= self.floor_mm + max(0.02, 0.05 * self.depth_mm)
        # Beyond the window the air goes on if it is air at its border.
        pad = int(np.ceil(radius_mm / self.pitch_mm)) + 2
        wide = np.pad(free, pad, mode="edge")
        inside = ndimage.distance_transform_edt(wide) * self.pitch_mm
        centres = inside >= radius_mm - slack
        if not centres.any():
            return self._place(self.mine & free) if (self.mine & free).any() else None
        opened = ndimage.distance_transform_edt(~centres) * self.pitch_mm <= radius_mm
        missed = wide & ~ndimage.binary_dilation(opened, iterations=2)
        missed = missed[pad:-pad, pad:-pad] & self.mine
        # A stray cell is the grid's; a gap runs on for several.
        return self._place(missed) if int(missed.sum()) >= 4 else None

    def leaving(self, cutter: Cutter) -> Leaving:
        """Grey closing of the heights by a cutter's shape, within the feature."""
        r = cutter.radius_mm
        n = max(1, round(r / self.pitch_mm))
        u = np.arange(-n, n + 1) * self.pitch_mm
        away = np.hypot(*np.meshgrid(u, u))
        inside = away <= r + 1e-9
        beyond = np.clip(away - (r - cutter.corner_radius_mm), 0, cutter.corner_radius_mm)
        rise = cutter.corner_radius_mm - np.sqrt(cutter.corner_radius_mm**2 - beyond**2)
        high = np.pad(self.heights, n, mode="edge")
        tip = ndimage.grey_dilation(high, footprint=inside, structure=np.where(inside, -rise, 0.0))
        reached = ndimage.grey_erosion(tip, footprint=inside, structure=np.where(inside, -rise, 0.0))
        left = np.where(self.mine, (reached[n:-n, n:-n] - self.heights), 0.0)
        k = np.unravel_index(int(np.argmax(left)), left.shape)
        spot = np.zeros_like(self.mine)
        spot[k] = True
        return Leaving(float(left.sum()) * self.pitch_mm**2, float(left[k]), self._place(spot))

    def _place(self, mask: NDArray[np.bool_]) -> Vec3:
        rows, columns = np.nonzero(mask)
        k = len(rows) // 2
        flat = self.low + self.pitch_mm * (np.array([columns[k], rows[k]]) + 0.5)
        return vec(self.view.solid(flat, float(self.heights[rows[k], columns[k]])))


def _bounds(flat: Array, low: Array, pitch: float) -> tuple[Array, Array]:
    return (flat.min(axis=0) - low) / pitch, (flat.max(axis=0) - low) / pitch


def _within(shape: tuple[int, ...], bounds: tuple[Array, Array]) -> NDArray[np.bool_]:
    rows, columns = np.indices(shape)
    (x0, y0), (x1, y1) = bounds
    return np.asarray((columns + 0.5 >= x0) & (columns + 0.5 <= x1) & (rows + 0.5 >= y0) & (rows + 0.5 <= y1))

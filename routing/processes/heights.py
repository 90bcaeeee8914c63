"""A height grid of the part from one side, and what a round cutter leaves on it.

The second opinion beside exact corners and sight: lines of sight on a square grid over one feature.
Heights are exact to the mesh (``Mesh.deflection_mm``) at the grid's points; a wall's place is known to
half a pitch and a cutter's radius rounded as much, so volumes err by up to a pitch times the area of the
walls that the cutter touches.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from featurize import tolerances as tol
from featurize.brep.boxes import flat_boxes
from featurize.brep.silhouette import View, twice_area
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Vec3
from featurize.recognise.scene import vec
from routing.processes.context import JobContext, bearing
from routing.processes.tools import Cutter

# Points in a grid: enough to tell a gap to a hundredth of a feature, few enough for a second.
_POINTS = 20_000
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

    ``owned`` marks the points whose uppermost face is the feature's, or which lie in front of its walls.
    """

    view: View
    pitch_mm: float
    low: Array  # (2,) place of the first point in the view
    heights: Array
    owned: NDArray[np.bool_]
    floor_mm: float  # the feature's lowest height
    top_mm: float  # the part's highest, beside the grid too

    @classmethod
    def of(cls, job: JobContext, feature: Feature, toward: Array, around_mm: float = 1.0) -> HeightGrid:
        """The grid over a feature and as far around as a tool that stands beside it."""
        key = ("heights", feature.faces, around_mm, bearing(toward))
        return job.seen(key, lambda: cls.over(job, feature.faces, toward, around_mm))

    @classmethod
    def over(cls, job: JobContext, ids: Iterable[int], toward: Array, margin_mm: float) -> HeightGrid:
        """The grid over some faces, grown by a margin all round."""
        ids = list(ids)
        seen = _Toward.of(job, toward)
        view = seen.view
        cloud = job.cloud(ids)
        flat = view.flat(cloud)
        margin = margin_mm
        pitch = max(float(np.sqrt(np.prod(np.ptp(flat, axis=0) + 2 * margin) / _POINTS)), _FINEST_MM)
        low = flat.min(axis=0) - margin
        counts = np.ceil((flat.max(axis=0) + margin - low) / pitch).astype(int) + 1
        heights, face = seen.raster(low, pitch, (int(counts[1]), int(counts[0])))
        own = np.zeros(len(job.part.faces) + 1, bool)  # the last for what no face covers
        own[ids] = True
        own_top = own[face]
        floor = float(((cloud - view.origin) @ view.along).min())
        rows = _bounds(flat, low, pitch)
        ours = own_top | ((heights <= floor + 1e-6) & _within(heights.shape, rows))
        return cls(view, pitch, low, heights, ours, floor, seen.high_mm)

    @cached_property
    def depth_mm(self) -> float:
        """From the highest point beside the feature down to its lowest."""
        near = ndimage.binary_dilation(self.owned, iterations=3)
        if not near.any():
            return float(self.heights.max()) - self.floor_mm
        return float(self.heights[near].max()) - self.floor_mm

    @property
    def removed_mm3(self) -> float:
        """What stood over the feature in a blank as high as the part."""
        return float(np.sum(self.top_mm - self.heights[self.owned])) * self.pitch_mm**2

    def too_narrow(
        self, radius_mm: float, corners: Sequence[Vec3] = (), feet: Sequence[Array] = ()
    ) -> Vec3 | None:
        """Where a disc of this radius does not get in between walls; None when it does everywhere.

        Tried at the feature's floor and at each of ``feet``, lines (n, 3) at which its walls end higher up.
        A gap that just fits is never refused; one that is too narrow by 2.2 pitches always is. Around
        ``corners`` (model mm) a disc may stand off: nothing is asked there.
        """
        slack = max(0.02, 0.05 * self.depth_mm)
        asked = [(self.floor_mm, self.owned)]
        for line in feet:
            level = float(np.mean((line - self.view.origin) @ self.view.along))
            if level > self.floor_mm + slack:
                asked.append((level, self._cells(line)))
        for level, where in asked:
            gap = self._gap(level + slack, where, radius_mm, corners)
            if gap is not None:
                return gap
        return None

    def beside_path_mm(self, radius_mm: float, level_mm: float) -> float:
        """How near a cutter's axis, on its way over the feature's floor, comes to anything above a level.

        Known to a pitch and a half, to the safe side for a refusal; inf where nothing stands so high.
        """
        high = self.heights > level_mm + tol.LENGTH_MM
        if not high.any():
            return float("inf")
        free = self.heights <= self.floor_mm + max(0.02, 0.05 * self.depth_mm)
        room = ndimage.distance_transform_edt(np.pad(free, 1, mode="edge"))[1:-1, 1:-1] * self.pitch_mm
        path = self.owned & (room >= radius_mm)
        if not path.any():
            return float("inf")
        away = ndimage.distance_transform_edt(~high) * self.pitch_mm
        return float(away[path].min()) + 1.5 * self.pitch_mm

    def _cells(self, line: Array) -> NDArray[np.bool_]:
        """The points of the grid under a line (n, 3)."""
        flat = (self.view.flat(line) - self.low) / self.pitch_mm - 0.5
        length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(flat, axis=0), axis=1))])
        at = np.linspace(0, length[-1], int(2 * length[-1]) + 2)
        x, y = (np.interp(at, length, flat[:, k]).round().astype(int) for k in (0, 1))
        found = np.zeros_like(self.owned)
        inside = (x >= 0) & (y >= 0) & (x < found.shape[1]) & (y < found.shape[0])
        found[y[inside], x[inside]] = True
        return found

    def _gap(
        self, level_mm: float, where: NDArray[np.bool_], radius_mm: float, corners: Sequence[Vec3]
    ) -> Vec3 | None:
        slack = 0.6 * self.pitch_mm
        free = self.heights <= level_mm
        # Beyond the window the air goes on if it is air at its border.
        pad = int(np.ceil(radius_mm / self.pitch_mm)) + 2
        wide = np.pad(free, pad, mode="edge")
        inside = ndimage.distance_transform_edt(wide) * self.pitch_mm
        centres = inside >= radius_mm - slack
        # Where the cutter stands beside the feature's walls counts too.
        beside = ndimage.binary_dilation(where, iterations=2)
        if not centres.any():
            return self._place(beside & free) if (beside & free).any() else None
        opened = ndimage.distance_transform_edt(~centres) * self.pitch_mm <= radius_mm
        missed = wide & ~ndimage.binary_dilation(opened, iterations=2)
        missed = missed[pad:-pad, pad:-pad] & beside
        if corners:
            # A disc touches the walls of a corner at r / tan(a / 2) from it; 4 r covers 28 deg.
            rows, columns = np.nonzero(missed)
            spots = self.low + self.pitch_mm * (np.column_stack([columns, rows]) + 0.5)
            away = np.linalg.norm(spots[:, None] - self.view.flat(np.array(corners))[None], axis=2)
            missed[rows, columns] = away.min(axis=1) > 4 * radius_mm
        # A stray cell is the grid's; a gap runs on for several.
        return self._place(missed) if int(missed.sum()) >= 4 else None

    def leaving(self, *cutters: Cutter, inset_mm: float = 0.0) -> Leaving:
        """What none of some cutters takes, within the feature less a border."""
        reached = np.minimum.reduce([self._closed(c) for c in cutters])
        inner = self.owned
        if inset_mm:
            depth = ndimage.distance_transform_edt(np.pad(inner, 1))[1:-1, 1:-1] * self.pitch_mm
            inner = depth > inset_mm + self.pitch_mm
        left = np.where(inner, reached - self.heights, 0.0)
        k = np.unravel_index(int(np.argmax(left)), left.shape)
        spot = np.zeros_like(self.owned)
        spot[k] = True
        return Leaving(float(left.sum()) * self.pitch_mm**2, float(left[k]), self._place(spot))

    def _closed(self, cutter: Cutter) -> Array:
        """Grey closing of the heights by a cutter's shape."""
        # A disc of n and a half steps about a point reaches walls half a step beyond the last free one.
        n = max(0, round(cutter.radius_mm / self.pitch_mm - 0.5))
        r = (n + 0.5) * self.pitch_mm
        u = np.arange(-n, n + 1) * self.pitch_mm
        away = np.hypot(*np.meshgrid(u, u))
        inside = away <= r
        beyond = np.clip(away - (cutter.radius_mm - cutter.corner_radius_mm), 0, cutter.corner_radius_mm)
        rise = cutter.corner_radius_mm - np.sqrt(cutter.corner_radius_mm**2 - beyond**2)
        high = np.pad(self.heights, n, mode="edge")
        tip = ndimage.grey_dilation(high, footprint=inside, structure=np.where(inside, -rise, 0.0))
        reached = ndimage.grey_erosion(tip, footprint=inside, structure=np.where(inside, -rise, 0.0))
        return np.asarray(reached[n : n + len(self.heights), n : n + self.heights.shape[1]])

    def _place(self, mask: NDArray[np.bool_]) -> Vec3:
        rows, columns = np.nonzero(mask)
        k = len(rows) // 2
        flat = self.low + self.pitch_mm * (np.array([columns[k], rows[k]]) + 0.5)
        return vec(self.view.solid(flat, float(self.heights[rows[k], columns[k]])))


@dataclass(frozen=True, eq=False)
class _Toward:
    """The part's mesh seen from a tool: what every grid along one direction starts from.

    ``corners`` (m, 3, 2) and ``levels`` (m, 3) are of the facets that look to the tool, which cover all that
    the others do; ``faces`` (m,) are theirs, ``tree`` finds them by their boxes.
    """

    view: View
    corners: Array
    levels: Array
    faces: NDArray[np.int64]
    tree: shapely.STRtree
    low_mm: float
    high_mm: float

    @classmethod
    def of(cls, job: JobContext, toward: Array) -> _Toward:
        return job.seen(("toward", bearing(toward)), lambda: cls._made(job, toward))

    @classmethod
    def _made(cls, job: JobContext, toward: Array) -> _Toward:
        part = job.part
        mesh = part.mesh
        view = View.of(part, toward)
        level = (mesh.vertices - view.origin) @ view.along
        corners = view.flat(mesh.vertices)[mesh.triangles]
        facing = twice_area(corners) > 0
        corners, triangles = corners[facing], mesh.triangles[facing]
        tree = shapely.STRtree(flat_boxes(corners.min(axis=1), corners.max(axis=1)))
        faces = mesh.face_ids[facing]
        return cls(view, corners, level[triangles], faces, tree, float(level.min()), float(level.max()))

    def raster(self, low: Array, pitch: float, shape: tuple[int, int]) -> tuple[Array, NDArray[np.int64]]:
        """Highest point and its face at each grid point; beside the part the lowest level and -1."""
        far = low + pitch * (np.array(shape[::-1]) + 1)
        near = np.sort(self.tree.query(shapely.box(*low, *far)))
        # In grid steps, the grid's points at whole numbers.
        corners, level, owner = (self.corners[near] - low) / pitch - 0.5, self.levels[near], self.faces[near]
        area = twice_area(corners)
        t, x, y = _cells(corners, area > 1e-12, shape)
        a, b, c = (corners[t, k] for k in range(3))
        wa = (b[:, 0] - x) * (c[:, 1] - y) - (b[:, 1] - y) * (c[:, 0] - x)
        wb = (c[:, 0] - x) * (a[:, 1] - y) - (c[:, 1] - y) * (a[:, 0] - x)
        wc = area[t] - wa - wb
        hit = (wa >= -1e-9) & (wb >= -1e-9) & (wc >= -1e-9)
        t, cell = t[hit], y[hit] * shape[1] + x[hit]
        z = sum(w[hit] / area[t] * level[t, k] for k, w in enumerate((wa, wb, wc)))
        heights = np.full(shape[0] * shape[1], -np.inf)
        np.maximum.at(heights, cell, z)
        face = np.full(shape[0] * shape[1], -1, np.int64)
        top = z == heights[cell]
        face[cell[top]] = owner[t[top]]
        heights[np.isneginf(heights)] = self.low_mm
        return heights.reshape(shape), face.reshape(shape)


def _cells(
    corners: Array, wanted: NDArray[np.bool_], shape: tuple[int, int]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Facet, column and row of each grid point in the wanted facets (m, 3, 2), and of few beside them.

    Row by row, so that a long thin facet costs what it covers and not what its box does.
    """
    limits = np.array(shape[::-1])
    first = np.clip(np.ceil(corners.min(axis=1) - 1e-9), 0, limits).astype(np.int64)
    beyond = np.clip(np.floor(corners.max(axis=1) + 1e-9) + 1, 0, limits).astype(np.int64)
    rows = np.where(wanted & (beyond[:, 0] > first[:, 0]), np.maximum(beyond[:, 1] - first[:, 1], 0), 0)
    t, y = _spread(rows)
    y = y + first[t, 1]
    low, high = first[t, 0].astype(float), beyond[t, 0] - 1.0
    for k in range(3):
        # Left of the side from p to q, which runs counter-clockwise: rise * x + rest >= 0.
        p, q = corners[t, k], corners[t, (k + 1) % 3]
        rise = p[:, 1] - q[:, 1]
        rest = p[:, 0] * (q[:, 1] - y) - q[:, 0] * (p[:, 1] - y)
        with np.errstate(divide="ignore", invalid="ignore"):
            at = -rest / rise
        low = np.where(rise > _LEVEL, np.maximum(low, np.ceil(at - _BESIDE)), low)
        high = np.where(rise < -_LEVEL, np.minimum(high, np.floor(at + _BESIDE)), high)
    row, x = _spread(np.maximum(high - low + 1, 0).astype(np.int64))
    return t[row], x + low[row].astype(np.int64), y[row]


# In grid steps: a side that rises less bounds no row, and a point so near to a side is looked at.
_LEVEL, _BESIDE = 1e-7, 1e-3


def _spread(counts: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Each place in ``counts`` as often as it says, and which time it is, from 0."""
    owner = np.repeat(np.arange(len(counts)), counts)
    return owner, np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)


def _bounds(flat: Array, low: Array, pitch: float) -> tuple[Array, Array]:
    return (flat.min(axis=0) - low) / pitch, (flat.max(axis=0) - low) / pitch


def _within(shape: tuple[int, ...], bounds: tuple[Array, Array]) -> NDArray[np.bool_]:
    rows, columns = np.ogrid[: shape[0], : shape[1]]
    (x0, y0), (x1, y1) = bounds
    return np.asarray((columns + 0.5 >= x0) & (columns + 0.5 <= x1) & (rows + 0.5 >= y0) & (rows + 0.5 <= y1))

"""What an eye far off sees of a mesh: a depth buffer of its own, in numpy."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from featurize.brep.silhouette import twice_area
from featurize.brep.surfaces import Array
from routing.export.viewer.mesh import MeshEdge, ViewMesh

Ints = NDArray[np.int64]

# Pixels are worked on in lots of this many, to bound the memory.
_CHUNK = 50_000
# An edge is asked about once in so many pixels.
_STEP_PX = 1.0


@dataclass(frozen=True, eq=False)
class Shot:
    """``faces`` (h, w): place of the face seen in each pixel, -1 for none; ``light`` (h, w) from 0 to 1."""

    faces: Ints
    light: Array
    axes: Array
    low: Array  # of what is seen, in the eye's own right and up (mm)
    per_mm: float

    def pixels(self, points: Array) -> Array:
        """Model points (n, 3) to pixels (n, 2) from the upper left."""
        flat = (points @ self.axes[:2].T - self.low) * self.per_mm
        return np.column_stack([flat[:, 0], self.faces.shape[0] - flat[:, 1]])


def shoot(mesh: ViewMesh, axes: Array, size_px: tuple[int, int], per_mm: float | None = None) -> Shot:
    """The mesh within a frame of (width, height) pixels, its scale as large as fits or as given.

    ``axes`` (3, 3) has rows to the right, up and towards the eye.
    """
    seen = mesh.positions[mesh.triangles] @ axes.T
    low, high = seen[..., :2].min(axis=(0, 1)), seen[..., :2].max(axis=(0, 1))
    wide, tall = size_px
    fits = float(np.min((np.array([wide, tall]) - 6) / np.maximum(high - low, 1e-9)))
    per_mm = min(per_mm or fits, fits)
    low = (low + high) / 2 - np.array([wide, tall]) / per_mm / 2
    x = (seen[..., 0] - low[0]) * per_mm
    y = tall - (seen[..., 1] - low[1]) * per_mm
    z = seen[..., 2]
    turn = twice_area(np.stack([x, y], axis=2))
    front = np.flatnonzero(turn < -1e-9)  # y runs down: against the clock is negative
    weights = _weights(x[front], y[front], turn[front])
    triangles = mesh.triangles[front]
    near, bright = (np.einsum("kmw,mw->km", weights, v) for v in (z[front], _light(mesh, axes)[triangles]))
    face_of = mesh.face_of_triangle[front]
    faces = np.full(wide * tall, -1, np.int64)
    light = np.zeros(wide * tall)
    depth = np.full(wide * tall, -np.inf)
    for of, px, py in _covered(weights, y[front], wide, tall):
        at, far = py * wide + px, near[0, of] + near[1, of] * px + near[2, of] * py
        np.maximum.at(depth, at, far)
        won = far >= depth[at]
        at, of, px, py = at[won], of[won], px[won], py[won]
        faces[at] = face_of[of]
        light[at] = bright[0, of] + bright[1, of] * px + bright[2, of] * py
    return Shot(faces.reshape(tall, wide), light.reshape(tall, wide), axes, low, per_mm)


def _light(mesh: ViewMesh, axes: Array) -> Array:
    """How light each corner is, from over the eye's left shoulder."""
    lamp = np.array([-0.33, 0.54, 0.77])
    facing = mesh.normals @ axes.T
    return np.asarray(
        np.clip(0.45 + 0.4 * np.maximum(facing @ lamp, 0) + 0.2 * np.maximum(facing[:, 2], 0), 0, 1)
    )


def _weights(x: Array, y: Array, twice: Array) -> Array:
    """Of triangles' corners (m, 3) in pixels, twice their areas (m,): the weight of each corner over the
    middles of pixels, as (3, m, 3): at the first pixel, and its change to the right and down, by corner."""
    bx, by, cx, cy = (np.roll(c, -k, axis=1) for k in (1, 2) for c in (x, y))
    right, down = (by - cy) / twice[:, None], (cx - bx) / twice[:, None]
    return np.stack([(bx * cy - cx * by) / twice[:, None] + (right + down) / 2, right, down])


def _covered(weights: Array, y: Array, wide: int, tall: int) -> Iterator[tuple[Ints, Ints, Ints]]:
    """Triangle, column and row of each pixel whose middle a triangle covers, lot by lot.

    Each row's stretch follows from where the corners' weights change their sign along it.
    """
    y0 = np.clip(np.ceil(y.min(axis=1) - 0.5), 0, tall).astype(np.int64)
    y1 = np.clip(np.floor(y.max(axis=1) - 0.5), -1, tall - 1).astype(np.int64)
    of, place = _each(np.maximum(y1 - y0 + 1, 0))
    py = y0[of] + place
    base, right, down = weights
    with np.errstate(divide="ignore", invalid="ignore"):
        root, slope = -base / right, -down / right
    # Where a weight is the same all along the row, only the rows themselves are bounded by it.
    first, last = (
        (np.where(bounds, root, none)[of] + np.where(bounds, slope, 0.0)[of] * py[:, None])
        for bounds, none in ((right > 0, -np.inf), (right < 0, np.inf))
    )
    start = np.maximum(np.ceil(first.max(axis=1) - 1e-7), 0.0).astype(np.int64)
    stop = np.minimum(np.floor(last.min(axis=1) + 1e-7), wide - 1.0).astype(np.int64)
    count = np.maximum(stop - start + 1, 0)
    chunks = np.cumsum(count) // _CHUNK
    for n in np.unique(chunks):
        own = np.flatnonzero(chunks == n)
        row, step = _each(count[own])
        row = own[row]
        yield of[row], start[row] + step, py[row]


def _each(count: Ints) -> tuple[Ints, Ints]:
    """For each of several runs of a length: the run, and the place in it."""
    of = np.repeat(np.arange(len(count)), count)
    return of, np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)


def visible(shot: Shot, edges: Sequence[MeshEdge]) -> list[list[Array]]:
    """Of each edge the seen stretches, as pixels (n, 2): where a face that it bounds shows beside it."""
    if not edges:
        return []
    sizes = np.array([len(edge.points) for edge in edges])
    flat = shot.pixels(np.vstack([edge.points for edge in edges]))
    last = np.cumsum(sizes) - 1
    ahead = np.diff(flat, axis=0, append=flat[-1:])
    ahead[last] = 0.0  # from the end of one edge nothing leads to the next
    steps = np.maximum(1, np.ceil(np.linalg.norm(ahead, axis=1) / _STEP_PX)).astype(np.int64)
    steps[last] = 1
    of, place = _each(steps)
    line = flat[of] + (place / steps[of])[:, None] * ahead[of]
    edge_of = np.repeat(np.arange(len(edges)), sizes)[of]
    tall, wide = shot.faces.shape
    x, y = np.floor(line.T).astype(np.int64)
    px, py = (np.clip(v + np.array([[-1], [0], [1]]), 0, n - 1) for v, n in ((x, wide), (y, tall)))
    around = shot.faces[py[:, None], px[None]]  # (3, 3, n)
    faces = np.array([edge.faces for edge in edges])[edge_of].T
    seen = np.any([around == face for face in faces], axis=(0, 1, 2))
    new = np.diff(edge_of, prepend=-1) != 0
    begins = np.flatnonzero(seen & (new | ~np.concatenate([[False], seen[:-1]])))
    ends = np.flatnonzero(seen & np.concatenate([new[1:] | ~seen[1:], [True]])) + 1
    found: list[list[Array]] = [[] for _ in edges]
    for first, end in zip(begins, ends, strict=True):
        if end - first > 2:
            keep = place[first:end] == 0  # the edge's own corners
            keep[[0, -1]] = True
            found[edge_of[first]].append(line[first:end][keep])
    return found


def middle_of(mask: NDArray[np.bool_]) -> tuple[tuple[float, float], float]:
    """The point of a mask (h, w) that lies deepest in it, as pixel (x, y), and how deep (pixels)."""
    from scipy.ndimage import distance_transform_edt

    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    cut = np.pad(mask[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1], 1)
    depth = distance_transform_edt(cut)
    y, x = np.unravel_index(int(np.argmax(depth)), depth.shape)
    return (float(x - 1 + columns[0]), float(y - 1 + rows[0])), float(depth[y, x])


def areas(shot: Shot) -> Mapping[int, int]:
    """Pixels of each face that is seen."""
    seen, count = np.unique(shot.faces[shot.faces >= 0], return_counts=True)
    return dict(zip(seen.tolist(), count.tolist(), strict=True))

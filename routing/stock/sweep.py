"""Proof by simulation: wheels swept over the part, and points asked whether they are inside.

Along a traverse a wheel passes every place, so a grid of heights seen along it keeps only the highest in each
column across: a line of heights, as fine as microns. It comes from the meshes alone; of the maker of the
stock it uses only where it says that its wheels went.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from featurize import tolerances as tol
from featurize.brep.part import Mesh, Part
from featurize.brep.rays import hit_counts
from featurize.brep.silhouette import View
from featurize.brep.surfaces import Array, Plane
from featurize.feature import Vec3
from routing.processes.protocol import Allowance
from routing.processes.surface_grind.clip import between
from routing.processes.surface_grind.cuts import GroundCut
from routing.processes.surface_grind.path import lowest
from routing.stock.ground import GroundStock
from routing.stock.walls import walls_of

# Columns across the part; a hundredth of a millimetre is a fifth of the finest wheel corner.
_COLUMNS = 6000
_FINEST_MM = 0.002
# What a height may be off over flat faces: what a floor may miss its allowance by ...
FLAT_MM = 5e-4
# ... and over curved ones, where two meshes part by their chords.
CURVED_MM = 2 * tol.MESH_DEFLECTION_MM
# Columns that are asked together whether an edge lies under them.
_BLOCK = 32
# Between two stops nothing is asked so near to them: there the wheel's round begins.
_INSIDE_MM = 1e-3
# A stretch narrower than this many columns is the grid's own.
_STRAY = 3
# Points asked whether they lie inside, and how far from a skin they keep.
_POINTS = 600
_ASIDE_MM = 4 * tol.MESH_DEFLECTION_MM
# A direction that no face of a part is likely to be parallel to.
_ASKEW = np.array([0.2837, 0.4719, 0.8348]) / np.linalg.norm([0.2837, 0.4719, 0.8348])


@dataclass(frozen=True)
class SweepFault:
    """Something that does not hold: what, how large (mm), how wide across, and where (model mm)."""

    what: str
    size_mm: float
    width_mm: float
    place: Vec3

    def __str__(self) -> str:
        where = ", ".join(f"{c:.3f}" for c in self.place)
        wide = f" over {self.width_mm:.3f}" if self.width_mm else ""
        return f"{self.what} by {self.size_mm:.4f}{wide} at ({where})"


@dataclass(frozen=True)
class Sweep:
    """The result for one side and traverse; ``floor_worst_mm`` is the largest miss over flat floors."""

    side: Vec3
    traverse: Vec3
    pitch_mm: float
    columns: int
    floor_worst_mm: float
    faults: tuple[SweepFault, ...]


@dataclass(frozen=True, eq=False)
class LevelLine:
    """The highest level in each column and the facet that holds it (-1 for none)."""

    height: Array
    facet: NDArray[np.int64]


def line_of(view: View, triangles: Array, low: float, pitch: float, count: int) -> LevelLine:
    """The heights of a mesh (m, 3, 3) seen along its view, at ``count`` columns from ``low`` on."""
    normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    looks_up = np.flatnonzero(normals @ view.up > 1e-9 * np.linalg.norm(normals, axis=1))
    flat = view.flat(triangles[looks_up])
    ends = np.stack([flat, np.roll(flat, -1, axis=1)], axis=2).reshape(-1, 2, 2)
    owner = np.repeat(looks_up, 3)
    ends = np.where((ends[:, 0, 0] > ends[:, 1, 0])[:, None, None], ends[:, ::-1], ends)
    # An edge covers the columns within it; what is parallel to the traverse is a point and covers none.
    first = np.clip(np.ceil((ends[:, 0, 0] - low) / pitch), 0, count).astype(np.int64)
    last = np.clip(np.floor((ends[:, 1, 0] - low) / pitch) + 1, 0, count).astype(np.int64)
    at = low + pitch * np.arange(count)
    blocks = -(-count // _BLOCK)
    height = np.full(blocks * _BLOCK, -np.inf)
    height[count:] = np.inf
    facet = np.full(count, -1, np.int64)
    highest = ends[:, :, 1].max(axis=1)
    left = np.argsort(-highest, kind="stable")
    left = left[(last > first)[left] & (ends[left, 1, 0] > ends[left, 0, 0])]
    some = _BLOCK
    while len(left):
        for k in left[:some]:
            i, j = first[k], last[k]
            (x, y), (u, v) = ends[k]
            z = y + (at[i:j] - x) * ((v - y) / (u - x))
            window = height[i:j]
            above = z > window
            window[above] = z[above]
            facet[i:j][above] = owner[k]
        left = left[some:]
        some *= 2
        if len(left):  # most of what is left is hidden by now
            least = np.append(height.reshape(blocks, _BLOCK).min(axis=1), np.inf)
            spans = np.column_stack([first[left] // _BLOCK, (last[left] - 1) // _BLOCK + 1]).ravel()
            left = left[np.minimum.reduceat(least, spans)[::2] < highest[left]]
    return LevelLine(height[:count], facet)


def reach(height: Array, width_mm: float, corner_mm: float, pitch: float) -> Array:
    """What a wheel leaves over a line of heights (n,): lowered everywhere until it touches.

    The heights closed by the wheel's profile, a flat with rounded corners; beyond the line lies air.
    """
    flat = max(0, int(np.floor((width_mm - 2 * corner_mm) / pitch)) - 1)
    flat -= 1 - flat % 2  # an odd number of columns has a middle
    corner = int(np.floor(corner_mm / pitch))
    u = np.arange(-corner, corner + 1) * pitch
    rise = np.sqrt(np.maximum(corner_mm**2 - u**2, 0)) - corner_mm
    pad = max(flat, 0) + corner + 1
    tip = np.pad(height, pad, constant_values=float(height[np.isfinite(height)].min()) - 1e3)
    tip = np.where(np.isfinite(tip), tip, tip.min())
    if flat > 1:
        tip = ndimage.maximum_filter1d(tip, flat)
    tip = ndimage.grey_dilation(tip, footprint=np.ones_like(u, bool), structure=rise)
    tip = ndimage.grey_erosion(tip, footprint=np.ones_like(u, bool), structure=rise)
    if flat > 1:
        tip = ndimage.minimum_filter1d(tip, flat)
    return np.asarray(tip[pad:-pad])


def sweeps(part: Part, stock: GroundStock, body: Array) -> tuple[Sweep, ...]:
    """Every side and traverse ground; ``body`` are the facets (m, 3, 3) of the stock's solid."""
    groups: dict[tuple[float, ...], list[GroundCut]] = {}
    for c in stock.removed:
        key = (*(np.round(np.concatenate([c.view.up, c.view.along, c.stops]), 6) + 0.0),)
        groups.setdefault(key, []).append(c)
    return tuple(_sweep(part, stock, body, cuts) for cuts in groups.values())


def _between(triangles: Array, view: View, stops: tuple[float, float]) -> tuple[Array, NDArray[np.int64]]:
    """What of facets (m, 3, 3) lies between two stops of a wheel's axis, and of which each is."""
    along = (triangles - view.origin) @ view.along
    deep = np.concatenate([triangles, along[:, :, None]], axis=2)
    inside, of = between(deep, 3, stops[0] + _INSIDE_MM, stops[1] - _INSIDE_MM)
    return inside[:, :, :3], of


def _sweep(part: Part, stock: GroundStock, body: Array, cuts: Sequence[GroundCut]) -> Sweep:
    view = cuts[0].view
    ours, of = _between(part.mesh.vertices[part.mesh.triangles], view, cuts[0].stops)
    face_ids, (body, _) = part.mesh.face_ids[of], _between(body, view, cuts[0].stops)
    across = view.flat(part.mesh.vertices)[:, 0]
    low, span = float(across.min()), float(np.ptp(across))
    pitch = max(span / _COLUMNS, _FINEST_MM)
    count = int(span / pitch)
    low += (span - (count - 1) * pitch) / 2  # clear of both outer walls
    at: Array = low + pitch * np.arange(count, dtype=float)
    own, left = (line_of(view, mesh, low, pitch, count) for mesh in (ours, body))
    went = np.full(count, np.inf)
    for c in cuts:
        went = np.minimum(went, lowest(c.path, at))
    lean, slope = _tilt(view, ours)
    planes = [f.id for f in part.faces if isinstance(f.surface, Plane)]
    flat = np.isin(np.where(own.facet >= 0, face_ids[own.facet], -1), planes)
    near = np.where(flat, FLAT_MM, CURVED_MM)
    swept = np.isfinite(went)
    faults: list[SweepFault] = []

    def blame(what: str, over: Array, where: NDArray[np.bool_], slack: Array | float) -> None:
        bad = where & (over > slack)
        places, number = ndimage.label(bad)
        for k in range(1, number + 1):
            cells = np.flatnonzero(places == k)
            if len(cells) < _STRAY:
                continue
            worst = cells[int(np.argmax(over[cells]))]
            inside = ours[own.facet[worst]].mean(axis=0)
            spot = view.solid(
                np.array([at[worst], own.height[worst]]), float((inside - view.origin) @ view.along)
            )
            x, y, z = (float(v) for v in spot)
            faults.append(SweepFault(what, float(over[worst]), len(cells) * pitch, (x, y, z)))

    # One column's doubt beside an upright wall, where a mesh's chords move it.
    inner = np.where(flat, own.height, ndimage.minimum_filter1d(own.height, _STRAY))
    blame("a wheel touches the part", inner - went, swept, near)
    body_is = np.isfinite(left.height)
    blame("the part stands over the stock", _over(inner, left.height), body_is, near)

    passed = {f for c in cuts for f in c.features} - {f for f, _ in stock.left_out}
    floor_of, wall_of = (np.full(len(part.faces) + 1, np.nan) for _ in range(2))  # the last for no face
    for f in sorted(passed):
        for i in stock.faces.get(f, ()):
            left_on = stock.allowances.get(i, Allowance())
            floor_of[i], wall_of[i] = left_on.floor_mm, left_on.wall_mm
    rise = np.nan_to_num(floor_of[face_ids])
    rise = np.where(lean > np.sqrt(0.5), rise / np.maximum(lean, 0.5), 0.0)
    held, raised = own.facet, own.height + rise[own.facet]
    if len(np.unique(floor_of[np.isfinite(floor_of)])) > 1:
        # Of level faces, one behind the other, the one that keeps most is what the wheel stops at.
        lifted = line_of(view, ours + rise[:, None, None] * view.up, low, pitch, count)
        held, raised = lifted.facet, lifted.height
    face = np.where(held >= 0, face_ids[held], -1)
    lean, slope, flat = lean[held], slope[held], np.isin(face, planes)
    floor, wall = floor_of[face], wall_of[face]
    wanted = np.isfinite(floor)
    # What other processes are to take stands beside a wheel as a wall does.
    raised = np.where(wanted, raised, np.maximum(own.height, left.height))
    raised = _trimmed(raised, own.height, np.where(wanted & flat, face, -1), slope, pitch)
    kept = raised.copy()
    for mm in np.unique(wall[wanted]):
        spread = 2 * int(np.ceil(np.sqrt(2) * mm / pitch)) + 1
        shade = ndimage.maximum_filter1d(raised, spread)
        # A wall that keeps more than its ledge is wide stands out over the next feature.
        out = ndimage.maximum_filter1d((wall == mm) & (shade > raised + FLAT_MM), spread)
        kept = np.where((wall == mm) | out, np.maximum(kept, shade), kept)
    for w in walls_of(part, stock, view, sorted(passed)):
        first, last = np.searchsorted(at, np.sort([w.across, w.across + w.sense * w.left_mm]))
        behind = int(np.clip(np.searchsorted(at, w.across) - (w.sense > 0), 0, count - 1))
        kept[first:last] = np.maximum(kept[first:last], raised[behind])
    least = min(cuts, key=lambda c: c.wheel.width_mm)
    corner = max(c.corner_mm for c in cuts)
    formed = _is_formed(view, part, face[wanted])
    may = reach(kept, 2 * corner if formed else least.wheel.width_mm, corner, pitch)
    may = ndimage.maximum_filter1d(may, _STRAY)
    # Under a wheel's corner it is the stock that is round, and its mesh may be a chord's length beside it.
    chord = 2 * np.sqrt(2 * corner * tol.MESH_DEFLECTION_MM)
    even = flat & (may < raised + FLAT_MM)
    even = np.asarray(ndimage.binary_erosion(even, iterations=int(np.ceil(chord / pitch)), border_value=1))
    # Of what is ground in part a wheel leaves what is not worth its strokes, and keeps a chord off the rest.
    aside = int(np.ceil((corner + 4 * tol.MESH_DEFLECTION_MM) / pitch))
    some = [f for region in stock.in_part for f in stock.faces[region]]
    clear = np.asarray(ndimage.binary_erosion(swept, iterations=aside) | ~np.isin(face, some))
    even &= clear
    body_line = np.where(even, left.height, ndimage.minimum_filter1d(left.height, _STRAY))
    near = np.where(even, FLAT_MM, CURVED_MM)
    blame("stock is left where a wheel went", body_line - went, swept & np.isfinite(body_line), near)
    rough = np.where(even, FLAT_MM, np.where(flat, CURVED_MM, CURVED_MM + np.fmax(floor, wall)))
    # In the shade of a wall's allowance nothing is asked; steep faces are told by their feet and rims.
    asked = wanted & (lean > np.sqrt(0.5)) & (kept < raised + FLAT_MM)
    asked &= clear
    blame("a wheel could go deeper", _over(body_line, may), asked, rough)
    plain = wanted & swept & even & (lean > np.sqrt(0.5))
    plain = np.asarray(ndimage.binary_erosion(plain, iterations=_STRAY))
    miss = np.abs(_over(left.height, raised))
    blame("a floor misses its allowance", miss, plain, FLAT_MM)
    x, y = ((float(v[0]), float(v[1]), float(v[2])) for v in (view.up, view.along))
    return Sweep(x, y, pitch, count, float(miss[plain].max(initial=0.0)), tuple(faults))


def _over(line: Array, other: Array) -> Array:
    """How far one line of heights lies over another; 0 where one has none."""
    both = np.isfinite(line) & np.isfinite(other)
    return np.subtract(line, other, out=np.zeros_like(line), where=both)


def _tilt(view: View, triangles: Array) -> tuple[Array, Array]:
    """Of each facet the sine of its angle with up, and its rise per mm across."""
    normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    length = np.linalg.norm(normals, axis=1)
    up = normals @ view.up
    slope = -(normals @ view.across) / np.where(np.abs(up) > 1e-9 * length, up, np.inf)
    return np.abs(up) / np.where(length > 0, length, 1.0), slope


def _trimmed(raised: Array, height: Array, face: NDArray[np.int64], slope: Array, pitch: float) -> Array:
    """Levels with allowance, where a flat face that keeps less is ground straight on past their common edge.

    ``face`` is -1 where a column is not on a flat ground face.
    """
    found = raised.copy()
    for i in np.flatnonzero((face[1:] != face[:-1]) & (face[1:] >= 0) & (face[:-1] >= 0)):
        if abs(height[i + 1] - height[i]) > pitch * (abs(slope[i]) + abs(slope[i + 1])) + 1e-6:
            continue  # a wall stands between them
        if slope[i] <= slope[i + 1]:
            continue  # an inward edge: what each keeps stands over the other's end
        for near, far, step in ((i, i + 1, -1), (i + 1, i, 1)):
            columns = np.arange(near, len(face) if step > 0 else -1, step)
            columns = columns[: int(np.argmin(np.append(face[columns] == face[near], False)))]
            onward = raised[far] + slope[far] * pitch * (columns - far)
            lower = columns[: int(np.argmin(np.append(onward < raised[columns] - 1e-9, False)))]
            found[lower] = np.minimum(found[lower], onward[: len(lower)])
    return found


def _is_formed(view: View, part: Part, faces: Iterable[int]) -> bool:
    """Whether the wheel is dressed to an arc or a slant: then only its corner is its own."""
    for i in set(map(int, faces)):
        surface = part.faces[i].surface
        if not isinstance(surface, Plane) or 1e-6 < abs(float(surface.normal @ view.up)) < 1 - 1e-6:
            return True
    return False


def outliers(part: Part, stock: GroundStock, body: Array) -> tuple[SweepFault, ...]:
    """Points of the part outside the stock, and of the wheels' paths inside it, by parity of rays."""
    mesh = Mesh(
        body.reshape(-1, 3),
        np.arange(3 * len(body)).reshape(-1, 3),
        np.zeros(len(body), np.int64),
        tol.MESH_DEFLECTION_MM,
    )
    rng = np.random.default_rng(1)
    faults = []
    inside = _within(part, rng)
    out = ~odd(mesh, inside)
    if out.any():
        faults.append(_group("points of the part lie outside the stock", inside[out], len(inside)))
    for c in stock.removed:
        air = _in_path(stock, c, rng)
        held = odd(mesh, air)
        if held.any():
            faults.append(_group("points in a wheel's path lie inside the stock", air[held], len(air)))
    return tuple(faults)


def odd(mesh: Mesh, points: Array) -> NDArray[np.bool_]:
    """Whether a ray from each point (n, 3) meets a closed mesh an odd number of times."""
    return np.asarray(hit_counts(mesh, points, _ASKEW) % 2 == 1) if len(points) else np.zeros(0, bool)


def _group(what: str, points: Array, asked: int) -> SweepFault:
    x, y, z = (float(v) for v in points[0])
    return SweepFault(f"{len(points)} of {asked} {what}", float(np.ptp(points, axis=0).max()), 0.0, (x, y, z))


def _within(part: Part, rng: np.random.Generator) -> Array:
    """Points just under the part's skin, spread by area; those that come out again elsewhere are dropped."""
    corners = part.mesh.vertices[part.mesh.triangles]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(normals, axis=1)
    chosen = rng.choice(len(area), _POINTS, p=area / area.sum())
    weights = rng.dirichlet([1.0, 1.0, 1.0], _POINTS)
    points = np.einsum("nk,nkd->nd", weights, corners[chosen])
    points -= _ASIDE_MM * normals[chosen] / area[chosen, None]
    return np.asarray(points[odd(part.mesh, points)])


def _in_path(stock: GroundStock, c: GroundCut, rng: np.random.Generator) -> Array:
    """Points above the bottom of a wheel's path, anywhere along the traverse."""
    ends = np.array([s.start for s in c.path])
    at = np.sort(rng.uniform(ends[:, 0].min(), ends[:, 0].max(), _POINTS))
    # Clear of walls: the bottom is the highest within the distance kept.
    bottom = np.max([lowest(c.path, at + d) for d in (-_ASIDE_MM, 0.0, _ASIDE_MM)], axis=0) + _ASIDE_MM
    top = float(ends[:, 1].max())
    keep = bottom < top
    at, bottom = at[keep], bottom[keep]
    level = bottom + (top - bottom) * rng.uniform(0, 1, len(at)) ** 2
    ends = np.array(stock.blank.extent(c.view.along)) - float(c.view.origin @ c.view.along)
    low, high = np.clip(c.stops, ends[0], ends[1])
    along = rng.uniform(low, high, len(at))
    return c.view.solid(np.column_stack([at, level])) + np.outer(along, c.view.along)

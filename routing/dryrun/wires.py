"""What the wire takes: between the two outlines of each pass, as the drawing has them, over the whole
stock.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import shapely
from ezdxf.lldxf.const import DXFError
from manifold3d import Manifold

from featurize.brep.surfaces import Array
from routing.dryrun.scene import Bench
from routing.dryrun.solids import CHORD_MM, MeshError, circle, joined, moved, ruled
from routing.dryrun.written import FolderError

_BEYOND_MM = 0.5
_FAR_MM = 500.0
_SAME_MM = 1e-3
# Less is what a wire that passes close to a fixture rounds to.
_MEETS_MM2 = 0.01
# A wall's height is halved so often where its outline turns inside out before the stock ends.
_HALVINGS = 40


@dataclass(frozen=True)
class DrawnOutline:
    """``corners`` (n, 3): x, y and the bulge of the piece that starts there; in the setup's zero."""

    corners: Array
    height_mm: float
    closed: bool


@dataclass(frozen=True, eq=False)
class WireOutlines:
    """Outlines by layer."""

    path: Path

    @cached_property
    def layers(self) -> Mapping[str, DrawnOutline]:
        """Raises FolderError for a drawing that cannot be read."""
        try:
            space = ezdxf.readfile(self.path).modelspace()
        except (OSError, DXFError) as error:
            raise FolderError(f"{self.path} cannot be read ({error}): route the part again") from None
        found = {}
        for line in space.query("LWPOLYLINE"):
            points = np.array([(x, y, bulge) for x, y, *_, bulge in line.get_points("xyseb")])
            found[line.dxf.layer] = DrawnOutline(
                points[:, [0, 1, 2]], float(line.dxf.elevation), bool(line.closed)
            )
        return found


def body_of(entry: Mapping[str, Any], drawing: WireOutlines, bench: Bench, stock: Manifold) -> Manifold:
    """What one pass takes out of a stock (setup's coordinates), with its way in. Model coordinates.

    Raises FolderError where the drawing lacks it or makes no solid of it.
    """
    name = entry["name"]
    try:
        upper, lower = (drawing.layers[layer] for layer in entry["layers"])
    except KeyError as error:
        raise FolderError(
            f"{drawing.path} has no layer {error}, which {name} needs: route it again"
        ) from None
    if len(upper.corners) != len(lower.corners) or upper.height_mm <= lower.height_mm:
        raise FolderError(f"{drawing.path}: the two outlines of {name} do not match: route the part again")
    box = stock.bounding_box()
    high, low = box[5] + _BEYOND_MM, box[2] - _BEYOND_MM
    above, below = together(upper, lower)
    ways = (above, upper.height_mm), (below, lower.height_mm)
    try:
        if upper.closed:
            body = _between(ways, high, low)
            if _turns_right(above):  # the wire goes round what stays
                x0, y0, _, x1, y1, _ = box
                outer = Manifold.cube((x1 - x0 + 2, y1 - y0 + 2, high - low)).translate((x0 - 1, y0 - 1, low))
                body = outer - body
        else:
            body = _between(tuple((_to_the_left(points), z) for points, z in ways), high, low)
    except MeshError as error:
        raise FolderError(f"{drawing.path}: {name} makes no solid ({error}): route the part again") from None
    kerf = entry["wire_mm"] / 2 + entry["gap_mm"]
    lead = _lead(entry, drawing, kerf, high, low)
    return moved(joined([body, lead]), bench.zero.axes, bench.zero.origin)


def met_by_wire(entry: Mapping[str, Any], drawing: WireOutlines, bench: Bench) -> list[str]:
    """Names of the fixtures beside the part that the wire runs into on one pass or on its way in."""
    upper, lower = (drawing.layers[layer] for layer in entry["layers"])
    above, below = together(upper, lower)
    lead = drawing.layers.get((entry.get("lead") or {}).get("layer", ""))
    found = []
    for fixture in bench.beside:
        (x0, y0, low), (x1, y1, high) = fixture.low_mm, fixture.high_mm
        ways = [] if lead is None else [shapely.linestrings(lead.corners[:, :2])]
        for z in (low, high):
            share = (z - lower.height_mm) / (upper.height_mm - lower.height_mm)
            way = below + share * (above - below)
            ways.append(shapely.linestrings(np.vstack([way, way[:1]]) if upper.closed else way))
        kerf = shapely.buffer(shapely.union_all(ways), entry["wire_mm"] / 2 + entry["gap_mm"])
        if shapely.intersection(kerf, shapely.box(x0, y0, x1, y1)).area > _MEETS_MM2:
            found.append(fixture.name)
    return found


def together(upper: DrawnOutline, lower: DrawnOutline) -> tuple[Array, Array]:
    """Points (n, 2) of both outlines, at the same shares of each piece."""
    found: tuple[list[Array], list[Array]] = ([], [])
    n = len(upper.corners)
    for k in range(n if upper.closed else n - 1):
        ends = [(o.corners[k], o.corners[(k + 1) % n]) for o in (upper, lower)]
        count = max(_parts(a, b) for a, b in ends)
        share = np.arange(count) / count
        for points, (a, b) in zip(found, ends, strict=True):
            points.append(_along(a, b, share))
    if not upper.closed:
        for points, o in zip(found, (upper, lower), strict=True):
            points.append(o.corners[-1:, :2])
    return np.concatenate(found[0]), np.concatenate(found[1])


def _parts(a: Array, b: Array) -> int:
    if abs(a[2]) < 1e-12:
        return 1
    turn = 4 * math.atan(abs(a[2]))
    radius = float(np.hypot(*(b - a)[:2])) / 2 / math.sin(turn / 2)
    step = 2 * math.acos(max(1 - CHORD_MM / radius, 0.0))
    return max(2, math.ceil(turn / step))


def _along(a: Array, b: Array, share: Array) -> Array:
    """Points of a piece at shares of its length; a bulge is the tangent of a quarter of its turn."""
    start, end, bulge = a[:2], b[:2], float(a[2])
    if abs(bulge) < 1e-12:
        return np.asarray(start + share[:, None] * (end - start))
    chord = end - start
    left = np.array([-chord[1], chord[0]])
    centre = (start + end) / 2 + left * (1 - bulge**2) / (4 * bulge)
    turn = 4 * math.atan(bulge) * share
    arm = start - centre
    cos, sin = np.cos(turn)[:, None], np.sin(turn)[:, None]
    return np.asarray(centre + arm * cos + np.array([-arm[1], arm[0]]) * sin)


def _between(ways: Sequence[tuple[Array, float]], high: float, low: float) -> Manifold:
    """The lines through both outlines from ``low`` to ``high``, as far as they do not cross."""
    (above, top), (below, foot) = ways

    def at(z: float) -> Array:
        return np.asarray(below + (above - below) * (z - foot) / (top - foot))

    high, low = _last(at, top, high), _last(at, foot, low)
    return ruled(at(high), at(low), high, low)


def _last(at: Any, good: float, wanted: float) -> float:
    if _is_simple(at(wanted)):
        return wanted
    bad = wanted
    for _ in range(_HALVINGS):
        middle = (good + bad) / 2
        good, bad = (middle, bad) if _is_simple(at(middle)) else (good, middle)
    return good


def _is_simple(points: Array) -> bool:
    return bool(shapely.is_simple(shapely.linearrings(points)))


def _turns_right(points: Array) -> bool:
    x, y = points.T
    return bool(x @ np.roll(y, -1) < y @ np.roll(x, -1))


def _to_the_left(points: Array) -> Array:
    """An open outline, its ends drawn on, closed far to its left: the wire's side."""
    first, last = points[0] - points[1], points[-1] - points[-2]
    start = points[0] + first / np.hypot(*first) * _FAR_MM
    end = points[-1] + last / np.hypot(*last) * _FAR_MM
    along = end - start
    left = np.array([-along[1], along[0]]) / np.hypot(*along) * _FAR_MM
    return np.vstack([start, points, end, end + left, start + left])


def _lead(
    entry: Mapping[str, Any], drawing: WireOutlines, kerf_mm: float, high: float, low: float
) -> Manifold:
    """What the wire burns on its way in, up to where it touches the wall.

    Where the route file and the drawing differ, the drawing's way goes straight down.
    """
    lead = entry.get("lead") or {}
    way = drawing.layers.get(lead.get("layer", ""))
    if way is None:
        return Manifold()
    ends = [np.array(lead[key], dtype=float) for key in ("upper_mm", "lower_mm")]
    drawn = way.corners[:, :2]
    if not any(drawn.shape == e.shape and np.abs(drawn - e).max() < _SAME_MM for e in ends):
        # the drawing is what the wire follows: straight down
        ends = [drawn, drawn]
    above, below = (_short(points, kerf_mm) for points in ends)
    top, foot = entry["heights_mm"]

    def at(z: float) -> Array:
        return np.asarray(below + (above - below) * (z - foot) / (top - foot))

    radius = kerf_mm - CHORD_MM
    upper, lower = at(high), at(low)
    return joined(
        [
            Manifold.hull_points(np.vstack([_round(p, radius, z) for p, z in corners]))
            for corners in (
                ((upper[k], high), (upper[k + 1], high), (lower[k], low), (lower[k + 1], low))
                for k in range(len(upper) - 1)
            )
        ]
    )


def _short(points: Array, by_mm: float) -> Array:
    """A way (n, 2) without its last bit."""
    end = points[-1] - points[-2]
    length = float(np.hypot(*end))
    return np.vstack([points[:-1], points[-2] + end * max(1 - by_mm / max(length, 1e-9), 0.0)])


def _round(middle: Array, radius_mm: float, z: float) -> Array:
    turn = np.linspace(0, 2 * np.pi, circle(radius_mm), endpoint=False)
    return np.column_stack(
        [middle[0] + radius_mm * np.cos(turn), middle[1] + radius_mm * np.sin(turn), np.full(len(turn), z)]
    )

"""Proof in the plane across a traverse: whether wheels can make the paths, and come to the walls."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import shapely

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.planar_path import is_foot, polygon_of
from featurize.brep.surfaces import Array
from routing.processes.surface_grind.cuts import GroundCut
from routing.processes.surface_grind.view import ENDLESS
from routing.stock.ground import GroundStock
from routing.stock.sweep import FLAT_MM, SweepFault
from routing.stock.walls import walls_of

# A square foot lacks (1 - pi/4) r^2 of a wheel's corner r; this share of that is a chord's.
_LACKS = 0.25
# Chords of a quarter turn where a corner is rolled.
_QUARTER = 32
# Heights at which a wall is looked at.
_LEVELS = 5


def passes(part: Part, stock: GroundStock) -> tuple[SweepFault, ...]:
    """Feet sharper than the wheel's corner, and walls that the wheels stay off or go beyond."""
    groups: dict[tuple[float, ...], list[GroundCut]] = {}
    for c in stock.removed:
        if c.stops == ENDLESS:
            key = (*(np.round(np.concatenate([c.view.up, c.view.along]), 6) + 0.0),)
            groups.setdefault(key, []).append(c)
    walls = (fault for cuts in groups.values() for fault in _walls(part, stock, cuts))
    return (*(fault for c in stock.removed for fault in _sharp(stock, c)), *walls)


def _sharp(stock: GroundStock, c: GroundCut) -> Iterator[SweepFault]:
    """Corners of a path within the blank into which the wheel's own corner does not get."""
    radius = max(c.corner_mm, c.wheel.corner_radius_mm)
    flat = c.view.flat(stock.blank.corners)
    (left, _), (right, top) = flat.min(axis=0), flat.max(axis=0)
    region = polygon_of(list(c.path))
    # Beside the blank and over it the wheel is in the air: there its corners leave nothing.
    x0, y0, x1, y1 = region.bounds
    air = [shapely.box(x0, y1, x1, y1 + 4 * radius)]
    for beyond, a, b in ((x0 < left, x0 - 4 * radius, left), (x1 > right, right, x1 + 4 * radius)):
        if beyond:
            side = region.intersection(shapely.box(min(a, x0), y0 - 1, max(b, x1), y1))
            side = side.intersection(shapely.box(a, y0 - 1, b, y1))
            air.append(shapely.box(a, side.bounds[1] if not side.is_empty else y0, b, y1 + 4 * radius))
    whole = shapely.union_all([region, *air])
    rolled = whole.buffer(-radius, quad_segs=_QUARTER).buffer(radius, quad_segs=_QUARTER)
    missed = region.difference(rolled.buffer(tol.LENGTH_MM)).intersection(
        shapely.box(left, y0 - 1, right, top)
    )
    # A wheel dressed to an arc is dressed to the flat beside it too.
    formed = [
        shapely.points(a.end).buffer(2 * radius)
        for a, b in zip(c.path, (*c.path[1:], c.path[0]), strict=True)
        if (a.mid is None) != (b.mid is None) and is_foot(a, b)
    ]
    missed = missed.difference(shapely.union_all(formed)) if formed else missed
    for piece in shapely.get_parts(missed):
        if piece.area > _LACKS * (1 - np.pi / 4) * radius**2:
            at = shapely.get_coordinates(piece.representative_point())[0]
            yield _fault(c, "a foot is sharper than the wheel's corner", radius, at)


def _walls(part: Part, stock: GroundStock, cuts: Sequence[GroundCut]) -> Iterator[SweepFault]:
    """Upright flat faces ground right through: air a hair before what they keep, and stock behind."""
    view = cuts[0].view
    cleared = shapely.union_all([shapely.make_valid(polygon_of(list(c.path))) for c in cuts])
    shapely.prepare(cleared)
    corner = max(c.corner_mm for c in cuts)
    raised = max((kept.floor_mm for kept in stock.allowances.values()), default=0.0)
    ground = {f for c in cuts for f in c.features} - {f for f, _ in stock.left_out} - stock.in_part
    for wall in walls_of(part, stock, view, ground):
        low, high, mm = wall.low + raised + corner, wall.high, wall.left_mm
        if high - low < 2 * tol.SURFACE_MM:
            continue
        levels = np.linspace(low + tol.SURFACE_MM, high - tol.SURFACE_MM, _LEVELS)
        before, behind = (
            shapely.contains_xy(cleared, wall.across + wall.sense * (mm + s * FLAT_MM), levels)
            for s in (1, -1)
        )
        for bad, what in ((~before, "a wheel stays off a wall"), (behind, "a wheel goes beyond a wall")):
            if bad.any():
                yield _fault(cuts[0], what, FLAT_MM, np.array([wall.across, levels[int(np.argmax(bad))]]))


def _fault(c: GroundCut, what: str, size_mm: float, at: Array) -> SweepFault:
    x, y, z = (float(v) for v in c.view.solid(at))
    return SweepFault(what, size_mm, 0.0, (x, y, z))

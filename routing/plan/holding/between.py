"""Held between the jaws of a vise, or round in a chuck."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from featurize import tolerances as tol
from featurize.brep.rays import first_hits
from featurize.brep.surfaces import Array, Cylinder
from featurize.brep.surfaces_at import parallel
from featurize.feature import Kind
from featurize.recognise.scene import vec
from routing.plan.bearing import outside
from routing.plan.holding.fixtures import JAW_MM, PLATE_MM, Box, Fixture, Rod
from routing.plan.holding.setup import TOUCH_MM, UNDER_CUT_MM, Answer, Grade, Situation, best, span

# Places tried along each way of a jaw.
_PLACES = 16
# Drawn width of the bars under a part in the vise, and places tried for each.
_BAR_MM, _BAR_PLACES = 8.0, 8
_JAWS = 3
# A corner of the mesh at least this near (neighbours turn by less) tells that a round goes on at a place.
_JAW_TURN_DEG = 4.0


def vise(setup: Situation) -> Answer:
    """Two flat sides opposite each other, along the axis that answers best."""
    return best([_vise(setup, axis) for axis in setup.across])


def _vise(setup: Situation, axis: str) -> Answer:
    shop, pair, width = setup.shop, f"+{axis} and -{axis}", setup.width_mm(axis)

    def no(reason: str) -> Answer:
        return Answer("vise", Grade.NO, reason)

    if width > shop.vise_open_mm:
        return no(f"{width:.1f} mm between {pair} is over the {shop.vise_open_mm:g} that the vise opens")
    if (flat := width / setup.height_mm) > shop.spring_ratio:
        return no(
            f"{flat:.1f} times as wide between {pair} as thick: it springs up, over {shop.spring_ratio:g}"
        )
    clear = setup.clear_mm(axis) - UNDER_CUT_MM
    # Where the cut leaves room, the jaws stay low enough to touch off the sides that they hold.
    tries = [_gripped(setup, axis, limit) for limit in (min(clear, setup.height_mm - TOUCH_MM), clear)]
    region, refusal, wall = next((t for t in tries if not t[1]), tries[-1])
    if refusal:
        return no(refusal)
    height = span(region)[1]
    over = (setup.height_mm - region.bounds[3]) / width
    if over > shop.slender_ratio:
        return no(f"stands {over:.1f} widths over the jaws at {pair}, over {shop.slender_ratio:g}")
    text = f"jaws on {pair}, {height:.1f} mm high and {region.area:.0f} mm2"
    if wall:
        text += f", below a wall of {wall:.2f}"
    sides = [outside(setup.job, f"{sign}{axis}", setup.side) for sign in "+-"]
    bears = tuple(f for s in sides for f in s.features) + setup.seat.features
    top = float(region.bounds[3])
    return Answer("vise", Grade.HOLDS, text, bears, fixtures=tuple(_jaws_and_bars(setup, axis, top)))


def _gripped(setup: Situation, axis: str, limit: float) -> tuple[Any, str, float | None]:
    """What jaws up to a height bear on, why that is not enough, and the thin wall that lowers them.

    Where a jaw would press a thin wall in, it is set lower.
    """
    shop, wall = setup.shop, None
    while True:
        region = setup.gripped(axis, limit)
        length, height = span(region)
        if height < shop.vise_grip_mm or region.area < shop.vise_area_mm2:
            what = f"{max(0.0, height):.1f} mm by {length:.1f} of +{axis} and -{axis} can be gripped"
            return region, f"{what} under the cut{f', below a wall of {wall:.2f}' if wall else ''}", wall
        thin = _thin_at(setup, axis, region)
        if thin is None:
            return region, "", wall
        wall, limit = thin[0], min(limit, thin[1]) - UNDER_CUT_MM


def _jaws_and_bars(setup: Situation, axis: str, top_mm: float) -> Iterator[Fixture]:
    """Two jaws as long as the sides that they hold, and two parallel bars under the seat."""
    along, seat = setup.other(axis), setup.seat_height_mm
    spans = {along: setup.reach(along)}
    for side in (f"+{axis}", f"-{axis}"):
        jaw = setup.body({axis: setup.beside(side, JAW_MM), **spans}, (seat - PLATE_MM, top_mm))
        yield Fixture(f"jaw on {side}", "jaw", side, (jaw,))
    for n, levels in enumerate(_bars(setup, axis), 1):
        bar = setup.body({axis: levels, **spans}, (seat - PLATE_MM, seat))
        yield Fixture(f"parallel {n}", "parallel", setup.seat.side, (bar,))


def _bars(setup: Situation, axis: str) -> Iterator[tuple[float, float]]:
    """Levels between which the bars lie: where most of the seat is left, the outermost of the best."""
    low, high = setup.reach(axis)
    wide = min(_BAR_MM, (high - low) / 4)
    shifts = np.linspace(0.0, (high - low) / 2 - wide, _BAR_PLACES)
    for sign in (1.0, -1.0):
        starts = [low + s if sign > 0 else high - s - wide for s in shifts]
        bearing = [_strip_mm2(setup, axis, (at, at + wide)) for at in starts]
        best_at = next(a for a, b in zip(starts, bearing, strict=True) if b >= 0.99 * max(bearing))
        if max(bearing) > tol.SURFACE_MM:
            yield best_at, best_at + wide


def _strip_mm2(setup: Situation, axis: str, levels: tuple[float, float]) -> float:
    """How much of the seat lies over a strip."""
    spans = {axis: levels, setup.other(axis): setup.reach(setup.other(axis))}
    (a, b), (c, d) = (spans[name] for name in setup.across)
    return float(shapely.intersection(setup.seat_plan, shapely.box(a, c, b, d)).area)


def _thin_at(setup: Situation, axis: str, region: object) -> tuple[float, float] | None:
    """The thinnest wall that a jaw would press on, and the lowest height at which it is too thin."""
    part, least = setup.job.part, max(setup.shop.vise_wall_mm, setup.rule.thin_mm)
    width = setup.width_mm(axis)
    plus = outside(setup.job, f"+{axis}", setup.side)
    floor = float(((part.mesh.vertices - plus.view.origin) @ setup.toward).min())
    spots = _spots(region)
    if not len(spots):
        return None
    hollow = setup.made | setup.cut
    found = []
    for sign in "+-":
        side = outside(setup.job, f"{sign}{axis}", setup.side)
        seen = np.column_stack([spots[:, 0] * (1.0 if sign == "+" else -1.0), spots[:, 1] + floor])
        start = side.view.solid(seen, side.level_mm - 2 * part.mesh.deflection_mm)
        ahead, faces = first_hits(part.mesh, start, -side.view.along)
        for depth, face, height in zip(ahead, faces, spots[:, 1], strict=True):
            owner = setup.job.owner.get(int(face))
            if depth < min(least, width - tol.VOID_MM) and owner and owner.id in hollow:
                found.append((float(depth), float(height)))
    return (min(d for d, _ in found), min(h for _, h in found)) if found else None


def _spots(region: object) -> Array:
    """Places (n, 2) spread over a region."""
    a, b, c, d = shapely.bounds(region)
    shares = (np.arange(_PLACES) + 0.5) / _PLACES
    x, y = np.meshgrid(a + shares * (c - a), b + shares * (d - b))
    return np.asarray(
        np.column_stack([x.ravel(), y.ravel()])[shapely.contains_xy(region, x.ravel(), y.ravel())]
    )


def chuck(setup: Situation) -> Answer:
    """By a round outside whose axis is up."""
    shop = setup.shop
    found = max(_rounds(setup), key=lambda r: r.grip_mm, default=None)
    if found is None or found.grip_mm < shop.vise_grip_mm:
        grip = 0.0 if found is None else found.grip_mm
        text = f"{grip:.1f} mm of a round outside stand under the cut" if found else "no round outside"
        return Answer("chuck", Grade.NO, text)
    text = f"by {found.grip_mm:.1f} mm of its round outside"
    fixtures = (setup.plate("chuck face"), *_chuck_jaws(setup, found))
    return Answer("chuck", Grade.HOLDS, text, setup.seat.features, fixtures=fixtures)


@dataclass(frozen=True, eq=False)
class _Round:
    """A round outside that jaws take from a height over the finished seat; ``foot`` (3,) is its middle there.

    ``turn_deg`` is where the first jaw stands, against the first axis across.
    """

    foot: Array
    radius_mm: float
    low_mm: float
    grip_mm: float
    turn_deg: float


def _rounds(setup: Situation) -> Iterator[_Round]:
    part, job = setup.job.part, setup.job
    floor = float((part.mesh.vertices @ setup.toward).min())
    clear = min(setup.clear_mm(axis) for axis in setup.across) - UNDER_CUT_MM
    for face in part.faces:
        s, owner = face.surface, job.owner.get(face.id)
        if not isinstance(s, Cylinder) or s.hollow or not parallel(s.axis, setup.toward, tol.AXIS_DEG):
            continue
        if owner is None or owner.id in setup.cut or not _goes_round(face.normals, setup.toward):
            continue
        # What is not the blank's own round is there only once it is made.
        if owner.kind != Kind.OUTSIDE_FACE and owner.id not in setup.made:
            continue
        cloud = job.cloud([face.id])
        low, high = (float(f(cloud @ setup.toward)) - floor for f in (np.min, np.max))
        grip = min(high, clear) - low
        turn = _turn_deg(setup, cloud - s.origin)
        around = part.mesh.vertices[part.mesh.triangles] - s.origin
        if turn is None or _stands_out(around, setup.toward, s.radius_mm, floor + low, grip, s.origin):
            continue
        at = s.origin + (floor + low - float(s.origin @ setup.toward)) * setup.toward
        yield _Round(at, s.radius_mm + setup.over_mm, low, grip, turn)


def _stands_out(
    around: Array, up: Array, radius_mm: float, low_mm: float, grip_mm: float, origin: Array
) -> bool:
    """Whether anything of the part between the jaws' heights lies beyond the round that they take."""
    levels = around @ up + float(origin @ up)
    within = (levels.max(axis=1) > low_mm + tol.LENGTH_MM) & (
        levels.min(axis=1) < low_mm + grip_mm - tol.LENGTH_MM
    )
    flat = around[within] - (around[within] @ up)[..., None] * up
    return bool((np.linalg.norm(flat, axis=2) > radius_mm + tol.SURFACE_MM).any())


def _turn_deg(setup: Situation, away: Array) -> float | None:
    """The first turn at which all jaws meet the round, whose corners are given from its axis."""
    x, y = (setup.job.part.frame.axes["xyz".index(a)] for a in setup.across)
    at = np.degrees(np.arctan2(away @ y, away @ x)) % 360
    for turn in range(0, 120, 5):
        wanted = turn + np.arange(_JAWS) * 360 / _JAWS
        off = np.abs((at[:, None] - wanted + 180) % 360 - 180)
        if np.all(off.min(axis=0) <= _JAW_TURN_DEG):
            return float(turn)
    return None


def _chuck_jaws(setup: Situation, taken: _Round) -> Iterator[Fixture]:
    """Blocks bored to the round, set square to it."""
    x, y = (setup.job.part.frame.axes["xyz".index(a)] for a in setup.across)
    up, r, wide = setup.toward, taken.radius_mm, min(JAW_MM, taken.radius_mm)
    bored = Rod(vec(taken.foot - up), vec(up), r, taken.grip_mm + 2)
    for n in range(_JAWS):
        angle = np.radians(taken.turn_deg + n * 360 / _JAWS)
        out = np.cos(angle) * x + np.sin(angle) * y
        side = np.cross(up, out)
        corner = taken.foot + r * np.cos(np.arcsin(wide / 2 / r)) * out - wide / 2 * side
        block = Box(vec(corner), vec(out), vec(side), (2 * JAW_MM, wide, taken.grip_mm))
        yield Fixture(f"chuck jaw {n + 1}", "chuck jaw", "round", (block,), (bored,))


def _goes_round(normals: Array, axis: Array) -> bool:
    """Whether a round face looks to all sides of its axis."""
    flat = normals - np.outer(normals @ axis, axis)
    return bool(np.linalg.norm(flat.mean(axis=0)) < 0.3)

"""Held between the jaws of a vise, or round in a chuck."""

from __future__ import annotations

import numpy as np
import shapely

from featurize import tolerances as tol
from featurize.brep.rays import first_hits
from featurize.brep.surfaces import Array, Cylinder
from featurize.brep.surfaces_at import parallel
from routing.plan.bearing import outside
from routing.plan.holding.setup import UNDER_CUT_MM, Answer, Grade, Situation, best, span

# Places tried along each way of a jaw.
_PLACES = 16


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
    limit, wall = setup.clear_mm(axis) - UNDER_CUT_MM, None
    # Where a jaw would press a thin wall in, it is set lower.
    while True:
        region = setup.gripped(axis, limit)
        length, height = span(region)
        if height < shop.vise_grip_mm or region.area < shop.vise_area_mm2:
            what = f"{max(0.0, height):.1f} mm by {length:.1f} of {pair} can be gripped under the cut"
            return no(f"{what}{f', below a wall of {wall:.2f}' if wall else ''}")
        thin = _thin_at(setup, axis, region)
        if thin is None:
            break
        wall, limit = thin[0], min(limit, thin[1]) - UNDER_CUT_MM
    over = (setup.height_mm - region.bounds[3]) / width
    if over > shop.slender_ratio:
        return no(f"stands {over:.1f} widths over the jaws at {pair}, over {shop.slender_ratio:g}")
    said = f"jaws on {pair}, {height:.1f} mm high and {region.area:.0f} mm2"
    if wall:
        said += f", below a wall of {wall:.2f}"
    sides = [outside(setup.job, f"{sign}{axis}", setup.side) for sign in "+-"]
    return Answer(
        "vise", Grade.HOLDS, said, tuple(f for s in sides for f in s.features) + setup.seat.features
    )


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
    part, shop = setup.job.part, setup.shop
    floor = float((part.mesh.vertices @ setup.toward).min())
    clear = min(setup.clear_mm(axis) for axis in setup.across) - UNDER_CUT_MM
    gripped = 0.0
    for face in part.faces:
        s = face.surface
        if not isinstance(s, Cylinder) or s.hollow or not parallel(s.axis, setup.toward, tol.AXIS_DEG):
            continue
        owner = setup.job.owner.get(face.id)
        if owner is None or owner.id in setup.cut or not _goes_round(face.normals, setup.toward):
            continue
        low, high = (float(f(setup.job.cloud([face.id]) @ setup.toward)) - floor for f in (np.min, np.max))
        gripped = max(gripped, min(high, clear) - low)
    if gripped < shop.vise_grip_mm:
        said = f"{gripped:.1f} mm of a round outside stand under the cut" if gripped else "no round outside"
        return Answer("chuck", Grade.NO, said)
    return Answer("chuck", Grade.HOLDS, f"by {gripped:.1f} mm of its round outside", setup.seat.features)


def _goes_round(normals: Array, axis: Array) -> bool:
    """Whether a round face looks to all sides of its axis."""
    flat = normals - np.outer(normals @ axis, axis)
    return bool(np.linalg.norm(flat.mean(axis=0)) < 0.3)

"""Held down on a magnetic plate, alone or among steel blocks; pulled down by clamps over the rim.

Limits are the shop's. A cut pushes sideways: friction under the pull must bear it, and it must not tip the
part over the edge of its seat (statics). That carbide is hardly pulled is common practice, no source.
"""

from __future__ import annotations

from typing import Any

import shapely
from shapely import affinity

from featurize import tolerances as tol
from routing.plan.bearing import outside
from routing.plan.holding.setup import UNDER_CUT_MM, Answer, Grade, Situation, span

# Under this share of steel's pull a magnet alone is not trusted (common practice, no source).
_TRUSTED = 0.5


def magnet(setup: Situation) -> Answer:
    area = setup.seat_mm2
    if refusal := _seat_fault(setup):
        return Answer("magnet", Grade.NO, refusal)
    if setup.rule.magnet_share < _TRUSTED:
        said = (
            f"{setup.job.material.name} is pulled about {setup.rule.magnet_share:.0%} as steel is "
            "(common practice): the magnet alone does not hold it"
        )
        return Answer("magnet", Grade.NO, said)
    thick = min(1.0, setup.height_mm / setup.shop.magnet_thick_mm)
    pull = setup.shop.magnet_n_per_cm2 * area / 100 * setup.rule.magnet_share * thick
    lever = setup.seat_narrow_mm / 2
    slides = pull * setup.shop.friction / setup.force_n
    tips = pull * lever / (setup.force_n * setup.height_mm)
    said = f"{area:.0f} mm2 of {setup.seat.side} pulled with some {pull:.0f} N"
    if (least := min(slides, tips)) < 1:
        how = "slides" if slides < tips else "tips"
        return Answer("magnet", Grade.NO, f"{said}: it {how} under a cut of {setup.force_n:g} N")
    grade = Grade.HOLDS if least >= setup.shop.safety else Grade.WEAK
    said += f", {least:.1f} times what slides or tips it"
    return Answer("magnet", grade, said, setup.seat.features)


def blocks(setup: Situation) -> Answer:
    """On the plate among steel blocks that keep it from sliding and tipping: carbide above all."""
    if refusal := _seat_fault(setup):
        return Answer("blocks", Grade.NO, refusal)
    heights = []
    for axis in setup.across:
        clear = setup.clear_mm(axis) - UNDER_CUT_MM
        _, height = span(setup.gripped(axis, clear))
        if height < setup.shop.block_mm:
            said = f"only {max(0.0, height):.1f} mm of {_pair(axis)} stand flat under the cut for blocks"
            return Answer("blocks", Grade.NO, said)
        heights.append(height)
    low = min(heights)
    slender = (setup.height_mm - low) / setup.seat_narrow_mm
    if slender > setup.shop.slender_ratio:
        said = f"stands {slender:.1f} widths of its seat over the blocks, over {setup.shop.slender_ratio:g}"
        return Answer("blocks", Grade.NO, said)
    said = f"on {setup.seat.side}, {setup.seat_mm2:.0f} mm2, among steel blocks up to {low:.1f} mm high"
    return Answer("blocks", Grade.HOLDS, said, setup.seat.features)


def clamps(setup: Situation) -> Answer:
    """Clamps over a rim that is flat below and on top and stays clear of what is cut."""
    if refusal := _seat_fault(setup):
        return Answer("clamps", Grade.NO, refusal)
    shop = setup.shop
    busy = setup.made | setup.cut
    top = outside(setup.job, setup.side)
    hull = top.hull(frozenset())
    strip = shapely.difference(hull, shapely.buffer(hull, -shop.clamp_strip_mm))
    below = setup.seat.within(_turned_over(strip), busy)
    rim = shapely.intersection(top.within(strip, busy), _turned_over(below), grid_size=tol.SNAP_MM)
    # Whatever is too narrow for a clamp's nose is rubbed out.
    nose = shop.clamp_strip_mm / 2 - tol.SURFACE_MM
    rim = shapely.buffer(shapely.buffer(rim, -nose), nose)
    area = float(rim.area)
    if area < shop.clamp_area_mm2:
        said = f"{area:.0f} mm2 of rim stay clear for clamps, {shop.clamp_area_mm2:g} are wanted"
        return Answer("clamps", Grade.NO, said)
    said = f"clamped over {area:.0f} mm2 of the rim, on {setup.seat.side}"
    return Answer("clamps", Grade.HOLDS, said, (*setup.seat.features, *top.features))


def _turned_over(region: Any) -> Any:
    return affinity.scale(region, xfact=-1.0, origin=(0.0, 0.0))


def _seat_fault(setup: Situation) -> str | None:
    area = setup.seat_mm2
    if area < setup.shop.seat_mm2:
        return f"{area:.0f} mm2 of {setup.seat.side} are flat to rest on, {setup.shop.seat_mm2:g} are wanted"
    return None


def _pair(axis: str) -> str:
    return f"+{axis} and -{axis}"

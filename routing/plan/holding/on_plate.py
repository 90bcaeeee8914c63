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
from routing.plan.holding.fixtures import JAW_MM, PLATE_MM, Fixture
from routing.plan.holding.setup import TOUCH_MM, UNDER_CUT_MM, Answer, Grade, Situation, span

# Under this share of steel's pull a magnet alone is not trusted (common practice, no source).
_TRUSTED = 0.5
# Drawn thickness of steel blocks and of clamps.
_BLOCK_MM, _CLAMP_MM = 8.0, 8.0
# Widths of clamps that are tried, and how far they are shifted from place to place.
_NOSES_MM, _NOSE_STEP_MM = (20.0, 12.0, 8.0, 5.0), 2.0
_CLAMPS = 2


def magnet(setup: Situation) -> Answer:
    area = setup.seat_mm2
    if refusal := _seat_fault(setup):
        return Answer("magnet", Grade.NO, refusal)
    if not _is_pulled(setup):
        text = (
            f"{setup.job.material.name} is pulled about {setup.rule.magnet_share:.0%} as steel is "
            "(common practice): the magnet alone does not hold it"
        )
        return Answer("magnet", Grade.NO, text)
    thick = min(1.0, setup.height_mm / setup.shop.magnet_thick_mm)
    pull = setup.shop.magnet_n_per_cm2 * area / 100 * setup.rule.magnet_share * thick
    lever = setup.seat_narrow_mm / 2
    slides = pull * setup.shop.friction / setup.force_n
    tips = pull * lever / (setup.force_n * setup.height_mm)
    text = f"{area:.0f} mm2 of {setup.seat.side} pulled with some {pull:.0f} N"
    if (least := min(slides, tips)) < 1:
        how = "slides" if slides < tips else "tips"
        return Answer("magnet", Grade.NO, f"{text}: it {how} under a cut of {setup.force_n:g} N")
    grade = Grade.HOLDS if least >= setup.shop.safety else Grade.WEAK
    text += f", {least:.1f} times what slides or tips it"
    plate = setup.plate("magnet")
    return Answer("magnet", grade, text, setup.seat.features, fixtures=(plate,), magnetises=True)


def blocks(setup: Situation) -> Answer:
    """On the plate among steel blocks that keep it from sliding and tipping: carbide above all."""
    if refusal := _seat_fault(setup):
        return Answer("blocks", Grade.NO, refusal)
    regions, heights = {}, []
    for axis in setup.across:
        # Where the cut leaves room, the sides stay free to touch off.
        clear = setup.clear_mm(axis) - UNDER_CUT_MM
        for limit in (min(clear, setup.height_mm - TOUCH_MM), clear):
            regions[axis] = setup.gripped(axis, limit)
            _, height = span(regions[axis])
            if height >= setup.shop.block_mm:
                break
        else:
            text = f"only {max(0.0, height):.1f} mm of {_pair(axis)} stand flat under the cut for blocks"
            return Answer("blocks", Grade.NO, text)
        heights.append(float(regions[axis].bounds[3]))
    low = min(heights)
    slender = (setup.height_mm - low) / setup.seat_narrow_mm
    if slender > setup.shop.slender_ratio:
        text = f"stands {slender:.1f} widths of its seat over the blocks, over {setup.shop.slender_ratio:g}"
        return Answer("blocks", Grade.NO, text)
    text = f"on {setup.seat.side}, {setup.seat_mm2:.0f} mm2, among steel blocks up to {low:.1f} mm high"
    beside = tuple(
        Fixture(
            f"block on {sign}{axis}",
            "block",
            f"{sign}{axis}",
            (
                setup.body(
                    {
                        axis: setup.beside(f"{sign}{axis}", _BLOCK_MM),
                        setup.other(axis): setup.span_of(axis, region),
                    },
                    (setup.seat_height_mm, low),
                ),
            ),
        )
        for axis, region in regions.items()
        for sign in "+-"
    )
    plate = setup.plate("magnet", 2 * _BLOCK_MM)
    fixtures = plate, *beside
    return Answer(
        "blocks", Grade.HOLDS, text, setup.seat.features, fixtures=fixtures, magnetises=_is_pulled(setup)
    )


def _is_pulled(setup: Situation) -> bool:
    return setup.rule.magnet_share >= _TRUSTED


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
        text = f"{area:.0f} mm2 of rim stay clear for clamps, {shop.clamp_area_mm2:g} are wanted"
        return Answer("clamps", Grade.NO, text)
    noses = _noses(setup, top.in_frame(setup.job.part.frame, rim))
    if len(noses) < _CLAMPS:
        text = f"{area:.0f} mm2 of rim stay clear, but not in two places wide enough for a clamp"
        return Answer("clamps", Grade.NO, text)
    text = f"clamped over {area:.0f} mm2 of the rim, on {setup.seat.side}"
    fixtures = tuple(body for n, nose in enumerate(noses, 1) for body in _clamp(setup, n, nose))
    return Answer("clamps", Grade.HOLDS, text, (*setup.seat.features, *top.features), fixtures=fixtures)


def _noses(setup: Situation, rim: Any) -> list[tuple[str, tuple[float, float]]]:
    """Where two clamps lie: the side that each comes from and the levels along it, on two sides if possible.

    What of the part is under a clamp must be rim; the middle of a side is tried first, for the corners are
    touched off.
    """
    found: dict[str, list[tuple[float, float]]] = {}
    for axis in setup.across:
        for side in (f"-{axis}", f"+{axis}"):
            found[side] = _places(setup, side, rim)
    pairs = [(f"-{a}", f"+{a}") for a in setup.across]
    pairs += [(s, t) for s in found for t in found if s[1] != t[1]]
    for one, other in pairs:
        if found[one] and found[other]:
            return [(one, found[one][0]), (other, found[other][0])]
    alone = next((s for s, places in found.items() if len(places) >= _CLAMPS), None)
    return [] if alone is None else [(alone, at) for at in found[alone][:_CLAMPS]]


def _places(setup: Situation, side: str, rim: Any) -> list[tuple[float, float]]:
    """Places of a clamp along a side that do not overlap, nearest to the middle first."""
    shop, along = setup.shop, setup.other(side[1])
    low, high = setup.reach(along)
    plan = setup.job.silhouette(setup.toward)
    whole = shapely.transform(
        plan[1],
        lambda at: setup.job.part.frame.local(plan[0].solid(at))[:, ["xyz".index(a) for a in setup.across]],
    )
    found: list[tuple[float, float]] = []
    for wide in (w for w in _NOSES_MM if w <= high - low):
        steps = int((high - low - wide) / 2 // _NOSE_STEP_MM)
        for n in sorted(range(-steps, steps + 1), key=abs):
            middle = (low + high) / 2 + n * _NOSE_STEP_MM
            at = middle - wide / 2, middle + wide / 2
            under = shapely.intersection(_footprint(setup, side, at), whole)
            bears = shapely.intersection(under, rim)
            if under.area - bears.area > tol.SURFACE_MM or bears.area < shop.clamp_area_mm2 / _CLAMPS:
                continue
            if all(at[1] <= a or b <= at[0] for a, b in found):
                found.append(at)
    return found


def _footprint(setup: Situation, side: str, at: tuple[float, float], out_mm: float = 0.0) -> Any:
    """Of a clamp, over the rim and ``out_mm`` beyond it, in the frame's two axes across."""
    spans = _spans(setup, side, at, out_mm)
    (a, b), (c, d) = (spans[axis] for axis in setup.across)
    return shapely.box(a, c, b, d)


def _spans(
    setup: Situation, side: str, at: tuple[float, float], out_mm: float
) -> dict[str, tuple[float, float]]:
    low, high = setup.reach(side[1])
    strip = setup.shop.clamp_strip_mm + setup.over_mm
    across = (high - strip, high + out_mm) if side[0] == "+" else (low - out_mm, low + strip)
    return {side[1]: across, setup.other(side[1]): at}


def _clamp(setup: Situation, number: int, nose: tuple[str, tuple[float, float]]) -> tuple[Fixture, Fixture]:
    """A clamp and the rest under it."""
    side, at = nose
    top, seat = setup.top_height_mm, setup.seat_height_mm
    over = setup.body(_spans(setup, side, at, JAW_MM), (top, top + _CLAMP_MM))
    under = setup.body(_spans(setup, side, at, JAW_MM), (seat - PLATE_MM, seat))
    return (
        Fixture(f"clamp {number} at {side}", "clamp", setup.side, (over,)),
        Fixture(f"rest {number} at {side}", "rest", setup.seat.side, (under,)),
    )


def _turned_over(region: Any) -> Any:
    return affinity.scale(region, xfact=-1.0, origin=(0.0, 0.0))


def _seat_fault(setup: Situation) -> str | None:
    area = setup.seat_mm2
    if area < setup.shop.seat_mm2:
        return f"{area:.0f} mm2 of {setup.seat.side} are flat to rest on, {setup.shop.seat_mm2:g} are wanted"
    return None


def _pair(axis: str) -> str:
    return f"+{axis} and -{axis}"

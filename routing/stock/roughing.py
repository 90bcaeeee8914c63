"""Roughing on the block and on the ground stock with one cutter: path, air and minutes, level by level.

An estimate: rings offset by a step-over from the outside in, a ramp or an approach from outside for each
region, a lift between regions, half the feed over a radius at each ring's start and end. The feed follows
from the shop's removal rate, so that this agrees with the rest of the estimate.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from featurize.brep.part import Part
from featurize.brep.sections import Sections
from featurize.brep.silhouette import View
from featurize.brep.surfaces import Array
from featurize.feature import Feature
from routing.processes.material_rules import MaterialRule
from routing.processes.mill.levels import MilledRecess, Sides, tidy
from routing.processes.mill.shop import MillShop
from routing.processes.shop import Shop
from routing.processes.tools import Cutter

# A cutter is the rough one if it clears this share of what the finest would.
_ENOUGH = 0.8
# A section of the stock is taken this much over a level's bottom.
_OVER_MM = 1e-4


@dataclass(frozen=True)
class Cutting:
    """How a rough cutter is led; shares are of its diameter (common practice, no source)."""

    step_over: float = 0.4
    step_down: float = 0.1
    ramp_deg: float = 3.0
    slow_feed: float = 0.5  # share of the feed on entry and exit
    rapid_mm_per_min: float = 5000.0
    clearance_mm: float = 2.0


@dataclass(frozen=True)
class Passes:
    """One body: ``cutting_mm`` at feed, ``air_mm`` in the air; volume (mm3) is what its levels hold.

    ``levels`` are those of every recess.
    """

    levels: int
    cutting_mm: float
    air_mm: float
    entries: int
    minutes: float
    volume_mm3: float

    @property
    def path_mm(self) -> float:
        return self.cutting_mm + self.air_mm


@dataclass(frozen=True)
class Roughing:
    """Both bodies with one cutter; ``path_saved`` is the share of the path that grinding saves."""

    cutter_mm: float
    step_over_mm: float
    step_down_mm: float
    feed_mm_per_min: float
    sides: tuple[str, ...]
    block: Passes
    ground: Passes
    path_saved: float
    minutes_saved: float
    note: str = "an estimate: rings by level from walls inward, not a tool path"


@dataclass(frozen=True, eq=False)
class Walked:
    """What was cleared on one body from one side, for a drawing: (bottom, region, rings) of each level."""

    side: str
    view_box: tuple[float, float, float, float]
    levels: tuple[tuple[float, Any, tuple[Any, ...]], ...]


@dataclass
class _Sum:
    levels: int = 0
    cutting: float = 0.0
    slow: float = 0.0
    air: float = 0.0
    entries: int = 0
    volume: float = 0.0
    last: Array | None = None  # where the cutter is

    def passes(self, feed: float, how: Cutting) -> Passes:
        fast = max(0.0, self.cutting - self.slow)
        minutes = fast / feed + self.slow / (feed * how.slow_feed) + self.air / how.rapid_mm_per_min
        return Passes(self.levels, self.cutting, self.air, self.entries, minutes, self.volume)


def rings(region: Any, step_mm: float) -> list[Any]:
    """The region's outlines offset inward by whole steps: linear rings, outermost first."""
    found: list[Any] = []
    k = 0
    while not (inner := region.buffer(-k * step_mm, join_style="mitre") if k else region).is_empty:
        for polygon in shapely.get_parts(inner):
            found += [polygon.exterior, *polygon.interiors]
        k += 1
    return found


@dataclass(frozen=True, eq=False)
class _Recess:
    """What is cleared in one go, and what the block and the ground stock hold of it at each level."""

    ground: MilledRecess
    held: tuple[tuple[Any, ...], ...]  # of each body

    @classmethod
    def of(cls, ground: MilledRecess, bodies: Sequence[Sections]) -> _Recess:
        return cls(ground, tuple(tuple(_held(ground, body.near(ground.window))) for body in bodies))


def _held(ground: MilledRecess, body: Sections) -> Iterator[Any]:
    """What of its plan a body fills just over each level's bottom."""
    held = known = above = None
    for (bottom, _), mask in zip(ground.steps, ground.masks, strict=True):
        level = bottom + _OVER_MM
        if above is None or mask is not known or not body.same(level, above):
            held = body.at(level).intersection(mask)
        known, above = mask, level
        yield held


@dataclass(frozen=True, eq=False)
class _ClearedSide:
    """All that is cleared from one side; ``outline`` is the block's plan."""

    name: str
    top_mm: float
    outline: Any
    recesses: tuple[_Recess, ...]


def _walk(
    side: _ClearedSide, body: int, radius_mm: float, how: Cutting, total: _Sum
) -> list[tuple[float, Any, tuple[Any, ...]]]:
    """Leads the cutter through one recess after the other, each level by level, in the block or the ground
    stock (``body`` 0 or 1)."""
    step = how.step_over * 2 * radius_mm
    drawn = []
    total.last = None
    for recess in side.recesses:
        for level, held in zip(recess.ground.levels(radius_mm), recess.held[body], strict=True):
            if level.centres.is_empty:
                continue
            taken = tidy(held.intersection(level.cleared))
            area = tidy(level.centres.intersection(taken.buffer(radius_mm, join_style="mitre")))
            if taken.is_empty or area.is_empty:
                continue
            total.levels += 1
            total.volume += taken.area * level.depth_mm
            lift = side.top_mm + how.clearance_mm - level.bottom_mm
            led = []
            for region in shapely.get_parts(area):
                own = rings(region, step)
                led += own
                start = np.array(own[0].coords[0])
                total.entries += 1
                total.air += 2 * lift
                if total.last is not None:
                    total.air += float(np.linalg.norm(start - total.last))
                if side.outline.contains(region):
                    ramp = level.depth_mm / float(np.sin(np.radians(how.ramp_deg)))
                    total.cutting += ramp
                    total.slow += ramp
                for a, b in zip(own[:-1], own[1:], strict=True):
                    gap = float(a.distance(b))
                    if gap <= 1.5 * step:
                        total.cutting += gap
                    else:  # the region has parted: over to the next piece
                        total.air += gap + 2 * lift
                total.cutting += float(sum(r.length for r in own))
                total.slow += sum(min(2 * radius_mm, float(r.length)) for r in own)
                total.last = np.array(own[-1].coords[-1])
            drawn.append((level.bottom_mm, taken, tuple(led)))
    return drawn


def rough(
    part: Part,
    made: Sequence[tuple[str, Feature]],
    block: Array,
    ground: Array,
    shop: Shop,
    rule: MaterialRule,
    how: Cutting | None = None,
    *,
    seen: Sides | None = None,
) -> tuple[Roughing, list[Walked], list[Walked]] | None:
    """Both bodies' estimates and their drawings; None when nothing is roughed.

    ``made`` are the ground and milled features with the label of the side that each is made from;
    ``block`` and ``ground`` are the facets (m, 3, 3) of the blank and of the ground stock; ``seen`` may know
    the features' plans already.
    """
    how = how or Cutting()
    sides: dict[str, list[Feature]] = {}
    for side, feature in made:
        if len(side) == 2 and side[1] in "xyz":
            sides.setdefault(side, []).append(feature)
    owned = {c.diameter_mm: c for c in shop[MillShop].cutters if c.form in ("flat", "bull")}
    cutters = [owned[d] for d in sorted(owned, reverse=True) if d >= rule.smallest_cutter_mm]
    if not sides or not cutters:
        return None
    seen = seen or Sides(part)
    views = []
    for side, features in sides.items():
        toward = part.frame.direction(side)
        top = float(((block.reshape(-1, 3) - part.frame.origin) @ toward).max())
        step = how.step_down * cutters[len(cutters) // 2].diameter_mm
        bodies = [Sections(View.of(part, toward), body) for body in (block, ground)]
        grounds = seen.grounds(toward, features, top, step, cutters[0].radius_mm)
        recesses = tuple(_Recess.of(g, bodies) for g in grounds)
        views.append(_ClearedSide(side, top, bodies[0].at(top - _OVER_MM), recesses))
    every = [recess for side in views for recess in side.recesses]
    cutter = _rough_cutter(cutters, every)
    if cutter is None:
        return None
    radius = cutter.radius_mm
    sums, drawings = (_Sum(), _Sum()), ([], [])  # type: tuple[_Sum, _Sum], tuple[list[Walked], list[Walked]]
    for view in views:
        box = tuple(float(v) for v in view.outline.bounds)
        for body, (total, drawing) in enumerate(zip(sums, drawings, strict=True)):
            drawn = _walk(view, body, radius, how, total)
            drawing.append(Walked(view.name, box, tuple(drawn)))  # type: ignore[arg-type]
    step_down = max(depth for recess in every for _, depth in recess.ground.steps)
    step_over = how.step_over * cutter.diameter_mm
    rates = shop[MillShop].rates
    feed = rates.mm3_per_min * rates.share(cutter.diameter_mm) * rule.feed_scale / (step_over * step_down)
    before, after = (s.passes(feed, how) for s in sums)
    saved = 1 - after.path_mm / before.path_mm if before.path_mm else 0.0
    result = Roughing(
        cutter.diameter_mm,
        step_over,
        step_down,
        feed,
        tuple(sides),
        before,
        after,
        saved,
        before.minutes - after.minutes,
    )
    return result, drawings[0], drawings[1]


def _rough_cutter(cutters: Sequence[Cutter], recesses: Sequence[_Recess]) -> Cutter | None:
    """The largest that clears most of both bodies, by the volume of every level."""
    held = [
        [tidy(body.difference(blocked)) for body in bodies]
        for recess in recesses
        for *bodies, blocked in zip(*recess.held, recess.ground.blocked, strict=True)
    ]

    def volumes(cutter: Cutter) -> Array:
        levels = [level for recess in recesses for level in recess.ground.levels(cutter.radius_mm)]
        cleared = np.array(
            [
                [level.depth_mm * level.cleared.intersection(b).area for b in bodies]
                for level, bodies in zip(levels, held, strict=True)
            ]
        )
        return np.asarray(cleared.sum(axis=0))

    if not held:
        return None
    finest = volumes(cutters[-1])
    if finest[0] <= 0:
        return None
    for cutter in cutters:
        if np.all(volumes(cutter) >= _ENOUGH * finest):
            return cutter
    return cutters[-1]


def drawing(before: Sequence[Walked], after: Sequence[Walked], title: str) -> str:
    """An SVG of the levels on the block (left) and on the ground stock (right); deeper is darker."""
    from xml.sax.saxutils import escape

    gap, line = 4.0, 4.5
    walked_all = [*before, *after]
    # The cutter's axis runs past the blank: room for it on every side.
    room = gap + max((_past(w) for w in walked_all), default=0.0)
    widest = max((w.view_box[2] - w.view_box[0] for w in walked_all), default=40.0)
    column_mm = max(widest + 2 * room, 58.0)  # a label's length
    rows = [f'<text x="{gap}" y="{line:.2f}" class="title">{escape(title)}</text>']
    entry = "deeper is darker; lines show the path of the cutter's axis; millimetres"
    rows.append(
        f'<text x="{gap}" y="{2 * line:.2f}">'
        f"{entry if before else 'no feature is roughed by grinding or milling'}</text>"
    )
    y = 2 * line + gap
    for pair in zip(before, after, strict=True):
        y += line
        for column, walked in enumerate(pair):
            left, low, right, high = walked.view_box
            at = column * column_mm
            depths = sorted({b for w in pair for b, _, _ in w.levels}, reverse=True)
            name = ("block", "ground stock")[column]
            count = len(walked.levels)  # of every recess, as the route file counts them
            label = escape(f"{name}, from {walked.side}: {count} level{'' if count == 1 else 's'}")
            rows.append(f'<text x="{at + room:.2f}" y="{y:.2f}">{label}</text>')
            shift = f"translate({at + room - left:.3f} {y + room + high:.3f}) scale(1 -1)"
            rows.append(f'<g transform="{shift}">')
            rows.append(f'<path d="M{left:.3f} {low:.3f}H{right:.3f}V{high:.3f}H{left:.3f}Z" class="blank"/>')
            for bottom, region, led in walked.levels:
                light = 92 - 52 * depths.index(bottom) / max(1, len(depths) - 1)
                rows.append(f'<path d="{_d(region)}" fill="hsl(210 45% {light:.0f}%)" fill-rule="evenodd"/>')
                rows.append(f'<path d="{"".join(_ring(r) for r in led)}" class="led"/>')
            rows.append("</g>")
        y += pair[0].view_box[3] - pair[0].view_box[1] + 2 * room
    width = 2 * column_mm
    style = (
        ".blank{fill:#f4f2ee;stroke:#555;stroke-width:.2}"
        ".led{fill:none;stroke:#222;stroke-width:.1;stroke-opacity:.6}"
        "text{font:3px sans-serif;fill:#222}.title{font-weight:bold}"
    )
    start = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.2f} {y:.2f}" width="{8 * width:.0f}">'
    )
    ground = f'<rect width="{width:.2f}" height="{y:.2f}" fill="#fff"/>'
    head = f"<title>{escape(title)}</title><style>{style}</style>"
    return "\n".join([start, head, ground, *rows, "</svg>", ""])


def _past(walked: Walked) -> float:
    """How far (mm) the cutter's axis runs past the blank."""
    left, low, right, high = walked.view_box
    bounds = np.array([r.bounds for _, _, led in walked.levels for r in led]).reshape(-1, 4)
    past = np.column_stack(
        [left - bounds[:, 0], low - bounds[:, 1], bounds[:, 2] - right, bounds[:, 3] - high]
    )
    return float(past.max(initial=0.0))


def _d(region: Any) -> str:
    return "".join(
        _ring(r)
        for p in shapely.get_parts(region)
        if p.geom_type == "Polygon"
        for r in (p.exterior, *p.interiors)
    )


def _ring(ring: Any) -> str:
    points = shapely.get_coordinates(ring.simplify(0.02))
    return "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in points[:-1]) + "Z"

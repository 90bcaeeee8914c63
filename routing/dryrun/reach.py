"""Whether a round tool gets at what it is said to remove, level by level.

In a setup's coordinates, tool from above. At a level z the tool may stand where nothing that must stay
lies within
its radius at that height or above; what it clears there is that region grown by its radius again: the
opening of
the free plane by the tool's disc, exact up to the chords of circles. A wheel's disc is a rectangle, seen
from above.
Lengths mm.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Protocol

import numpy as np
from manifold3d import CrossSection, FillRule, JoinType, Manifold

from featurize.brep.surfaces import Array
from routing.dryrun.pieces import corners_of
from routing.dryrun.solids import CHORD_MM, all_of, circle, points_of

# Levels that are looked at between two heights where the material's outline changes its kind.
_LEVELS = 6
# How far inside the tool's corner levels of its profile are taken, as shares of the corner's radius.
_CORNER = (0.0, 0.1, 0.4, 1.0)
# A smaller corner is a dressed or lapped edge, not a form: it is taken as sharp.
SHARP_MM = 0.1
# Outlines may be off by this: an eighth of the tolerance.
_EPSILON_MM = 0.0006
_FAR_MM = 1000.0
# What faces down with less is rounding of upright walls.
_HIDDEN_MM2 = 1e-6


class ToolSection(Protocol):
    """A tool as it stands: what it covers at a height over its tip."""

    @property
    def tip_heights_mm(self) -> tuple[float, ...]: ...

    @property
    def reach_mm(self) -> tuple[float, float]:
        """How far it stands out from its middle in X and Y, at most."""
        ...

    def over(self, tops: Sequence[float]) -> tuple[float, ...]:
        """Heights over the tip at which something that tops out at ``tops`` over it may be in the way."""
        ...

    def grown(self, region: CrossSection, height_mm: float) -> CrossSection:
        """A region grown by the tool's section there."""
        ...


@dataclass(frozen=True)
class Round:
    """A cutter; above ``neck_mm`` is its shank, above ``stick_out_mm`` its holder: nothing may be there."""

    radius_mm: float
    corner_mm: float = 0.0
    neck_mm: float | None = None
    shank_mm: float = 0.0  # radius
    stick_out_mm: float | None = None
    holder_mm: float = 0.0  # radius

    @property
    def bare(self) -> Round:
        """Without its shank and its holder."""
        return Round(self.radius_mm, self.corner_mm)

    @property
    def tip_heights_mm(self) -> tuple[float, ...]:
        if self.corner_mm <= SHARP_MM:
            return (0.0,)
        return tuple(self.corner_mm * share for share in _CORNER)

    @property
    def reach_mm(self) -> tuple[float, float]:
        widest = max(self.radius_mm, self.shank_mm, self.holder_mm)
        return widest, widest

    def over(self, tops: Sequence[float]) -> tuple[float, ...]:
        top = max(tops, default=0.0)
        high = (h for h in (self.neck_mm, self.stick_out_mm) if h is not None and top > h + CHORD_MM)
        return (*self.tip_heights_mm, *high)

    def grown(self, region: CrossSection, height_mm: float) -> CrossSection:
        if self.stick_out_mm is not None and height_mm >= self.stick_out_mm:
            return disc(region, max(self.holder_mm, self.shank_mm, self.radius_mm))
        if self.neck_mm is not None and height_mm >= self.neck_mm:
            return disc(region, max(self.shank_mm, self.radius_mm + CHORD_MM))
        if self.corner_mm <= SHARP_MM:
            return disc(region, self.radius_mm)
        inside = max(self.corner_mm - height_mm, 0.0)
        flat = self.radius_mm - self.corner_mm
        return disc(region, flat + float(np.sqrt(max(self.corner_mm**2 - inside**2, 0.0))))


@dataclass(frozen=True)
class RunningWheel:
    """Its axis along the cross-feed; it runs along the unit ``traverse`` (2,) of the setup's plane."""

    width_mm: float
    diameter_mm: float
    traverse: tuple[float, float]

    @property
    def tip_heights_mm(self) -> tuple[float, ...]:
        return (0.0,)

    @property
    def reach_mm(self) -> tuple[float, float]:
        (a, b), r, w = self.traverse, self.diameter_mm / 2, self.width_mm / 2
        return abs(a) * r + abs(b) * w, abs(b) * r + abs(a) * w

    def over(self, tops: Sequence[float]) -> tuple[float, ...]:
        """Just under each top, where the wheel's chord is the longest that it may meet."""
        higher = sorted({round(t - 1e-3, 3) for t in tops if t > 2e-3})
        return (0.0, *(higher[k] for k in _few(len(higher))))

    def grown(self, region: CrossSection, height_mm: float) -> CrossSection:
        radius = self.diameter_mm / 2
        chord = float(np.sqrt(max(radius**2 - (radius - min(height_mm, radius)) ** 2, 0.0)))
        along, across = np.array(self.traverse), np.array([-self.traverse[1], self.traverse[0]])
        return dragged(dragged(region, across * self.width_mm / 2), along * chord)


def disc(region: CrossSection, radius_mm: float) -> CrossSection:
    if radius_mm == 0 or region.is_empty():
        return region
    return region.offset(radius_mm, JoinType.Round, 2.0, circle(abs(radius_mm))).simplify(_EPSILON_MM)


def dragged(region: CrossSection, half: Array) -> CrossSection:
    """A region swept from -``half`` to +``half`` (2,)."""
    if region.is_empty() or float(np.abs(half).max()) < CHORD_MM:
        return region
    pieces = [region.translate(-half), region.translate(half)]
    for ring in region.to_polygons():
        after = np.roll(ring, -1, axis=0)
        quads = np.stack([ring - half, after - half, after + half, ring + half], axis=1)
        u, v = after - ring, 2 * half
        turns = u[:, 0] * v[1] - u[:, 1] * v[0]
        ccw = np.where((turns < 0)[:, None, None], quads[:, ::-1], quads)[np.abs(turns) > 1e-12]
        pieces.append(CrossSection([np.ascontiguousarray(q) for q in ccw], FillRule.NonZero))
    return all_of(pieces).simplify(_EPSILON_MM)


@dataclass(frozen=True, eq=False)
class Above:
    """Outlines of all that lies above a height, each made once."""

    solid: Manifold
    _known: dict[float, CrossSection] = field(default_factory=dict)

    def tops(self) -> Array:
        """Heights of its flats and corners, ascending."""
        return np.unique(np.round(points_of(self.solid)[:, 2], 3))

    def __call__(self, height_mm: float) -> CrossSection:
        key = round(height_mm, 4)
        if key not in self._known:
            self._known[key] = self._outline(key).simplify(_EPSILON_MM)
        return self._known[key]

    def _outline(self, height_mm: float) -> CrossSection:
        if height_mm >= self._overhangs_mm:  # a section is the silhouette, and costs far less
            return self.solid.slice(height_mm)
        upper = self.solid.trim_by_plane((0, 0, 1), height_mm)
        return upper.project() if not upper.is_empty() else CrossSection()

    @cached_property
    def _overhangs_mm(self) -> float:
        """Up to where something faces down: above that a line that is in the solid leaves it once for all."""
        corners = corners_of(self.solid)
        u, v = corners[:, 1, :2] - corners[:, 0, :2], corners[:, 2, :2] - corners[:, 0, :2]
        down = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0] < -_HIDDEN_MM2
        return float(corners[down, :, 2].max(initial=-_FAR_MM))


def near(solid: Manifold, need: Manifold, tools: Sequence[ToolSection], all_along: bool) -> Manifold:
    """What of a solid the tools may touch while they take ``need``: all from its lowest point up.

    ``all_along`` leaves nothing out beside it either.
    """
    if need.is_empty():
        return Manifold()
    x0, y0, z0, x1, y1, _ = need.bounding_box()
    reach = [(0.0, 0.0), *(t.reach_mm for t in tools)]
    wide, deep = (_FAR_MM if all_along else 2 * max(r[k] for r in reach) + 1 for k in (0, 1))
    dip = max((h for t in tools for h in t.tip_heights_mm), default=0.0) + 1
    box = Manifold.cube((x1 - x0 + 2 * wide, y1 - y0 + 2 * deep, _FAR_MM))
    return solid ^ box.translate((x0 - wide, y0 - deep, z0 - dip))


Missed = tuple[float, float, CrossSection]


def not_reached(need: Manifold, tools: Sequence[ToolSection], above: Above, slack_mm: float) -> list[Missed]:
    """(low, high, region) of what of ``need`` none of the tools can clear, wider than ``slack_mm``.

    What is above a level is above every lower one: where the lowest level keeps the tools from nothing of
    all that is needed, seen from above, no level does.
    """
    bands = list(_bands(need))
    if not bands:
        return []
    tops = above.tops()

    def left_at(band: tuple[float, float], wanted: CrossSection) -> CrossSection:
        left = wanted.simplify(_EPSILON_MM)
        for tool in tools:
            if not left.is_empty():
                left = _narrowed(_left_at(sum(band) / 2, left, tool, above, tops), slack_mm)
        return left

    if len(bands) > 1 and left_at(bands[0], need.project()).is_empty():
        return []
    missed = ((*band, left_at(band, need.slice(sum(band) / 2))) for band in bands)
    return [m for m in missed if m[2].area() > slack_mm**2]


def _narrowed(region: CrossSection, slack_mm: float) -> CrossSection:
    if region.area() < slack_mm**2:
        return CrossSection()
    return region.offset(-slack_mm, JoinType.Miter).offset(slack_mm, JoinType.Miter)


def _left_at(z: float, wanted: CrossSection, tool: ToolSection, above: Above, tops: Array) -> CrossSection:
    left = wanted
    for dip in tool.tip_heights_mm:  # the tip may stand lower than the level by its corner
        tip = z - dip
        window = tool.grown(_box(wanted), dip)
        if dip:
            window = window.offset(1.0, JoinType.Miter)
        taken = all_of(tool.grown(above(tip + up), up) for up in tool.over((tops - tip).tolist()))
        left = left - tool.grown(window - taken, dip)
        if left.is_empty():
            break
    return left


def _box(region: CrossSection) -> CrossSection:
    x0, y0, x1, y1 = region.bounds()
    return CrossSection.square((x1 - x0, y1 - y0)).translate((x0, y0))


def _bands(solid: Manifold) -> Iterator[tuple[float, float]]:
    """Between the heights of its corners, those close together taken as one."""
    heights = np.unique(np.round(points_of(solid)[:, 2], 3))
    heights = heights[_few(len(heights))]
    for low, high in zip(heights[:-1], heights[1:], strict=True):
        if high - low > CHORD_MM:
            yield float(low), float(high)


def _few(count: int) -> list[int]:
    return [int(k) for k in np.unique(np.linspace(0, count - 1, min(count, _LEVELS + 1)).astype(int))]

"""Whether a round tool gets at what it is said to remove, level by level.

In a setup's coordinates, tool from above. At a level z the tool may stand where nothing that must stay lies within
its radius at that height or above; what it clears there is that region grown by its radius again: the opening of
the free plane by the tool's disc, exact up to the chords of circles. A wheel's disc is a rectangle, seen from above.
Lengths mm.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from manifold3d import CrossSection, FillRule, JoinType, Manifold

from featurize.brep.surfaces import Array
from routing.dryrun.solids import CHORD_MM, all_of, circle, points_of

# Levels that are looked at between two heights where the material's outline changes its kind.
_LEVELS = 8
# How far inside the tool's corner levels of its profile are taken, as shares of the corner's radius.
_CORNER = (0.0, 0.1, 0.4, 1.0)


class Section(Protocol):
    """A tool as it stands: what it covers at a height over its tip."""

    tip_heights_mm: tuple[float, ...]

    def grown(self, region: CrossSection, height_mm: float) -> CrossSection:
        """A region grown by the tool's section there."""
        ...


@dataclass(frozen=True)
class Round:
    """A cutter: radius, corner radius, then a neck and a holder (``radius_mm`` at most) that start higher up."""

    radius_mm: float
    corner_mm: float = 0.0

    @property
    def tip_heights_mm(self) -> tuple[float, ...]:
        return tuple(dict.fromkeys(self.corner_mm * share for share in _CORNER))

    def at(self, height_mm: float) -> float:
        inside = max(self.corner_mm - height_mm, 0.0)
        return self.radius_mm - self.corner_mm + float(np.sqrt(max(self.corner_mm**2 - inside**2, 0.0)))

    def grown(self, region: CrossSection, height_mm: float) -> CrossSection:
        return disc(region, self.at(height_mm))


@dataclass(frozen=True)
class Wheel:
    """Its axis along the cross-feed; it runs along the unit ``traverse`` (2,) of the setup's plane."""

    width_mm: float
    diameter_mm: float
    corner_mm: float
    traverse: tuple[float, float]

    @property
    def tip_heights_mm(self) -> tuple[float, ...]:
        return tuple(dict.fromkeys(self.corner_mm * share for share in _CORNER))

    def grown(self, region: CrossSection, height_mm: float) -> CrossSection:
        radius, sunk = self.diameter_mm / 2, max(self.corner_mm - height_mm, 0.0)
        corner = self.corner_mm - float(np.sqrt(max(self.corner_mm**2 - sunk**2, 0.0)))
        chord = float(np.sqrt(max(radius**2 - (radius - min(height_mm, radius)) ** 2, 0.0)))
        along, across = np.array(self.traverse), np.array([-self.traverse[1], self.traverse[0]])
        wide = dragged(region, across * max(self.width_mm / 2 - corner, 0.0))
        return dragged(wide, along * chord)


def disc(region: CrossSection, radius_mm: float) -> CrossSection:
    if radius_mm == 0 or region.is_empty():  # noqa: RUF069 - just as it is given
        return region
    return region.offset(radius_mm, JoinType.Round, 2.0, circle(abs(radius_mm)))


def dragged(region: CrossSection, half: Array) -> CrossSection:
    """A region swept from -``half`` to +``half`` (2,)."""
    if region.is_empty() or float(np.abs(half).max()) < CHORD_MM:
        return region
    pieces = [region.translate(-half), region.translate(half)]
    for ring in region.to_polygons():
        after = np.roll(ring, -1, axis=0)
        quads = np.stack([ring - half, after - half, after + half, ring + half], axis=1)
        pieces.append(CrossSection([np.ascontiguousarray(q) for q in quads], FillRule.NonZero))
        turned = np.ascontiguousarray(quads[:, ::-1])
        pieces.append(CrossSection([np.ascontiguousarray(q) for q in turned], FillRule.NonZero))
    return all_of(pieces)


@dataclass(frozen=True, eq=False)
class Above:
    """Outlines of all that lies above a height, each made once."""

    solid: Manifold
    _known: dict[float, CrossSection]

    @classmethod
    def of(cls, solid: Manifold) -> Above:
        return cls(solid, {})

    def __call__(self, height_mm: float) -> CrossSection:
        key = round(height_mm, 4)
        if key not in self._known:
            upper = self.solid.trim_by_plane((0, 0, 1), key)
            self._known[key] = upper.project() if not upper.is_empty() else CrossSection()
        return self._known[key]


def not_reached(
    need: Manifold, tool: Section, blocked: Callable[[float], CrossSection], slack_mm: float
) -> Iterator[tuple[float, float, CrossSection]]:
    """(low, high, region) of what of ``need`` the tool cannot clear, wider than ``slack_mm``.

    ``blocked`` gives what the tool must not touch above a height.
    """
    for low, high in _bands(need):
        z = (low + high) / 2
        wanted = need.slice(z)
        if wanted.is_empty():
            continue
        left = _left_at(z, wanted, tool, blocked)
        left = left.offset(-slack_mm, JoinType.Miter).offset(slack_mm, JoinType.Miter)
        if left.area() > slack_mm**2:
            yield low, high, left


def _left_at(
    z: float, wanted: CrossSection, tool: Section, blocked: Callable[[float], CrossSection]
) -> CrossSection:
    left = wanted
    for dip in tool.tip_heights_mm:  # the tip may stand lower than the level by its corner
        tip = z - dip
        window = tool.grown(_box(wanted), dip)
        if dip:
            window = window.offset(1.0, JoinType.Miter)
        taken = all_of(tool.grown(blocked(tip + up), up) for up in tool.tip_heights_mm)
        left = left - tool.grown(window - taken, dip)
        if left.is_empty():
            break
    return left


def _box(region: CrossSection) -> CrossSection:
    x0, y0, x1, y1 = region.bounds()
    return CrossSection.square((x1 - x0, y1 - y0)).translate((x0, y0))


def _bands(solid: Manifold) -> Iterator[tuple[float, float]]:
    """Between the heights of its corners, those close together taken as one, long ones not split further."""
    heights = np.unique(np.round(points_of(solid)[:, 2], 4))
    if len(heights) > _LEVELS + 1:
        heights = np.unique(heights[np.linspace(0, len(heights) - 1, _LEVELS + 1).astype(int)])
    for low, high in zip(heights[:-1], heights[1:], strict=True):
        if high - low > CHORD_MM:
            yield float(low), float(high)

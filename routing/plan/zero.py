"""The zero of a setup: a place that a person can touch off, and the axes that count from it.

Z points out of the side that is up; X is the first axis of the part's frame that lies in that side, in its
positive sense; Y follows by the right hand. The place is found by the shop's habit, and what is touched
stands in the shop at that moment: a face that earlier setups have cut away is no face, and neither is one
behind a jaw. Where nothing can be touched the middle of the box is taken, and said to be.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import shapely

from featurize import tolerances as tol
from featurize.brep.frame import opposite
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Vec3
from featurize.recognise.scene import vec
from routing.plan.bearing import Outside, outside
from routing.plan.holding.fixtures import Box, Fixture
from routing.plan.holding.setup import TOUCH_MM
from routing.processes.context import JobContext
from routing.processes.flags import Flag, Severity

# What touches off comes down beside a face and is so wide (common practice, no source).
_FINDER_MM = 10.0
# Smallest bore that is picked up (common practice, no source).
_BORE_MM = 3.0
# Places tried along each way of a side.
_PLACES = 24
# What lies farthest along a direction, by how many sides meet there.
_HOW = {1: "face", 2: "edge", 3: "corner"}
# Levels along the frame's axes between which a piece of the stock's skin lies.
_Patch = Mapping[str, tuple[float, float]]

CORNER, CENTRE, BORE = "corner", "centre", "bore"
OUTERMOST, SQUARED = "outermost", "squared here"
# What is tried where the habit finds nothing.
_TRIED: Mapping[str, tuple[str, ...]] = {
    CORNER: (CORNER, CENTRE, BORE),
    CENTRE: (CENTRE, CORNER, BORE),
    BORE: (BORE, CENTRE, CORNER),
}


@dataclass(frozen=True)
class Touched:
    """What ``axis`` is found at.

    ``how`` is "face" (the only one of ``sides``), "middle" (between the two sides), "edge" (where the two
    sides meet), "corner" (where the three do), "bore" or "round" (its middle), or "seat" (what the part rests
    on). ``features`` own what is touched, ``names`` are their faces' in the file. ``at_mm`` are the places of
    what is touched along the axis, from the zero.
    """

    axis: str
    how: str
    sides: tuple[str, ...]
    features: tuple[str, ...]
    names: tuple[str, ...]
    at_mm: tuple[float, ...]

    @property
    def words(self) -> str:
        owners = f" ({' '.join((*self.features, *self.names))})" if self.features or self.names else ""
        where = " and ".join(self.sides)
        if self.how == "middle":
            width = abs(self.at_mm[1] - self.at_mm[0])
            return f"{self.axis} 0 midway between {where}{owners}, {width:.3f} apart"
        text = {
            "face": f"on the face {where}",
            "edge": f"at the edge of {where}",
            "corner": f"at the corner of {where}",
            "bore": "at the middle of the bore",
            "round": "at the middle of the round outside",
            "seat": f"on what it rests on, {where}",
        }[self.how]
        return f"{self.axis} 0 {text}{owners}"


@dataclass(frozen=True)
class Zero:
    """``origin_mm`` and unit axes in model coordinates; ``along`` names the part's side that each looks to.

    ``kind`` tells how it was found: "corner", "centre" or "bore" by the shop's habit, "outermost" of a part
    set slanted, "squared here" where the setup makes the sides itself, "" where nothing was found.
    """

    origin_mm: Vec3
    x: Vec3
    y: Vec3
    z: Vec3
    touched_off: tuple[Touched, ...] = ()
    kind: str = ""
    along: tuple[str, str, str] = ("", "", "")

    @property
    def axes(self) -> Array:
        """Rows X, Y, Z (3, 3)."""
        return np.array([self.x, self.y, self.z])

    def local(self, points: Array) -> Array:
        """Model points (..., 3) in the setup's own coordinates."""
        return np.asarray((np.asarray(points) - np.array(self.origin_mm)) @ self.axes.T)

    @property
    def words(self) -> str:
        """One sentence, the same on every paper."""
        axes = f"X along {self.along[0]}, Y along {self.along[1]}, Z out of {self.along[2]}"
        if self.kind == SQUARED:
            text = "Squared here: sizes are measured across, heights count from where zero is picked up later"
            return f"{text}; {axes}"
        if not self.touched_off:
            return f"Middle of the part's box at its highest level; {axes}"
        return "; ".join([*(t.words for t in self.touched_off), axes])


@dataclass(frozen=True, eq=False)
class Moment:
    """What stands in the shop when a setup begins.

    ``made`` are the features made before, ``fixtures`` stand round the stock, which is ``over_mm`` over the
    squared blank a side. ``squares`` tells that this setup makes the outside itself.
    """

    made: frozenset[str] = frozenset()
    fixtures: tuple[Fixture, ...] = ()
    over_mm: float = 0.0
    squares: bool = False


def zero_for(job: JobContext, up: Array, moment: Moment | None = None) -> Zero:
    """The zero of a setup whose side ``up`` (unit, model coordinates) is up, slanted ones included."""
    z = up / np.linalg.norm(up)
    axes = job.part.frame.axes
    first = next(a for a in axes if abs(float(a @ z)) < np.sqrt(0.5) + 1e-9)
    x = first - (first @ z) * z
    x /= np.linalg.norm(x)
    seeker = _Seeker(job, np.array([x, np.cross(z, x), z]), moment or Moment())
    return seeker.zero()


def not_touched(number: int, zero: Zero) -> Flag | None:
    """A warning where a person finds nothing to touch off."""
    if zero.kind == SQUARED or {t.axis for t in zero.touched_off} == set("XYZ"):
        return None
    missing = [a for a in "XYZ" if a not in {t.axis for t in zero.touched_off}]
    text = (
        f"Setup {number}: nothing that stands there can be touched off for {' and '.join(missing)}; zero is "
        "the middle of the part's box. Set a pin, a ball or a stop where you know its place."
    )
    return Flag("zero-not-touched", Severity.WARNING, None, text)


@dataclass(frozen=True)
class _Found:
    """A level along an axis of the setup, in model coordinates, and what is touched there."""

    level_mm: float
    how: str
    sides: tuple[str, ...]
    features: tuple[str, ...]
    levels_mm: tuple[float, ...]


class _Seeker:
    """Looks for what can be touched off in one setup. ``axes`` are its X, Y, Z in rows."""

    def __init__(self, job: JobContext, axes: Array, moment: Moment) -> None:
        self.job, self.axes, self.moment = job, axes, moment
        self.frame, part = job.part.frame, job.part
        self.low, self.high = part.low - moment.over_mm, part.high + moment.over_mm
        self.up = self.frame.side_of(axes[2]) or ""  # "" of a part set slanted
        highs = np.array([[b >> k & 1 for k in range(3)] for b in range(8)], bool)
        self._corners = self.frame.world(np.where(highs, self.high, self.low))
        self._highs = highs
        self._blocked = [f.extent(self.frame) for f in moment.fixtures]
        self._standing_: dict[str, Any] = {}

    def zero(self) -> Zero:
        levels = self._corners @ self.axes.T
        place = np.array([*((levels.min(axis=0) + levels.max(axis=0)) / 2)[:2], levels[:, 2].max()])
        if self.moment.squares:  # counted from where the others will be
            kind, found = SQUARED, dict[str, _Found]()
            later = _Seeker(self.job, self.axes, Moment()).found()[1]
        else:
            kind, found = self.found()
            later = found
        for k, name in enumerate("XYZ"):
            if name in later:
                place[k] = later[name].level_mm
        x, y, z = (vec(a) for a in self.axes)
        along = tuple(self.job.side_name(a) for a in self.axes)
        touched = tuple(self._touched(name, f) for name, f in found.items())
        return Zero(vec(place @ self.axes), x, y, z, touched, kind, (along[0], along[1], along[2]))

    def _touched(self, name: str, found: _Found) -> Touched:
        at = tuple(round(v - found.level_mm, 6) + 0.0 for v in found.levels_mm)
        return Touched(name, found.how, found.sides, found.features, self._names(found), at)

    def _names(self, found: _Found) -> tuple[str, ...]:
        """Those that the faces which are touched have in the file."""
        faces = [self.job.part.faces[i] for f in found.features for i in self.job.by_id[f].faces]
        looks = [self.frame.direction(s) for s in found.sides]
        if looks:
            faces = [f for f in faces if any((f.normals @ look > 1 - 1e-6).all() for look in looks)]
        return tuple(dict.fromkeys(n for f in faces for n in f.names if n))

    def found(self) -> tuple[str, dict[str, _Found]]:
        """How, and what, for each axis that something is found for."""
        ways = {CORNER: self._corner, CENTRE: self._middle, BORE: self._bore}
        best, found = "", dict[str, _Found]()
        if not self.up:
            best, found = OUTERMOST, self._outermost()
        else:
            for kind in _TRIED[self.job.shop.general.zero]:
                if len(found) < len("XY") and len(flat := ways[kind]()) > len(found):
                    best, found = kind, flat
        height = self._height()
        if height is not None:
            found = {**found, "Z": height}
        return (best if found else ""), found

    # Upright setups.

    def _side(self, side: str) -> Outside:
        return outside(self.job, side)

    def _level(self, side: str) -> float:
        """Of a side of the stock along its own outward direction, from the model's origin."""
        k = "xyz".index(side[1])
        at = self.high[k] if side[0] == "+" else -self.low[k]
        return float(at + self.frame.origin @ self.frame.direction(side))

    def _standing(self, side: str) -> Any:
        """What of a side of the stock is there, in the frame's two axes along it."""
        if side not in self._standing_:
            found = self._side(side)
            region = found.in_frame(self.frame, found.after(self.moment.made))
            self._standing_[side] = self._grown(side, region)
        return self._standing_[side]

    def _grown(self, side: str, region: Any) -> Any:
        """Carried on to the outline of a stock that stands over the part."""
        over = self.moment.over_mm
        if over <= 0 or region.is_empty:
            return region
        others = [k for k in range(3) if "xyz"[k] != side[1]]
        a, b = (float(self.low[k]) for k in others)
        c, d = (float(self.high[k]) for k in others)
        rim = shapely.box(a, b, c, d).difference(shapely.box(a + over, b + over, c - over, d - over))
        beside = shapely.buffer(region, over + tol.LENGTH_MM, join_style="mitre", cap_style="square")
        return shapely.union(region, shapely.intersection(rim, beside))

    def _stands(self, side: str, patch: _Patch) -> bool:
        """Whether all of a patch of a side is there, and has stock behind it."""
        (a, b), (c, d) = (patch[n] for n in "xyz" if n != side[1])
        window = shapely.box(a, c, b, d)
        gone = window.area - shapely.intersection(self._standing(side), window).area
        return bool(gone < tol.SURFACE_MM) and self._is_stock(side, patch)

    def _is_stock(self, side: str, patch: _Patch) -> bool:
        """Whether the blank is there behind a patch: a disc has no corners."""
        k, inwards = "xyz".index(side[1]), -1.0 if side[0] == "+" else 1.0
        level = (self.high if side[0] == "+" else self.low)[k] + inwards * (
            self.moment.over_mm + 10 * tol.SURFACE_MM
        )
        shares = np.array([(s, t) for s in (0.05, 0.5, 0.95) for t in (0.05, 0.5, 0.95)])
        points = np.empty((len(shares), 3))
        points[:, k] = level
        for n, a in enumerate(x for x in "xyz" if x != side[1]):
            low, high = patch[a]
            points[:, "xyz".index(a)] = low + shares[:, n] * (high - low)
        inside = np.clip(points, self.job.part.low + 1e-6, self.job.part.high - 1e-6)
        return bool(self.job.in_blank(self.frame.world(inside)).all())

    def _is_free(self, side: str, patch: _Patch) -> bool:
        """Whether nothing stands where a finder comes down before a patch."""
        low, high = self.low.copy(), self.high.copy()
        for a, (start, end) in patch.items():
            low["xyz".index(a)], high["xyz".index(a)] = start, end
        k, u = "xyz".index(side[1]), "xyz".index(self.up[1])
        outer = _FINDER_MM if k != u else np.inf
        low[k], high[k] = (
            (self.high[k], self.high[k] + outer) if side[0] == "+" else (self.low[k] - outer, self.low[k])
        )
        if self.up[0] == "+":
            high[u] = np.inf
        else:
            low[u] = -np.inf
        hair = tol.LENGTH_MM
        return not any(
            np.all(end > low + hair) and np.all(start < high - hair) for start, end in self._blocked
        )

    def _face(self, side: str, axis: Array) -> _Found:
        level = self._level(side) * float(np.sign(self.frame.direction(side) @ axis))
        return _Found(level, "face", (side,), self._side(side).features, (level,))

    def _patch_at(
        self, corner: Mapping[str, str], middle: Array | None = None
    ) -> dict[str, tuple[float, float]]:
        """Levels of a piece of the stock at the sides given by axis, about a middle (3,) along the others."""
        found = {}
        for k, axis in enumerate("xyz"):
            wide = min(TOUCH_MM, float(self.high[k] - self.low[k]) / 2)
            if axis not in corner:
                assert middle is not None
                found[axis] = float(middle[k]) - wide / 2, float(middle[k]) + wide / 2
            elif corner[axis][0] == "+":
                found[axis] = float(self.high[k]) - wide, float(self.high[k])
            else:
                found[axis] = float(self.low[k]), float(self.low[k]) + wide
        return found

    def _corner(self) -> dict[str, _Found]:
        """The first corner of the stock that stands with both faces free; the one at low X and Y first."""
        x, y = (self.frame.side_of(a) or "" for a in self.axes[:2])
        for flips in ((True, True), (False, True), (True, False), (False, False)):
            one, other = (opposite(s) if flip else s for s, flip in zip((x, y), flips, strict=True))
            patch = self._patch_at({s[1]: s for s in (one, other, self.up)})
            stands = all(self._stands(s, patch) for s in (one, other, self.up))
            if stands and all(self._is_free(s, patch) for s in (one, other)):
                return {
                    n: self._face(s, a) for n, s, a in zip("XY", (one, other), self.axes[:2], strict=True)
                }
        return {}

    def _middle(self) -> dict[str, _Found]:
        """Midway between opposite sides; of a disc, the middle of its round."""
        blanks = self.job.blanks
        about = blanks.squared.round if blanks else None
        if about is not None and abs(float(about[1] @ self.axes[2])) > 1 - 1e-6:
            owners = tuple(
                f.id
                for f in self.job.features
                if f.kind.traits.blank and blanks and blanks.squared.is_outside(self.job.cloud(f.faces))
            )
            return self._about(about[0], "round", owners)
        found = {}
        for name, axis in zip("XY", self.axes[:2], strict=True):
            plus = self.frame.side_of(axis) or ""
            sides = (opposite(plus), plus)
            if all(self._can_be_touched(s) for s in sides):
                one, other = (self._face(s, axis) for s in sides)
                levels = one.level_mm, other.level_mm
                features = tuple(dict.fromkeys((*one.features, *other.features)))
                found[name] = _Found(sum(levels) / 2, "middle", sides, features, levels)
        return found

    def _can_be_touched(self, side: str) -> bool:
        """Whether there is a patch somewhere on a side that a finder reaches from above."""
        return any(self._stands(side, p) and self._is_free(side, p) for p in self._patches(side))

    def _patches(self, side: str) -> Iterator[_Patch]:
        """Patches all over a side, the highest first and from the middle outwards."""
        region = self._standing(side)
        if region.is_empty:
            return
        a, b, c, d = region.bounds
        (one, other) = (n for n in "xyz" if n != side[1])
        places = {one: self._places(one, a, c), other: self._places(other, b, d)}
        first = self.up[1] if self.up[1] in places else one
        second = other if first == one else one
        for at, beside in product(places[first], places[second]):
            yield {first: at, second: beside}

    def _places(self, axis: str, low: float, high: float) -> list[tuple[float, float]]:
        wide = min(TOUCH_MM, high - low)
        count = max(1, min(_PLACES, int((high - low - wide) / (TOUCH_MM / 2)) + 1))
        starts = low + np.linspace(0, max(0.0, high - low - wide), count)
        if axis != self.up[1]:
            starts = starts[np.argsort(np.abs(starts - starts.mean()), kind="stable")]
        elif self.up[0] == "+":
            starts = starts[::-1]
        return [(float(s), float(s) + wide) for s in starts]

    def _bore(self) -> dict[str, _Found]:
        """The middle of a bore that is there and opens upwards: a datum first, then the widest."""
        able = [f for f in self.job.features if self.up in f.opens_to and self._is_picked_up(f)]
        first = min(able, key=lambda f: (not _is_datum(f), -_width(f), f.id), default=None)
        if first is None or first.axis is None:
            return {}
        return self._about(np.array(first.axis.origin), "bore", (first.id,))

    def _is_picked_up(self, hole: Feature) -> bool:
        if hole.id not in self.moment.made or hole.axis is None or hole.thread is not None:
            return False
        upright = abs(float(np.array(hole.axis.direction) @ self.axes[2])) > 1 - 1e-6
        return upright and _width(hole) >= _BORE_MM

    def _about(self, point: Array, how: str, features: tuple[str, ...]) -> dict[str, _Found]:
        levels = [float(point @ a) for a in self.axes[:2]]
        return {n: _Found(v, how, (), features, (v,)) for n, v in zip("XY", levels, strict=True)}

    def _height(self) -> _Found | None:
        axis = self.axes[2]
        if not self.up:
            return self._extreme(axis, axis)
        if self._can_be_touched(self.up):
            return self._face(self.up, axis)
        seat = opposite(self.up)
        if not self._standing(seat).is_empty:
            level = -self._level(seat)
            return _Found(level, "seat", (seat,), self._side(seat).features, (level,))
        return None

    # Slanted setups, as on a sine plate: the outermost face, edge or corner is touched.

    def _outermost(self) -> dict[str, _Found]:
        ends = {n: [self._extreme(a, s * a) for s in (-1, 1)] for n, a in zip("XY", self.axes, strict=False)}
        firsts = {n: next((f for f in both if f is not None), None) for n, both in ends.items()}
        return {n: f for n, f in firsts.items() if f is not None}

    def _extreme(self, axis: Array, direction: Array) -> _Found | None:
        """What of the stock lies farthest along a direction of an axis, if it stands there and is free."""
        levels = self._corners @ direction
        own = levels > levels.max() - tol.SURFACE_MM
        highs, corner = self._highs[own], dict[str, str]()
        for k, a in enumerate("xyz"):
            if np.all(highs[:, k] == highs[0, k]):
                corner[a] = ("+" if highs[0, k] else "-") + a
        middle = self._corners[own].mean(axis=0)
        patch = self._patch_at(corner, self.frame.local(middle))
        sides = tuple(corner.values())
        if not all(self._stands(s, patch) for s in sides) or not self._is_clear(middle, direction):
            return None
        features = tuple(dict.fromkeys(f for s in sides for f in self._side(s).features))
        level = float(levels.max()) * float(np.sign(axis @ direction))
        return _Found(level, _HOW[len(sides)], sides, features, (level,))

    def _is_clear(self, place: Array, direction: Array) -> bool:
        """Whether nothing stands where a finder comes down to a place from outside or above."""
        up, across = self.axes[2], np.cross(self.axes[2], direction)
        deep = 0.0 if abs(float(direction @ up)) > 1 - 1e-6 else TOUCH_MM
        outs = direction if deep else np.cross(up, self.axes[0])
        if not deep:
            across = self.axes[0]
        points = np.array(
            [
                place + o * outs + w * across + (h - deep) * up
                for o in np.linspace(0.05, _FINDER_MM, 4) - (0 if deep else _FINDER_MM / 2)
                for w in (-TOUCH_MM / 2, 0.0, TOUCH_MM / 2)
                for h in np.linspace(0.05, 4 * _FINDER_MM, 9)
            ]
        )
        boxes = [s for f in self.moment.fixtures for s in f.solids if isinstance(s, Box)]
        return not any(_inside(box, points).any() for box in boxes)


def _inside(box: Box, points: Array) -> Array:
    local = (points - np.array(box.corner)) @ box.axes.T
    return np.asarray(
        np.all((local > tol.LENGTH_MM) & (local < np.array(box.size_mm) - tol.LENGTH_MM), axis=1)
    )


def _is_datum(feature: Feature) -> bool:
    return any(c.kind == "datum" for c in feature.callouts)


def _width(hole: Feature) -> float:
    """Of the first straight bore."""
    return next((b.start_diameter_mm for b in hole.bores if b.is_cylinder), 0.0)

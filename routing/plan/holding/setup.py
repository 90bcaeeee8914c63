"""One setup as its holding sees it, and what a way to hold answers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from shapely import affinity

from featurize import tolerances as tol
from featurize.brep.frame import opposite
from featurize.brep.surfaces import Array
from featurize.feature import Feature
from routing.plan.bearing import Outside, outside
from routing.plan.holding.fixtures import MARGIN_MM, PLATE_MM, Box, Fixture, frame_box
from routing.processes.context import JobContext
from routing.processes.material_rules import MaterialRule
from routing.processes.shop import Workholding

# Jaws and blocks keep this far under what is cut (common practice, no source).
UNDER_CUT_MM = 1.0
# What touches off wants a face this high and wide (common practice, no source).
TOUCH_MM = 3.0


class Grade(StrEnum):
    HOLDS = "holds"
    WEAK = "weak"
    NO = "no"


@dataclass(frozen=True)
class Answer:
    """One way's answer for one setup: ``reason`` is a sentence without a full stop, its numbers estimates.

    ``fixtures`` stand where they hold. ``magnetises``: the part is magnetic afterwards.
    """

    way: str
    grade: Grade
    reason: str
    bears_on: tuple[str, ...] = ()
    screws: tuple[Any, ...] = ()  # of by_threads.Screwed
    fixtures: tuple[Fixture, ...] = ()
    magnetises: bool = False


@dataclass(frozen=True, eq=False)
class Situation:
    """A setup as its holding sees it: ``side`` is up, ``force_n`` the largest of its cuts.

    ``cut`` are the features cut now, ``made`` before, ``threaded`` those with a thread. The stock stands
    ``over_mm`` over the squared blank on each side, which is left for after hardening.
    """

    job: JobContext
    force_n: float
    side: str
    cut: frozenset[str]
    made: frozenset[str]
    threaded: frozenset[str]
    over_mm: float = 0.0

    @property
    def shop(self) -> Workholding:
        return self.job.shop.workholding

    @cached_property
    def rule(self) -> MaterialRule:
        return self.job.shop.rule(self.job.material)

    @property
    def toward(self) -> Array:
        return np.asarray(self.job.part.frame.direction(self.side))

    @cached_property
    def seat(self) -> Outside:
        """The side that the part rests on."""
        return outside(self.job, opposite(self.side))

    @cached_property
    def seat_mm2(self) -> float:
        """What is flat of the seat by now."""
        return self.seat.left_mm2(self.made)

    @cached_property
    def seat_narrow_mm(self) -> float:
        """The smaller side of the smallest rectangle round that."""
        return narrow_mm(self.seat.hull(self.made))

    @cached_property
    def height_mm(self) -> float:
        return self.job.extent_mm(self.toward)

    @property
    def across(self) -> tuple[str, str]:
        """The two axes square to what is up."""
        x, y = (a for a in "xyz" if a != self.side[1])
        return x, y

    def features(self, ids: frozenset[str]) -> list[Feature]:
        return [f for f in self.job.features if f.id in ids]

    def width_mm(self, axis: str) -> float:
        return (
            outside(self.job, f"+{axis}", self.side).level_mm
            + outside(self.job, f"-{axis}", self.side).level_mm
        )

    def clear_mm(self, axis: str) -> float:
        """Height over the seat up to which nothing is cut now out of the two sides of an axis."""
        sides = {f"+{axis}", f"-{axis}"}
        levels = [
            float((self.job.cloud(f.faces) @ self.toward).min())
            for f in self.features(self.cut)
            if sides & set(f.opens_to)
        ]
        floor = float((self.job.part.mesh.vertices @ self.toward).min())
        return min(levels, default=np.inf) - floor if levels else self.height_mm

    def gripped(self, axis: str, up_to_mm: float) -> Any:
        """Flat on both sides of an axis, as far up as a height over the seat: a region seen from its + side.

        Its second coordinate is the height over the seat.
        """
        plus = outside(self.job, f"+{axis}", self.side)
        minus = outside(self.job, f"-{axis}", self.side)
        both = shapely.intersection(
            plus.after(self.made),
            affinity.scale(minus.after(self.made), xfact=-1.0, origin=(0.0, 0.0)),
            grid_size=tol.SNAP_MM,
        )
        floor = float(((self.job.part.mesh.vertices - plus.view.origin) @ self.toward).min())
        both = affinity.translate(both, yoff=-floor)
        far = 10 * float(np.max(self.job.part.high - self.job.part.low))
        return largest(shapely.intersection(both, shapely.box(-far, -far, far, up_to_mm)))

    def reach(self, axis: str) -> tuple[float, float]:
        """Between what levels the stock reaches along an axis of the frame."""
        k, part = "xyz".index(axis), self.job.part
        return float(part.low[k]) - self.over_mm, float(part.high[k]) + self.over_mm

    def beside(self, side: str, thick_mm: float) -> tuple[float, float]:
        """Levels along a side's axis of what stands against it, so thick."""
        low, high = self.reach(side[1])
        return (high, high + thick_mm) if side[0] == "+" else (low - thick_mm, low)

    def other(self, axis: str) -> str:
        """The axis across to this one."""
        return next(a for a in self.across if a != axis)

    def span_of(self, axis: str, region: Any) -> tuple[float, float]:
        """Levels along the other axis between which a region of ``gripped`` lies."""
        ends = shapely.bounds(region)[[0, 2]]
        across = outside(self.job, f"+{axis}", self.side).view.across
        sign = float(across @ self.job.part.frame.axes["xyz".index(self.other(axis))])
        low, high = sorted(float(e) * sign for e in ends)
        return low, high

    def body(self, spans: Mapping[str, tuple[float, float]], heights: tuple[float, float]) -> Box:
        """A box between levels of the two axes across and heights over the finished seat."""
        up = self.side[1]
        k, part = "xyz".index(up), self.job.part
        low, high = heights
        if self.side[0] == "+":
            levels = float(part.low[k]) + low, float(part.low[k]) + high
        else:
            levels = float(part.high[k]) - high, float(part.high[k]) - low
        return frame_box(part.frame, {**spans, up: levels})

    @property
    def seat_height_mm(self) -> float:
        """Height of what it stands on, over the finished seat."""
        return -self.over_mm

    @property
    def top_height_mm(self) -> float:
        return self.height_mm + self.over_mm

    @cached_property
    def seat_plan(self) -> Any:
        """What of the seat is still flat when this is done, in the frame's two axes across."""
        return self.seat.in_frame(self.job.part.frame, self.seat.after(self.made | self.cut))

    def plate(self, name: str, margin_mm: float = MARGIN_MM) -> Fixture:
        """A plate under all of the seat."""
        spans = {a: (low - margin_mm, high + margin_mm) for a in self.across for low, high in [self.reach(a)]}
        top = self.seat_height_mm
        return Fixture(name, "plate", self.seat.side, (self.body(spans, (top - PLATE_MM, top)),))


def largest(region: Any) -> Any:
    """The largest connected piece of a region."""
    pieces = [p for p in shapely.get_parts(region) if p.geom_type == "Polygon"]
    return max(pieces, key=lambda p: float(p.area), default=shapely.Polygon())


def span(region: Any) -> tuple[float, float]:
    """Width and height of a region's box; 0 and 0 of an empty one."""
    if region.is_empty:
        return 0.0, 0.0
    a, b, c, d = region.bounds
    return float(c - a), float(d - b)


def narrow_mm(region: Any) -> float:
    """The smaller side of the smallest rectangle round a region."""
    if region.is_empty or region.area < tol.SURFACE_MM:
        return 0.0
    ring = np.asarray(shapely.minimum_rotated_rectangle(region).exterior.coords)
    return float(np.linalg.norm(np.diff(ring[:3], axis=0), axis=1).min())


def best(answers: Sequence[Answer]) -> Answer:
    """The first that holds, else the first that is weak, else the first refusal."""
    order = (Grade.HOLDS, Grade.WEAK, Grade.NO)
    return min(answers, key=lambda a: order.index(a.grade))

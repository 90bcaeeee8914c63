"""Which drills and cutters the shop has for one hole."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from featurize import tolerances as tol
from routing.processes.context import JobContext
from routing.processes.heights import HeightGrid
from routing.processes.mill import effort
from routing.processes.mill.hole import Hole
from routing.processes.mill.pace import Pace, owned, per_minute, reach_mm, worn
from routing.processes.mill.shop import MillShop
from routing.processes.protocol import Effort
from routing.processes.tools import Cutter, Drill

# Angles of points and cones within these are a tool's: what a regrind changes (common practice, no source).
POINT_DEG, CONE_DEG = 3.0, 1.0
# Into the full a cutter goes in a helix, and is at most so much of the bore (common practice, no source).
_HELIX_SHARE = 0.8


@dataclass(frozen=True, eq=False)
class BoreTools:
    hole: Hole

    @property
    def job(self) -> JobContext:
        return self.hole.job

    @property
    def shop(self) -> MillShop:
        return self.job.shop[MillShop]

    @property
    def smallest(self) -> float:
        return self.shop.every_drill[0].diameter_mm

    def sized(self, diameter_mm: float) -> list[Drill]:
        return [d for d in self.shop.every_drill if abs(d.diameter_mm - diameter_mm) < tol.SURFACE_MM / 2]

    def exact(self, diameter_mm: float, point_deg: float | None) -> Drill | None:
        """The drill of a size, and of a point where one is asked for."""
        fits = self.sized(diameter_mm)
        if point_deg is not None:
            fits = [d for d in fits if abs(d.point_deg - point_deg) < POINT_DEG]
        return max(fits, key=lambda d: d.length_mm, default=None)

    def under(self, diameter_mm: float) -> Drill | None:
        """The largest drill that leaves enough to open."""
        most = diameter_mm - self.shop.drilling.under_mm + tol.LENGTH_MM
        fits = [d for d in self.shop.every_drill if d.diameter_mm <= most]
        return max(fits, key=lambda d: (d.diameter_mm, d.length_mm), default=None)

    def cutters(self, diameter_mm: float, deep_mm: float) -> Iterator[Cutter]:
        """Those that turn in a bore of a diameter and reach a depth, past what stands beside its mouth."""
        most = diameter_mm - 2 * self.shop.milling.corner_margin_mm
        for c in owned(self.job):
            if (
                c.diameter_mm <= most + tol.LENGTH_MM
                and reach_mm(self.job, c) >= deep_mm - tol.SURFACE_MM
                and self._passes(c, diameter_mm, deep_mm)
            ):
                yield c

    def _passes(self, cutter: Cutter, diameter_mm: float, deep_mm: float) -> bool:
        """Whether shank and holder clear what stands over the mouth, about a path in the bore."""
        held = self.shop.holding
        path, shank = diameter_mm / 2 - cutter.radius_mm, held.shank_of(cutter)
        if self._high_mm <= cutter.neck_mm - deep_mm + tol.LENGTH_MM:
            return True  # nothing stands so high
        # The holder may stand off as far as the material bears of its shank.
        out = max(cutter.stick_out_mm, cutter.neck_mm, self.job.rule().length_ratio * shank)
        return all(
            self._stands_mm(path + across / 2) <= up - deep_mm + tol.LENGTH_MM
            for up, across in ((cutter.neck_mm, shank), (out, held.holder_mm))
        )

    @property
    def _high_mm(self) -> float:
        """How high the part stands over the mouth's level."""
        hole = self.hole
        top = self.job.top_mm(hole.toward) + float(self.job.part.frame.origin @ hole.toward)
        return top - float(hole.mouth @ hole.toward)

    def _stands_mm(self, about_mm: float) -> float:
        """How high anything stands over the mouth's level within a distance of the axis."""
        hole = self.hole
        grid = HeightGrid.of(self.job, hole.feature, hole.toward, self.shop.holding.holder_mm / 2)
        level = float((hole.mouth - grid.view.origin) @ grid.view.along)
        rows, columns = np.indices(grid.heights.shape)
        flat = grid.low + grid.pitch_mm * (np.stack([columns, rows], axis=-1) + 0.5)
        away = np.linalg.norm(flat - grid.view.flat(hole.mouth[None])[0], axis=-1)
        return float(grid.heights[away <= about_mm].max(initial=-np.inf)) - level

    def flat(
        self, diameter_mm: float, deep_mm: float, *, closed: bool, corner_mm: float, full: bool = False
    ) -> Cutter | None:
        """The cheapest that opens a bore; on a ``closed`` floor it leaves no more than a corner radius.

        ``full`` where nothing was drilled before.
        """
        shop = self.shop
        most = _HELIX_SHARE * diameter_mm if full else np.inf

        def can(c: Cutter) -> bool:
            kind = shop.kind_of(c)
            return (
                c.form in ("flat", "bull")
                and c.diameter_mm <= most
                and kind.rough > 0
                and (kind.floor > 0 or not closed)
                and c.corner_radius_mm <= corner_mm + tol.LENGTH_MM
            )

        volume = np.pi / 4 * diameter_mm**2 * deep_mm

        def money(c: Cutter) -> float:
            found = opening(self.job, c, volume)
            return found.minutes * per_minute(self.job) + found.each_cost

        fits = [c for c in self.cutters(diameter_mm, deep_mm) if can(c)]
        return min(fits, key=lambda c: (money(c), c.form != "flat"), default=None)

    def chamfer(self, narrow_mm: float, deep_mm: float, angle_deg: float) -> Cutter | None:
        fits = [
            c
            for c in owned(self.job)
            if c.form == "chamfer"
            and abs(c.tip_deg - angle_deg) < CONE_DEG
            and c.tip_mm <= narrow_mm + tol.SURFACE_MM
            and reach_mm(self.job, c) >= deep_mm - tol.SURFACE_MM
        ]
        return max(fits, key=lambda c: c.diameter_mm, default=None)


def opening(job: JobContext, tool: Cutter, volume_mm3: float, *, soft: bool = False) -> Effort:
    """A helix in a bore, at the material's rates for holes."""
    shop, rule, pace = job.shop[MillShop], job.rule(soft=soft), Pace.of(job, tool, soft=soft)
    share = pace.stiff * (pace.kind.rough if pace.kind else 1.0) * rule.hole_scale
    found = effort.opened(volume_mm3, tool.diameter_mm, shop.rates, shop.holes, scale=share)
    return worn(job, found, tool, soft=soft)

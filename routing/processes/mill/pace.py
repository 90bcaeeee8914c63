"""How quick a cutter is in a material and what of it wears: shares of the shop's rates."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from featurize import tolerances as tol
from featurize.feature import Feature
from routing.processes.context import JobContext
from routing.processes.flags import Flag, Severity
from routing.processes.mill.shop import CutterKind, MillShop
from routing.processes.mill.verdict import MILL
from routing.processes.protocol import Effort, feature_of
from routing.processes.tools import Cutter, SideCutter, Tool

# A cutter that keeps no more of its rate than this is a warning: it bends, rings and breaks (common practice,
# no source).
_TOO_SLENDER = 0.5


def owned(job: JobContext) -> list[Cutter]:
    """The shop's cutters that are sensible in the material, the largest and of these the shortest first."""
    return job.kept("cutters for the material", lambda: _owned(job))


def _owned(job: JobContext) -> list[Cutter]:
    shop = job.shop[MillShop]
    least = job.rule().smallest_cutter_mm - tol.SURFACE_MM  # as measured, a little under
    on = ("both", "steel" if job.material.binder_percent is None else "carbide")
    fit = [c for c in shop.cutters if c.diameter_mm >= least and shop.kind_of(c).on in on]
    return sorted(fit, key=lambda c: (-c.diameter_mm, c.neck_mm))


def reach_mm(job: JobContext, cutter: Cutter) -> float:
    """How deep it works: as its neck clears, bounded by the length to diameter that the material bears."""
    rule = job.rule()
    small = cutter.diameter_mm < rule.small_cutter_mm
    return min(
        cutter.reach_mm, cutter.diameter_mm * (rule.small_length_ratio if small else rule.length_ratio)
    )


def slenderness(diameter_mm: float, neck_mm: float, stick_out_mm: float, shank_mm: float) -> float:
    """Length over diameter of an even bar that bends as much under a side force at its tip.

    A stepped cantilever: the deflection goes with n^3 / d^4 + (L^3 - n^3) / s^4 for a neck n of diameter d
    and a shank s up to L (Euler-Bernoulli beam; second moment of a round bar pi d^4 / 64).
    """
    out = max(stick_out_mm, neck_mm)
    bend = neck_mm**3 / diameter_mm**4 + (out**3 - neck_mm**3) / shank_mm**4
    return float((bend * diameter_mm) ** (1 / 3))


@dataclass(frozen=True)
class Pace:
    """A cutter in the job's material. The shares are of the shop's rates in steel, its diameter apart."""

    kind: CutterKind | None
    base: float
    slender: float
    stiff: float  # share of its rate that it keeps for being slender

    @classmethod
    def of(
        cls, job: JobContext, tool: Cutter | SideCutter, stick_out_mm: float = 0.0, *, soft: bool = False
    ) -> Pace:
        """``stick_out_mm`` where it must stand out further than it does at least."""
        rule, shop = job.rule(soft=soft), job.shop[MillShop]
        if isinstance(tool, SideCutter):
            slender = tool.reach_mm / tool.neck_mm
            return cls(None, rule.feed_scale, slender, min(1.0, rule.stiff_ratio / slender))
        kind = shop.kind_of(tool)
        out, shank = max(tool.stick_out_mm, stick_out_mm), shop.holding.shank_of(tool)
        slender = slenderness(tool.diameter_mm, tool.neck_mm, out, shank)
        base = rule.grind_scale if kind.grinds else rule.feed_scale
        return cls(kind, base, slender, min(1.0, rule.stiff_ratio / slender))

    @property
    def rough(self) -> float:
        return self.base * self.stiff * (self.kind.rough if self.kind else 1.0)

    @property
    def floor(self) -> float:
        return self.base * self.stiff * (self.kind.floor if self.kind else 1.0)

    def engaged_mm(self, diameter_mm: float, depth_mm: float) -> float:
        """The length of a wall that is cut at once."""
        return min((self.kind.engagement if self.kind else 1.0) * diameter_mm, depth_mm)

    def wall(self, diameter_mm: float, depth_mm: float) -> float:
        """Quicker as it cuts more of the wall's height at once than the rate stands for."""
        usual = min(diameter_mm, depth_mm)
        longer = self.engaged_mm(diameter_mm, depth_mm) / usual if usual > 0 else 1.0
        return self.base * self.stiff * (self.kind.wall if self.kind else 1.0) * longer


def slender_flags(
    job: JobContext, feature: Feature, paces: Iterable[tuple[Cutter | SideCutter, Pace]]
) -> tuple[Flag, ...]:
    """A warning for the most slender of some tools, where it is too slender to be quick."""
    tool, pace = max(paces, key=lambda p: p[1].slender, default=(None, None))
    if tool is None or pace is None or pace.stiff > _TOO_SLENDER:
        return ()
    text = (
        f"{tool} works at {pace.slender:.1f} diameters in {job.material.name}: its rate is taken at "
        f"{pace.stiff:.0%}, and it may chatter, lean or break."
    )
    return (Flag("slender-cutter", Severity.WARNING, feature_of(feature.id), text),)


def wear(job: JobContext, tool: Tool | None, run_min: float, *, soft: bool = False) -> float:
    """Money for what so many minutes wear: of the tool's own life and price, else by the material's hour."""
    rule = job.rule(soft=soft)
    if isinstance(tool, Cutter):
        return run_min / (tool.life_min * rule.life_scale) * tool.price
    return run_min / 60 * rule.cutter_cost_per_hour


def worn(job: JobContext, found: Effort, tool: Tool | None, *, soft: bool = False) -> Effort:
    """The same effort with what it wears of the tool."""
    money = wear(job, tool, found.run_min, soft=soft)
    text = f"wears {money:.2f} {job.shop.rates.currency}"
    return replace(found, each_cost=money, basis=tuple(f"{b}, {text}" for b in found.basis))


def per_minute(job: JobContext) -> float:
    """Money for a minute of the machine."""
    return job.shop.rates.per_hour[MILL] / 60

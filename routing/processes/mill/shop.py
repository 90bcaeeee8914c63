"""What a shop has for milling, drilling and thread milling. Lengths mm, times minutes."""

from __future__ import annotations

from dataclasses import dataclass

from routing.processes.rooms import key
from routing.processes.tools import Contradictions, Cutter, SideCutter


@dataclass(frozen=True)
class Holding:
    """How milling cutters are held: their shanks and holders, and what coating adds to a neck.

    ``neck_under_mm`` and ``coating_mm`` are per side, ``flute_ratio`` the cutting length over the diameter.
    """

    shank_mm: float
    shank_out_mm: float
    holder_mm: float
    neck_under_mm: float
    coating_mm: float
    flute_ratio: float

    def shank_of(self, cutter: Cutter) -> float:
        """Diameter of a cutter's shank: the common one, or its own."""
        return max(self.shank_mm, cutter.diameter_mm)


@dataclass(frozen=True)
class Drilling:
    """Limits of drilling and thread milling; ratios are depth over diameter."""

    drill_min_mm: float
    drill_max_mm: float
    drill_ratio: float
    thread_min_mm: float
    thread_ratio: float

    def contradictions(self) -> Contradictions:
        if self.drill_min_mm > self.drill_max_mm:
            yield "drill_min_mm", f"drill_max_mm is only {self.drill_max_mm:g}"


@dataclass(frozen=True)
class MillRates:
    mm3_per_min: float
    finish_mm2_per_min: float
    semi_finish_mm2_per_min: float
    full_cutter_mm: float
    tool_change_min: float

    def share(self, cutter_mm: float) -> float:
        """A small cutter's share of the rates: as its diameter, up to the full cutter's."""
        return min(1.0, cutter_mm / self.full_cutter_mm)


@dataclass(frozen=True)
class HoleRates:
    drill_mm_per_min: float
    full_drill_mm: float
    peck_ratio: float
    thread_mm_per_min: float
    thread_mill_share: float
    position_min: float
    bore_min: float


@dataclass(frozen=True)
class MillShop:
    cutters: tuple[Cutter, ...]
    side_cutters: tuple[SideCutter, ...]
    holding: Holding
    drilling: Drilling
    rates: MillRates = key("rates.mill")
    holes: HoleRates = key("rates.holes")

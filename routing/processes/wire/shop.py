"""What a shop has for wire erosion. Lengths mm, times minutes."""

from __future__ import annotations

from dataclasses import dataclass

from routing.processes.rooms import key
from routing.processes.tools import Contradictions, Wire


@dataclass(frozen=True)
class WireMachine:
    """``start_hole_ratio`` is the largest depth of a start hole over its diameter.

    Start holes keep ``start_hole_clear_mm`` a side off the outline and are no wider than
    ``start_hole_enough_mm``. A bore whose mouths widen is an opening from ``opening_from_mm`` on. Slugs over
    ``tab_over_g`` keep a tab.
    """

    taper_limit_deg: float
    height_limit_mm: float
    start_hole_min_mm: float
    start_hole_ratio: float
    start_hole_clear_mm: float
    start_hole_enough_mm: float
    opening_from_mm: float
    lead_mm: float
    outside_mm: float
    tab_over_g: float
    tab_mm: float
    slug_friction: float
    slug_magnet_binder_percent: float

    def contradictions(self) -> Contradictions:
        if self.start_hole_min_mm > self.start_hole_enough_mm:
            yield "start_hole_min_mm", f"start_hole_enough_mm is only {self.start_hole_enough_mm:g}"


@dataclass(frozen=True)
class WireRates:
    """``pass_shares``: speed of each pass over the main cut's, the main cut first. ``relief_trims`` of them
    at least go over a relief. ``feed_m_per_min`` of wire run off the spool, once and for all.
    """

    mm2_per_min: float
    full_wire_mm: float
    lost_height_mm: float
    pass_shares: tuple[float, ...]
    relief_trims: int
    feed_m_per_min: float
    threading_min: float
    slug_min: float

    def main_mm2_per_min(self, wire_mm: float) -> float:
        """The main cut's rate at full height: as the wire's section, which bears the current."""
        return self.mm2_per_min * min(1.0, wire_mm / self.full_wire_mm) ** 2


@dataclass(frozen=True)
class WireShop:
    wires: tuple[Wire, ...]
    machine: WireMachine = key("wire_machine")
    rates: WireRates = key("rates.wire")

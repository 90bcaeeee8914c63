"""What a shop has for surface grinding. Lengths mm, times minutes."""

from __future__ import annotations

from dataclasses import dataclass

from routing.processes.rooms import key
from routing.processes.tools import Contradictions, Wheel


@dataclass(frozen=True)
class GrindRates:
    """``dress_mm`` is what one dressing takes off the wheel's radius."""

    infeed_mm: float
    fine_infeed_mm: float
    fine_mm: float
    spark_out_passes: float
    table_mm_per_min: float
    reversal_min: float
    overrun_mm: float
    cross_share: float
    squared_mm: float
    dress_min: float
    dress_mm: float
    dress_every_mm3: float
    face_min: float

    def contradictions(self) -> Contradictions:
        if self.fine_infeed_mm > self.infeed_mm:
            yield "fine_infeed_mm", f"roughing takes only {self.infeed_mm:g} a pass"


@dataclass(frozen=True)
class Grinding:
    """``rotating_chuck``: whether a part is turned under the wheel without being held anew.

    ``stop_mm`` is how far before its mark the table turns at worst.
    """

    rotating_chuck: bool
    stop_mm: float


@dataclass(frozen=True)
class GrindShop:
    wheels: tuple[Wheel, ...]
    grinding: Grinding
    rates: GrindRates = key("rates.grind")

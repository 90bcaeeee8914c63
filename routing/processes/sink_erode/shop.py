"""What a shop has for sink-erosion. Lengths mm, times minutes."""

from __future__ import annotations

from dataclasses import dataclass

from routing.processes.rooms import key
from routing.processes.tools import Contradictions


@dataclass(frozen=True)
class Electrodes:
    """Gaps per side of the finishing and the roughing electrode, and the rules of their bodies.

    ``stem_ratio`` is the longest stem of a flat electrode that is moved sideways in an undercut, over its
    thickness. ``base_margin_mm`` is what the squared base stands out beyond the form, ``flush_ratio`` the
    depth over the smallest width from which flushing is doubtful, ``wear_share`` the volume of electrode
    lost for a volume of steel, ``blank_allowance_mm`` what is milled off each side of a blank, which comes
    in steps.

    An electrode for corners alone burns ``corner_blend_mm`` on from what a cutter left and stands
    ``corner_relief_mm`` back beyond; its legs are no slimmer than ``corner_leg_ratio`` (height over radius),
    and corners within ``corner_group_mm`` share one.
    """

    finish_gap_mm: float
    rough_gap_mm: float
    corner_radius_mm: float
    max_depth_mm: float
    stem_ratio: float
    min_width_mm: float
    overrun_mm: float
    base_margin_mm: float
    base_height_mm: float
    base_chamfer_mm: float
    shank_mm: float
    shank_height_mm: float
    flush_ratio: float
    material: str
    wear_share: float
    blank_allowance_mm: float
    blank_step_mm: float
    corner_blend_mm: float
    corner_relief_mm: float
    corner_leg_ratio: float
    corner_group_mm: float

    def contradictions(self) -> Contradictions:
        if self.rough_gap_mm < self.finish_gap_mm:
            yield "rough_gap_mm", f"finishing already sparks {self.finish_gap_mm:g} wide"


@dataclass(frozen=True)
class ErodeRates:
    """``wear_mm3`` and ``wear_mm2``: what one roughing or finishing electrode lasts for."""

    mm3_per_min: float
    finish_mm2_per_min: float
    wear_mm3: float
    wear_mm2: float
    electrode_min: float
    electrode_cost: float
    electrode_per_cm3: float
    change_min: float
    start_hole_mm_per_min: float
    start_hole_min: float


@dataclass(frozen=True)
class ErodeShop:
    electrodes: Electrodes
    rates: ErodeRates = key("rates.erode")

"""What a shop has for sink-erosion. Lengths mm, times minutes."""

from __future__ import annotations

from dataclasses import dataclass

from routing.processes.rooms import key
from routing.processes.tools import Contradictions


@dataclass(frozen=True)
class ElectrodeMaterial:
    """``workpieces`` are "steel" and "carbide"; ``wear_share`` the volume lost for a volume of steel."""

    name: str
    workpieces: tuple[str, ...]
    wear_share: float
    finest_ra_um: float
    cost_per_cm3: float


@dataclass(frozen=True)
class Electrodes:
    """Gaps, orbits and what is left, per side and stage, when a stage is due, and the rules of the bodies.

    ``rough_from_mm`` and ``semi_from_mm`` are volumes over areas, ``rough_wear_mm`` and its like what an
    electrode's end may lose, ``spark_area_mm2`` the most that one sparks over.

    ``stem_ratio`` is the longest stem of a flat electrode that is moved sideways in an undercut, over its
    thickness. ``base_margin_mm`` is what the squared base stands out beyond the form, ``flush_ratio`` the
    depth over the smallest width from which flushing is doubtful, ``blank_allowance_mm`` what is milled off
    each side of a blank, which comes in steps.

    An electrode for corners alone burns ``corner_blend_mm`` on from what a cutter left and stands
    ``corner_relief_mm`` back beyond; its legs are no slimmer than ``corner_leg_ratio`` (height over radius),
    and corners within ``corner_group_mm`` share one.
    """

    rough_gap_mm: float
    semi_gap_mm: float
    finish_gap_mm: float
    rough_orbit_mm: float
    semi_orbit_mm: float
    finish_orbit_mm: float
    rough_leave_mm: float
    semi_leave_mm: float
    rough_from_mm: float
    semi_from_mm: float
    semi_ra_um: float
    ra_um: float
    rough_wear_mm: float
    semi_wear_mm: float
    finish_wear_mm: float
    spark_area_mm2: float
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
    blank_allowance_mm: float
    blank_step_mm: float
    corner_blend_mm: float
    corner_relief_mm: float
    corner_leg_ratio: float
    corner_group_mm: float
    materials: tuple[ElectrodeMaterial, ...]

    def contradictions(self) -> Contradictions:
        if self.rough_gap_mm < self.finish_gap_mm:
            yield "rough_gap_mm", f"finishing already sparks {self.finish_gap_mm:g} wide"


@dataclass(frozen=True)
class ErodeRates:
    """``mm3_per_min`` is roughing's, and at most ``mm3_per_min_cm2`` for each cm2 of spark area."""

    mm3_per_min: float
    mm3_per_min_cm2: float
    semi_mm3_per_min: float
    finish_mm3_per_min: float
    finish_mm2_per_min: float
    electrode_min: float
    electrode_cost: float
    change_min: float
    start_hole_mm_per_min: float
    start_hole_min: float


@dataclass(frozen=True)
class ErodeShop:
    electrodes: Electrodes
    rates: ErodeRates = key("rates.erode")

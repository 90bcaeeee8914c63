"""The shop as plain data. Lengths are mm, angles degrees, times minutes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from routing.choices import Material


@dataclass(frozen=True)
class Wire:
    """``gap_mm`` is the spark gap per side of the finishing cut."""

    diameter_mm: float
    gap_mm: float

    @property
    def corner_mm(self) -> float:
        """The smallest inside corner: the wire's radius and its gap."""
        return self.diameter_mm / 2 + self.gap_mm


@dataclass(frozen=True)
class WireMachine:
    """``start_hole_ratio`` is the largest depth of a start hole over its diameter."""

    taper_limit_deg: float
    height_limit_mm: float
    start_hole_min_mm: float
    start_hole_ratio: float


@dataclass(frozen=True)
class Wheel:
    """``corner_radius_mm`` is the smallest it is dressed to; ``depth_mm`` what clears its flanges."""

    width_mm: float
    diameter_mm: float
    corner_radius_mm: float
    depth_mm: float


@dataclass(frozen=True)
class Cutter:
    """``kind`` is flat, ball or bull; ``reach_mm`` the depth its neck clears.

    ``measured`` tells a diameter measured on the tool from a catalogue's.
    """

    kind: str
    diameter_mm: float
    corner_radius_mm: float
    reach_mm: float
    measured: bool = False

    @property
    def radius_mm(self) -> float:
        return self.diameter_mm / 2


@dataclass(frozen=True)
class Drilling:
    """Limits of drilling and thread milling; ratios are depth over diameter."""

    drill_min_mm: float
    drill_max_mm: float
    drill_ratio: float
    thread_min_mm: float
    thread_ratio: float


@dataclass(frozen=True)
class Electrodes:
    """Gaps per side of the finishing and the roughing electrode."""

    finish_gap_mm: float
    rough_gap_mm: float
    corner_radius_mm: float
    max_depth_mm: float
    min_width_mm: float


@dataclass(frozen=True)
class General:
    """``sharp_corner_leave_mm``: the radius accepted where the model shows a sharp inside corner.

    ``contour_leave_mm``: how far a shaped surface may be left. ``clearance_holes``: "wire" or "drill".
    """

    sharp_corner_leave_mm: float
    contour_leave_mm: float
    clearance_holes: str


@dataclass(frozen=True)
class MaterialRule:
    """``smallest_cutter_mm`` and ``length_ratio`` bound the cutters that are sensible.

    ``small_cutter_mm`` and ``small_length_ratio`` are the ratio for cutters under a diameter.
    """

    processes: tuple[str, ...]
    smallest_cutter_mm: float
    length_ratio: float
    small_cutter_mm: float
    small_length_ratio: float
    feed_scale: float


@dataclass(frozen=True)
class Rates:
    """``per_hour``: process to money; removal rates are mm3 or mm2 per minute."""

    currency: str
    per_hour: Mapping[str, float]
    setup_min: float
    wire_mm2_per_min: float
    wire_passes: float
    grind_mm3_per_min: float
    mill_mm3_per_min: float
    erode_mm3_per_min: float
    finish_mm2_per_min: float
    hole_min: float
    thread_min: float
    electrode_min: float
    edge_mm_per_min: float


@dataclass(frozen=True)
class Shop:
    wires: tuple[Wire, ...]
    wire_machine: WireMachine
    wheels: tuple[Wheel, ...]
    cutters: tuple[Cutter, ...]
    drilling: Drilling
    electrodes: Electrodes
    general: General
    materials: Mapping[str, MaterialRule]
    rates: Rates

    def rule(self, material: Material) -> MaterialRule:
        """The rule of a material: hardened steel, or carbide by its binder's share."""
        if material.binder_percent is None:
            return self.materials["steel"]
        return self.materials["tough_carbide" if material.binder_percent >= 15 else "hard_carbide"]

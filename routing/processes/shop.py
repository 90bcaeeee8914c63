"""The shop as plain data. Lengths are mm, angles degrees, times minutes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from routing.processes.material import Material
from routing.processes.material_rules import MaterialRule, rule_for


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
    """``start_hole_ratio`` is the largest depth of a start hole over its diameter.

    Start holes keep ``start_hole_clear_mm`` a side off the outline and are no wider than
    ``start_hole_enough_mm``. Slugs over ``tab_over_g`` keep a tab.
    """

    taper_limit_deg: float
    height_limit_mm: float
    start_hole_min_mm: float
    start_hole_ratio: float
    start_hole_clear_mm: float
    start_hole_enough_mm: float
    lead_mm: float
    outside_mm: float
    tab_over_g: float
    tab_mm: float
    slug_friction: float
    slug_magnet_binder_percent: float


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
class SideCutter:
    """``kind`` is t-slot or dovetail. The head, ``head_mm`` across and ``width_mm`` high, stands on a neck.

    ``reach_mm`` is the neck's length over the head, ``angle_deg`` the one between the head's face and its
    flank: 90 on a T-slot cutter. A dovetail cutter is widest at its face.
    """

    kind: str
    head_mm: float
    width_mm: float
    neck_mm: float
    reach_mm: float
    angle_deg: float = 90.0


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
class Workholding:
    """How parts are held. ``order`` and ``force_n`` (the largest of a cut) are by process.

    ``screw_class`` is the property class of screws from below, tightened to ``tighten_share`` of their proof
    load. Ratios are heights over widths, but for ``spring_ratio``: width between the jaws over thickness.
    """

    screw_class: str
    tighten_share: float
    friction: float
    safety: float
    magnet_n_per_cm2: float
    magnet_thick_mm: float
    seat_mm2: float
    block_mm: float
    vise_grip_mm: float
    vise_area_mm2: float
    vise_wall_mm: float
    vise_open_mm: float
    slender_ratio: float
    spring_ratio: float
    clamp_strip_mm: float
    clamp_area_mm2: float
    sine_mm: float
    sine_limit_deg: float
    order: Mapping[str, tuple[str, ...]]
    force_n: Mapping[str, float]


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


@dataclass(frozen=True)
class General:
    """``sharp_corner_leave_mm``: the radius accepted where the model shows a sharp inside corner.

    ``contour_leave_mm``: how far a shaped surface may be left. ``clearance_holes``: "wire" or "drill".
    ``wire_on_its_side``: whether open straight runs are wired along their run: "never", where "no wheel" can
    make them, or "always".
    """

    sharp_corner_leave_mm: float
    contour_leave_mm: float
    clearance_holes: str
    wire_on_its_side: str


@dataclass(frozen=True)
class WireRates:
    """``pass_shares``: speed of each pass over the main cut's, the main cut first."""

    mm2_per_min: float
    full_wire_mm: float
    lost_height_mm: float
    pass_shares: tuple[float, ...]
    threading_min: float
    slug_min: float
    start_hole_mm_per_min: float
    start_hole_min: float

    def main_mm2_per_min(self, wire_mm: float) -> float:
        """The main cut's rate at full height: as the wire's section, which bears the current."""
        return self.mm2_per_min * min(1.0, wire_mm / self.full_wire_mm) ** 2


@dataclass(frozen=True)
class GrindRates:
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
    dress_every_mm3: float
    face_min: float


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


@dataclass(frozen=True)
class BenchRates:
    edge_mm_per_min: float
    lap_mm2_per_min: float


@dataclass(frozen=True)
class InspectRates:
    piece_min: float
    feature_min: float
    callout_min: float


@dataclass(frozen=True)
class Range:
    """What a figure may turn out to be, as shares of it: ``low`` up to 1, ``high`` from 1."""

    low: float
    high: float


@dataclass(frozen=True)
class Rates:
    """Steel's rates. The mappings are by process, "bench" and "inspect" among them; ``per_hour`` is money."""

    currency: str
    quantities: tuple[int, ...]
    blank_margin_mm: float
    per_hour: Mapping[str, float]
    setup_min: Mapping[str, float]
    scrap_share: Mapping[str, float]
    range: Mapping[str, Range]
    wire: WireRates
    grind: GrindRates
    mill: MillRates
    holes: HoleRates
    erode: ErodeRates
    bench: BenchRates
    inspect: InspectRates


@dataclass(frozen=True)
class Toolroom:
    """Whose papers these are."""

    name: str
    address: str

    def __str__(self) -> str:
        return ", ".join(filter(None, (self.name, self.address)))


@dataclass(frozen=True)
class Shop:
    """``thread_colours``: "#rrggbb" to the thread that faces of the colour stand for, "thread" or "plain"."""

    toolroom: Toolroom
    wires: tuple[Wire, ...]
    wire_machine: WireMachine
    wheels: tuple[Wheel, ...]
    cutters: tuple[Cutter, ...]
    side_cutters: tuple[SideCutter, ...]
    holding: Holding
    workholding: Workholding
    drilling: Drilling
    electrodes: Electrodes
    general: General
    thread_colours: Mapping[str, str]
    materials: Mapping[str, MaterialRule]
    rates: Rates

    def rule(self, material: Material) -> MaterialRule:
        """The rule of a material, drawn between those of its family in the shop file."""
        drawn: dict[Material, MaterialRule] = vars(self).setdefault("_drawn", {})
        if material not in drawn:
            drawn[material] = rule_for(material, self.materials.values())
        return drawn[material]

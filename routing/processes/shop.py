"""The shop as plain data. Lengths are mm, angles degrees, times minutes."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeVar, cast

from featurize.kept import kept_with
from routing.processes.material import Material
from routing.processes.material_rules import MaterialRule, rule_for
from routing.processes.tools import Contradictions

T = TypeVar("T")
_PAGE = re.compile(r"https?://[^\s/?#]+(?:/[^\s?#]*)?")


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

    def contradictions(self) -> Contradictions:
        if self.vise_grip_mm >= self.vise_open_mm:
            yield "vise_grip_mm", f"the vise opens only {self.vise_open_mm:g}"


@dataclass(frozen=True)
class General:
    """``sharp_corner_leave_mm``: the radius accepted where the model shows a sharp inside corner.

    ``contour_leave_mm``: how far a shaped surface may be left. ``clearance_holes``: "wire" or "drill".
    ``wire_on_its_side``: whether open straight runs are wired along their run: "never", where "no wheel" can
    make them, or "always". ``hardening_allowance_mm`` is left a side on steel that is hardened afterwards.
    ``zero``: where a setup is touched off by habit, "corner", "centre" or "bore". ``projection``: views of
    drawings by the "first" or the "third" angle.
    """

    sharp_corner_leave_mm: float
    contour_leave_mm: float
    clearance_holes: str
    wire_on_its_side: str
    hardening_allowance_mm: float
    zero: str = "corner"
    projection: str = "first"


@dataclass(frozen=True)
class BenchRates:
    edge_mm_per_min: float
    lap_mm2_per_min: float
    recast_mm2_per_min: float
    demagnetise_min: float


@dataclass(frozen=True)
class InspectRates:
    piece_min: float
    feature_min: float
    callout_min: float


@dataclass(frozen=True)
class BoughtInRates:
    """Money for what others do: each part, and by its mass."""

    stress_relief_each: float
    hardening_each: float
    hardening_per_kg: float


@dataclass(frozen=True)
class Range:
    """What a figure may turn out to be, as shares of it: ``low`` up to 1, ``high`` from 1."""

    low: float
    high: float


@dataclass(frozen=True)
class OwnFactors:
    """What a shop's own minutes are to those worked out from its rates: four shares, multiplied.

    ``all`` holds for every step, ``process`` by process, ``material`` by process and family of material,
    ``step`` by kind of step. ``range`` takes the place of ``Rates.range`` where the shop's scatter is known.
    """

    all: float
    process: Mapping[str, float]
    material: Mapping[str, Mapping[str, float]]
    step: Mapping[str, float]
    range: Mapping[str, Range]

    def of(self, process: str, family: str = "", step: str = "") -> float:
        """The share of one kind of work."""
        own = self.material.get(process, {}).get(family, 1.0)
        return self.all * self.process.get(process, 1.0) * own * self.step.get(step, 1.0)


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
    bench: BenchRates
    inspect: InspectRates
    bought_in: BoughtInRates
    factor: OwnFactors

    def range_of(self, process: str) -> Range:
        """The shop's own where it is known. Raises KeyError where the shop file has none."""
        return self.factor.range.get(process) or self.range[process]


@dataclass(frozen=True)
class Toolroom:
    """Whose papers these are; ``page`` is where a telephone in the toolroom opens the page, or empty."""

    name: str
    address: str
    page: str = ""

    def contradictions(self) -> Contradictions:
        if self.page and not _PAGE.fullmatch(self.page):
            yield "page", "write what a browser opens, such as http://toolroom:8470, or nothing"

    def __str__(self) -> str:
        return ", ".join(filter(None, (self.name, self.address)))


@dataclass(frozen=True)
class Shop:
    """``thread_colours``: "#rrggbb" to the thread that faces of the colour stand for, "thread" or "plain".

    ``shop[WireShop]`` is what it has for a process, of the type that the process names in its room.
    """

    toolroom: Toolroom
    workholding: Workholding
    general: General
    thread_colours: Mapping[str, str]
    materials: Mapping[str, MaterialRule]
    rates: Rates
    sections: Mapping[type, object] = field(default_factory=dict)

    def __getitem__(self, section: type[T]) -> T:
        return cast("T", self.sections[section])

    def contradictions(self) -> Contradictions:
        """Two materials for one hardness or one binder share: which would hold?"""
        seen: dict[tuple[str, float], str] = {}
        for name, rule in self.materials.items():
            for key in ("hardness_hrc", "binder_percent"):
                value = getattr(rule, key)
                if value is not None and seen.setdefault((key, value), name) != name:
                    other = seen[key, value]
                    yield f"materials.{name}.{key}", f"materials.{other} has {value:g} too: change that one"

    def rule(self, material: Material) -> MaterialRule:
        """The rule of a material, drawn between those of its family in the shop file."""
        return kept_with(self, ("rule", material), lambda: rule_for(material, self.materials.values()))

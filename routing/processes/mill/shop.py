"""What a shop has for milling, drilling and thread milling. Lengths mm, times minutes."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from routing.processes.rooms import key
from routing.processes.tools import Contradictions, Cutter, Drill, SideCutter


@dataclass(frozen=True)
class CutterKind:
    """A way to mill that cutters of one make have in common.

    ``on`` is steel, carbide or both. A kind that ``grinds`` goes by the material's grinding. ``engagement``
    is the length of a wall that it cuts at once, in diameters. ``rough``, ``wall`` and ``floor`` are shares
    of the rates of milling; 0 where it does not do that.
    """

    name: str
    on: str
    grinds: bool
    engagement: float
    rough: float
    wall: float
    floor: float


@dataclass(frozen=True)
class DrillSet:
    """Drills of one length and point. ``length_mm`` is how deep they drill."""

    diameters_mm: tuple[float, ...]
    point_deg: float
    length_mm: float

    def __iter__(self) -> Iterator[Drill]:
        return (Drill(d, self.point_deg, self.length_mm) for d in self.diameters_mm)


@dataclass(frozen=True)
class MillingSettings:
    """``corner_margin_mm``: a cutter's radius stays this much under the corner that it finishes."""

    corner_margin_mm: float


@dataclass(frozen=True)
class Holding:
    """The shank that cutters share, and the nose of their holder."""

    shank_mm: float
    holder_mm: float

    def shank_of(self, cutter: Cutter) -> float:
        """Diameter of a cutter's shank: the common one, or its own."""
        return max(self.shank_mm, cutter.diameter_mm)


@dataclass(frozen=True)
class Drilling:
    """Limits of drilling, boring and thread milling; ratios are depth over diameter.

    A bore that is opened to size is drilled at least ``under_mm`` under it.
    """

    drill_ratio: float
    under_mm: float
    boring_from_mm: float
    boring_ratio: float
    mouth_chamfer_mm: float
    thread_min_mm: float
    thread_ratio: float


@dataclass(frozen=True)
class MillRates:
    mm3_per_min: float
    finish_mm2_per_min: float
    semi_finish_mm2_per_min: float
    full_cutter_mm: float
    tool_change_min: float

    def share(self, cutter_mm: float) -> float:
        """A cutter's share of the rates: as its diameter up to the full cutter's, beyond that as its root."""
        share = cutter_mm / self.full_cutter_mm
        return share if share < 1 else math.sqrt(share)


@dataclass(frozen=True)
class HoleRates:
    drill_mm_per_min: float
    full_drill_mm: float
    peck_ratio: float
    open_mm3_per_min: float
    thread_mm_per_min: float
    thread_mill_share: float
    position_min: float
    bore_min: float


@dataclass(frozen=True)
class MillShop:
    cutter_kinds: tuple[CutterKind, ...]
    cutters: tuple[Cutter, ...]
    side_cutters: tuple[SideCutter, ...]
    drills: tuple[DrillSet, ...]
    milling: MillingSettings
    holding: Holding
    drilling: Drilling
    rates: MillRates = key("rates.mill")
    holes: HoleRates = key("rates.holes")

    def contradictions(self) -> Contradictions:
        names = [k.name for k in self.cutter_kinds]
        for n, cutter in enumerate(self.cutters):
            if cutter.kind not in names:
                yield (
                    f"cutters[{n}].kind",
                    f"{cutter.kind[:40]!r} is none of cutter_kinds: {', '.join(names)}",
                )

    def kind_of(self, cutter: Cutter) -> CutterKind:
        return next(k for k in self.cutter_kinds if k.name == cutter.kind)

    @property
    def every_drill(self) -> list[Drill]:
        """All drills, smallest first, the shortest of each size first."""
        found = [drill for some in self.drills for drill in some]
        return sorted(found, key=lambda d: (d.diameter_mm, d.length_mm))

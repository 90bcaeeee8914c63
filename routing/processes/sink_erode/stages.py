"""Roughing, semi-finishing and finishing electrodes: which a region takes, how much smaller, how many.

Pure arithmetic on lengths in mm, areas in mm2, volumes in mm3. Its rules are common practice, no source;
every number in them stands in the shop file.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from routing.processes.sink_erode.shop import ElectrodeMaterial, Electrodes

ROUGH, SEMI, FINISH = "rough", "semi", "finish"
# One more finishing electrode for what is called out finer than the process holds.
LAST = "last"
# Rounding up forgives this: 2.0000001 electrodes are two.
_WHOLE = 1e-6
# Orbits are told to a micrometre, and one under five is not worth its corner.
_ORBIT_STEP_MM, _ORBIT_LEAST_MM = 0.001, 0.005


@dataclass(frozen=True)
class BurnRegion:
    """What electrodes find: a volume in front of faces of an area.

    ``front_mm2`` is what looks into the cut, the spark area; ``width_mm`` the narrowest place of the opening,
    ``corner_mm`` the tightest inside radius that an orbit rounds, inf where there is none. ``through`` tells
    that the electrode's end comes out on the far side. ``fine_steps`` are those that the workpiece asks,
    ``wear_scale`` its share of steel's rates: the same charge takes so much less of it for the same wear.
    """

    volume_mm3: float
    area_mm2: float
    front_mm2: float
    width_mm: float
    corner_mm: float
    through: bool
    ra_um: float
    fine_steps: int
    workpiece: str
    wear_scale: float

    @property
    def layer_mm(self) -> float:
        """How thick what is to go lies over its faces, in the middle."""
        return self.volume_mm3 / self.area_mm2 if self.area_mm2 > 0 else 0.0


@dataclass(frozen=True)
class Burn:
    """One stage. The electrode is smaller than the cavity by ``undersize_mm`` a side, everywhere.

    The sparks bridge ``gap_mm``, the orbit brings it ``orbit_mm`` nearer, ``leaves_mm`` stays for the next
    stage. ``share`` is how many electrodes wear out over it, each by ``wear_mm`` at its end.
    """

    stage: str
    material: ElectrodeMaterial
    gap_mm: float
    orbit_mm: float
    leaves_mm: float
    removes_mm3: float
    share: float
    wear_mm: float
    wear_mm3: float

    @property
    def undersize_mm(self) -> float:
        return self.gap_mm + self.orbit_mm + self.leaves_mm

    @property
    def number(self) -> int:
        return number_for(self.share)


def number_for(share: float) -> int:
    """Whole electrodes for a share of one's life, at least one."""
    return max(1, math.ceil(share - _WHOLE))


def material_for(workpiece: str, ra_um: float, owned: Electrodes) -> ElectrodeMaterial:
    """The shop's first for a workpiece ("steel" or "carbide") that burns as fine as asked; else the finest.

    Where none is named for it all are asked.
    """
    fit = [m for m in owned.materials if workpiece in m.workpieces] or list(owned.materials)
    return next((m for m in fit if m.finest_ra_um <= ra_um), min(fit, key=lambda m: m.finest_ra_um))


def stages_of(region: BurnRegion, owned: Electrodes) -> tuple[str, ...]:
    """Roughing where the layer is worth it, semi-finishing where walls are asked fine, finishing always.

    The earlier ones need room: their electrodes are the thinner by more.
    """
    found = [FINISH]
    fine = region.ra_um <= owned.semi_ra_um or region.fine_steps > 1
    if fine and region.layer_mm > owned.semi_from_mm and _room_mm(SEMI, region, owned) >= 0:
        found.insert(0, SEMI)
    if region.layer_mm > owned.rough_from_mm and _room_mm(ROUGH, region, owned) >= 0:
        found.insert(0, ROUGH)
    return tuple(found)


def burns_of(region: BurnRegion, owned: Electrodes, *, last: bool = False) -> tuple[Burn, ...]:
    """The stages in order, ``last`` alone for one more fine electrode."""
    if last:
        return (_burn(LAST, region, owned, 0.0),)
    found: list[Burn] = []
    left = region.volume_mm3
    for stage in stages_of(region, owned):
        after = min(left, region.area_mm2 * leaves_mm(stage, owned))
        found.append(_burn(stage, region, owned, left - after))
        left = after
    return tuple(found)


def gap_mm(stage: str, owned: Electrodes) -> float:
    """The gap that a stage's sparks bridge, a side."""
    return {ROUGH: owned.rough_gap_mm, SEMI: owned.semi_gap_mm}.get(stage, owned.finish_gap_mm)


def leaves_mm(stage: str, owned: Electrodes) -> float:
    """What a stage leaves a side: its craters and the skin that it altered go with the next."""
    return {ROUGH: owned.rough_leave_mm, SEMI: owned.semi_leave_mm}.get(stage, 0.0)


def orbit_mm(stage: str, region: BurnRegion, owned: Electrodes) -> float:
    """The shop's orbit, less where it would leave too thin an electrode, or round a corner too much."""
    wanted = {ROUGH: owned.rough_orbit_mm, SEMI: owned.semi_orbit_mm}.get(stage, owned.finish_orbit_mm)
    room = _room_mm(stage, region, owned)
    if leaves_mm(stage, owned) <= 0:
        room = min(room, region.corner_mm - owned.corner_radius_mm - gap_mm(stage, owned))
    found = math.floor(min(wanted, room) / _ORBIT_STEP_MM + _WHOLE) * _ORBIT_STEP_MM
    return round(found, 6) if found >= _ORBIT_LEAST_MM else 0.0


def sections(region: BurnRegion, owned: Electrodes) -> int:
    """Electrodes side by side, where one would spark over more area than the shop lets it."""
    return number_for(region.front_mm2 / owned.spark_area_mm2)


def _room_mm(stage: str, region: BurnRegion, owned: Electrodes) -> float:
    """How far an electrode could orbit without being thinner than one that stands."""
    slack = (region.width_mm - owned.min_width_mm) / 2
    return slack - gap_mm(stage, owned) - leaves_mm(stage, owned)


def _burn(stage: str, region: BurnRegion, owned: Electrodes, removes_mm3: float) -> Burn:
    """Wear is a share of what is removed, worn off the end: corners wear sooner, an estimate."""
    material = material_for(region.workpiece, region.ra_um, owned)
    lost = removes_mm3 * material.wear_share / region.wear_scale
    shorter = lost / region.front_mm2 if region.front_mm2 > 0 else 0.0
    limit = {ROUGH: owned.rough_wear_mm, SEMI: owned.semi_wear_mm}.get(stage, owned.finish_wear_mm)
    if region.through:
        limit = max(limit, owned.overrun_mm)  # the worn end goes out below
    share = shorter / limit + sections(region, owned) - 1
    number = number_for(share)
    return Burn(
        stage,
        material,
        gap_mm(stage, owned),
        orbit_mm(stage, region, owned),
        leaves_mm(stage, owned),
        removes_mm3,
        share,
        shorter / number,
        lost / number,
    )

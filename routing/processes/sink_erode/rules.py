"""What goes with the bodies: how many, how deep, the orbit, the corner reached, the blank and its cost.

Pure arithmetic on lengths in mm, areas in mm2, volumes in mm3. Rules without a source are common practice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import shapely

from routing.processes.sink_erode.shop import Electrodes, ErodeRates

FINISH, ROUGH = "finish", "rough"
# One more finishing electrode for what is called out finer than the process holds.
LAST = "last"
# Rounding up forgives this: 2.0000001 electrodes are two.
_WHOLE = 1e-6
# Opening with sharp corners keeps this share of an outline that is nowhere narrower.
_KEPT = 1 - 1e-6


@dataclass(frozen=True)
class Wear:
    """``number`` of electrodes; the work of each wears ``lost_mm3`` off it, ``shorter_mm`` on its end."""

    number: int
    lost_mm3: float
    shorter_mm: float


@dataclass(frozen=True)
class Blank:
    """Bought size, sorted from the smallest side, and what its material costs."""

    size_mm: tuple[float, float, float]
    cost: float


def gap_of(kind: str, owned: Electrodes) -> float:
    """The gap a side of a roughing or finishing electrode."""
    return owned.rough_gap_mm if kind == ROUGH else owned.finish_gap_mm


def reached_mm(gap_mm: float, owned: Electrodes) -> float:
    """The inside radius left in a sharp corner: the electrode's own edge, carried outwards by the gap."""
    return owned.corner_radius_mm + gap_mm


def orbit_mm(owned: Electrodes) -> float:
    """How far the finishing gap's orbit brings a roughing electrode, a side."""
    return owned.rough_gap_mm - owned.finish_gap_mm


def wear(
    kind: str,
    *,
    volume_mm3: float,
    area_mm2: float,
    front_mm2: float,
    owned: Electrodes,
    number: int,
    scale: float,
) -> Wear:
    """What each of ``number`` electrodes loses.

    The finishing electrode takes the layer that roughing leaves: area times (rough gap less finish gap).
    The wear on the end is what is lost over ``front_mm2``, the area that looks into the cut: an estimate.
    """
    taken = volume_mm3 if kind == ROUGH else area_mm2 * orbit_mm(owned)
    lost = taken * owned.wear_share / scale / number
    return Wear(number, lost, lost / front_mm2 if front_mm2 > 0 else math.inf)


def life(kind: str, volume_mm3: float, area_mm2: float, rates: ErodeRates, scale: float) -> float:
    """How much of one electrode's life the work takes: roughing by volume, finishing by area."""
    if kind == ROUGH:
        return volume_mm3 / (rates.wear_mm3 * scale)
    return area_mm2 / (rates.wear_mm2 * scale)


def number_for(life_: float) -> int:
    """Whole electrodes for a share of one's life, at least one."""
    return max(1, math.ceil(life_ - _WHOLE))


def whole_mm(form_mm: Sequence[float], owned: Electrodes) -> tuple[float, float, float]:
    """Size of an electrode whose form is (across, up, along): with its base, whole millimetres, and shank."""
    across, up = (float(math.ceil(s + 2 * owned.base_margin_mm - _WHOLE)) for s in form_mm[:2])
    return across, up, form_mm[2] + owned.base_height_mm + owned.shank_height_mm


def blank(size_mm: Sequence[float], owned: Electrodes, per_cm3: float) -> Blank:
    """The next size up of a block that leaves the allowance on every side."""
    step = owned.blank_step_mm
    sides = sorted(step * math.ceil((s + 2 * owned.blank_allowance_mm) / step - _WHOLE) for s in size_mm)
    return Blank((sides[0], sides[1], sides[2]), math.prod(sides) / 1000 * per_cm3)


def smallest_width_mm(outline: object) -> float:
    """The width of an outline (shapely) at its narrowest: the widest disc whose opening loses nothing of it.

    Sharp corners count as nothing lost. Found by halving, within 0.01 % of it.
    """
    area = float(shapely.area(outline))
    if area <= 0:
        return 0.0
    low, high = 0.0, float(2 * math.sqrt(area))
    while high - low > 1e-4 * high:
        width = (low + high) / 2
        inner = shapely.buffer(outline, -width / 2, join_style="mitre")
        opened = shapely.buffer(inner, width / 2, join_style="mitre", mitre_limit=20)
        kept = shapely.area(shapely.intersection(opened, outline))
        low, high = (width, high) if kept >= _KEPT * area else (low, width)
    return low


def flush_warning(depth_mm: float, width_mm: float, owned: Electrodes, *, closed: bool) -> str | None:
    """A word where the dielectric hardly reaches the front; None where it does or the void is open aside."""
    if not closed or width_mm <= 0 or depth_mm <= owned.flush_ratio * width_mm:
        return None
    return (
        f"depth {depth_mm:.3g} over a width of {width_mm:.3g} is more than {owned.flush_ratio:g} to 1: "
        "flush through the electrode or lift it often"
    )

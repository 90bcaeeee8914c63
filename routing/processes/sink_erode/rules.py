"""What goes with the bodies: the corner reached, the blank and its cost, widths and flushing.

Pure arithmetic on lengths in mm, areas in mm2. Rules without a source are common practice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import shapely

from routing.processes.sink_erode.shop import Electrodes

# Rounding up forgives this: 2.0000001 millimetres are two.
_WHOLE = 1e-6
# Opening with sharp corners keeps this share of an outline that is nowhere narrower.
_KEPT = 1 - 1e-6


@dataclass(frozen=True)
class ElectrodeBlank:
    """Bought size, sorted from the smallest side, and what its material costs."""

    size_mm: tuple[float, float, float]
    cost: float


def reached_mm(undersize_mm: float, owned: Electrodes) -> float:
    """The inside radius left in a sharp corner: the electrode's own edge, carried outwards."""
    return owned.corner_radius_mm + undersize_mm


def whole_mm(form_mm: Sequence[float], owned: Electrodes) -> tuple[float, float, float]:
    """Size of an electrode whose form is (across, up, along): with its base, whole millimetres, and shank."""
    across, up = (float(math.ceil(s + 2 * owned.base_margin_mm - _WHOLE)) for s in form_mm[:2])
    return across, up, form_mm[2] + owned.base_height_mm + owned.shank_height_mm


def blank(size_mm: Sequence[float], owned: Electrodes, per_cm3: float) -> ElectrodeBlank:
    """The next size up of a block that leaves the allowance on every side."""
    step = owned.blank_step_mm
    sides = sorted(step * math.ceil((s + 2 * owned.blank_allowance_mm) / step - _WHOLE) for s in size_mm)
    return ElectrodeBlank((sides[0], sides[1], sides[2]), math.prod(sides) / 1000 * per_cm3)


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
        fits = shapely.area(opened) >= _KEPT * area  # else no need to cut it
        fits = fits and shapely.area(shapely.intersection(opened, outline)) >= _KEPT * area
        low, high = (width, high) if fits else (low, width)
    return low


def is_flushed(depth_mm: float, width_mm: float, owned: Electrodes, *, closed: bool) -> bool:
    """Whether the dielectric reaches the front by itself: shallow enough, or open aside."""
    return not closed or width_mm <= 0 or depth_mm <= owned.flush_ratio * width_mm


def flushing(depth_mm: float, width_mm: float, owned: Electrodes, *, closed: bool, through: bool) -> str:
    """How the dielectric comes to the front, in words."""
    if through:
        return "drawn through the opening from below, pressure low"
    if not is_flushed(depth_mm, width_mm, owned, closed=closed):
        return (
            f"depth {depth_mm:.3g} over a width of {width_mm:.3g} is more than {owned.flush_ratio:g} to 1: "
            "flush through the electrode or lift it often"
        )
    return (
        "a jet along the open side" if not closed else "a jet from above, the electrode lifted now and then"
    )

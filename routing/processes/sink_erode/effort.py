"""Minutes of sink-erosion from sizes and the shop's rates: closed forms, no geometry.

Lengths are mm, areas mm2, volumes mm3, times minutes. The forms are common practice, no source; every rate
in them stands in the shop file. No form gets quicker when a depth, an area or a volume grows, but that a
thicker layer may bring a roughing electrode, which is quicker than to finish all of it.
"""

from __future__ import annotations

from collections.abc import Sequence

from routing.processes.protocol import Effort, MadeTool
from routing.processes.sink_erode.shop import ErodeRates
from routing.processes.sink_erode.stages import ROUGH, SEMI, Burn, BurnRegion


def start_hole(depth: float, diameter: float, rates: ErodeRates, *, scale: float) -> Effort:
    """An eroded start hole."""
    feed = rates.start_hole_mm_per_min * scale
    words = f"start hole {diameter:g} eroded, depth {depth:.4g} at {feed:.3g} mm/min"
    return Effort(depth / feed, rates.start_hole_min, (words,))


def erode(
    region: BurnRegion, burns: Sequence[Burn], rates: ErodeRates, electrodes: tuple[MadeTool, ...]
) -> Effort:
    """Each stage by what it removes, finishing at least by its area; electrodes are changed in between."""
    found = [_burnt(burn, region, rates) for burn in burns]
    changes = sum(max(1.0, e.share) for e in electrodes)
    words = tuple(words for _, words in found)
    return Effort(sum(minutes for minutes, _ in found), changes * rates.change_min, words, electrodes)


def _burnt(burn: Burn, region: BurnRegion, rates: ErodeRates) -> tuple[float, str]:
    scale, volume = region.wear_scale, burn.removes_mm3
    by_volume = {
        ROUGH: min(rates.mm3_per_min, rates.mm3_per_min_cm2 * region.front_mm2 / 100),
        SEMI: rates.semi_mm3_per_min,
    }.get(burn.stage, rates.finish_mm3_per_min)
    words = f"{burn.stage} {round(volume, 3):.4g} mm3 at {by_volume * scale:.3g} mm3/min"
    minutes = volume / (by_volume * scale) if volume > 0 else 0.0
    if burn.stage in (ROUGH, SEMI):
        return minutes, words
    by_area = rates.finish_mm2_per_min * scale
    if region.area_mm2 / by_area >= minutes:
        return (
            region.area_mm2 / by_area,
            f"{burn.stage} area {region.area_mm2:.4g} mm2 at {by_area:.3g} mm2/min",
        )
    return minutes, words

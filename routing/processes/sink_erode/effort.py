"""Minutes of sink-erosion from sizes and the shop's rates: closed forms, no geometry.

Lengths are mm, areas mm2, volumes mm3, times minutes. The forms are common practice, no source; every rate
in them stands in the shop file. No form gets quicker when a depth, an area or a volume grows.
"""

from __future__ import annotations

from routing.processes.protocol import Effort, MadeTool
from routing.processes.sink_erode.shop import ErodeRates


def start_hole(depth: float, diameter: float, rates: ErodeRates, *, scale: float) -> Effort:
    """An eroded start hole."""
    feed = rates.start_hole_mm_per_min * scale
    words = f"start hole {diameter:g} eroded, depth {depth:.4g} at {feed:.3g} mm/min"
    return Effort(depth / feed, rates.start_hole_min, (words,))


def erode(
    volume: float, area: float, rates: ErodeRates, *, scale: float, electrodes: tuple[MadeTool, ...]
) -> Effort:
    """Roughing by volume and finishing by area, each with electrodes of its own; no volume, no roughing."""
    coarse = volume / (rates.mm3_per_min * scale)
    fine = area / (rates.finish_mm2_per_min * scale)
    changes = sum(max(1.0, e.share) for e in electrodes)
    words = f"{round(volume, 3):.4g} mm3 at {rates.mm3_per_min * scale:.3g} mm3/min and " if volume else ""
    words += f"area {area:.4g} mm2 at {rates.finish_mm2_per_min * scale:.3g} mm2/min"
    return Effort(coarse + fine, changes * rates.change_min, (words,), electrodes)

"""Minutes of milling and drilling from sizes and the shop's rates: closed forms, no geometry.

Lengths are mm, areas mm2, volumes mm3, times minutes. The forms are common practice, no source; every rate
in them stands in the shop file. ``scale`` is what the material and the tool leave of a rate. No form gets
quicker when a depth, an area or a volume grows.
"""

from __future__ import annotations

import math

from routing.processes.mill.shop import HoleRates, MillRates
from routing.processes.protocol import Effort


def rough(volume: float, cutter_mm: float, rates: MillRates, *, scale: float) -> Effort:
    """Volume over the rate that the roughing of the stock also reckons with."""
    rate = rates.mm3_per_min * scale * rates.share(cutter_mm)
    return Effort(
        volume / rate,
        rates.tool_change_min,
        (f"{round(volume, 3):.4g} mm3 at {rate:.3g} mm3/min, cutter {cutter_mm:g}",),
    )


def finish(area: float, cutter_mm: float, rates: MillRates, *, scale: float, semi: bool = False) -> Effort:
    """Area over the finishing or semi-finishing rate."""
    base = rates.semi_finish_mm2_per_min if semi else rates.finish_mm2_per_min
    rate = base * scale * rates.share(cutter_mm)
    words = f"area {area:.4g} mm2 at {rate:.3g} mm2/min, cutter {cutter_mm:g}"
    return Effort(area / rate, rates.tool_change_min, (words,))


def drill(depth: float, diameter: float, rates: HoleRates, *, scale: float) -> Effort:
    """Depth over feed, more for pecking in deep holes, and for the section of large ones."""
    feed = rates.drill_mm_per_min * scale
    small = min(diameter, rates.full_drill_mm)
    turns = (diameter / small) ** 2
    run = depth / feed * (1 + depth / small / rates.peck_ratio) * turns
    return Effort(
        run,
        rates.position_min,
        (f"drilled {diameter:.3g}, depth {depth:.4g} at {feed:.3g} mm/min with pecking",),
    )


def opened(volume: float, cutter_mm: float, mill: MillRates, rates: HoleRates, *, scale: float) -> Effort:
    """A bore widened in a helix: volume over its rate."""
    rate = rates.open_mm3_per_min * scale * mill.share(cutter_mm)
    words = f"opened in a helix, {volume:.3g} mm3 at {rate:.3g} mm3/min, cutter {cutter_mm:g}"
    return Effort(volume / rate, rates.position_min, (words,))


def turned(diameter: float, volume: float, mill: MillRates, rates: HoleRates, *, scale: float) -> Effort:
    """A chamfer cutter once round a mouth, and what a large one takes on top."""
    feed, rate = rates.thread_mm_per_min * scale, mill.mm3_per_min * scale
    run = math.pi * diameter / feed + volume / rate
    words = f"chamfered {diameter:.3g} round at {feed:.3g} mm/min, {volume:.3g} mm3 at {rate:.3g} mm3/min"
    return Effort(run, rates.position_min, (words,))


def bored(count: int, rates: HoleRates) -> Effort:
    words = f"{count} bore{'s' if count != 1 else ''}, {rates.bore_min:g} min each"
    return Effort(rates.bore_min * count, 0.0, (words,))


def thread_mill(depth: float, major: float, pitch: float, rates: HoleRates, *, scale: float) -> Effort:
    """A helix of one turn per pitch, of the radius that the cutter's centre runs on."""
    turns = depth / pitch + 1
    path = turns * math.pi * major * (1 - rates.thread_mill_share)
    feed = rates.thread_mm_per_min * scale
    words = f"thread {major:g} x {pitch:g}, depth {depth:.4g}: helix of {path:.3g} mm at {feed:.3g} mm/min"
    return Effort(path / feed, rates.position_min, (words,))

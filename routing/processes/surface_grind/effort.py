"""Minutes of surface grinding from sizes and the shop's rates: closed forms, no geometry.

Lengths are mm, areas mm2, volumes mm3, times minutes. The forms are common practice, no source; every rate
in them stands in the shop file. No form gets quicker when a depth, an area or a volume grows.
"""

from __future__ import annotations

import math

from routing.processes.protocol import Effort
from routing.processes.surface_grind.shop import GrindRates
from routing.processes.tools import Wheel

# Keeps a quotient that is whole but for rounding from counting one more.
_WHOLE = 1e-9


def grind(
    depth: float,
    width: float,
    run: float,
    wheel: Wheel,
    rates: GrindRates,
    *,
    scale: float,
    fine_only: bool = False,
) -> Effort:
    """Passes down, strokes across, each as long as the run and its overrun.

    A wheel wears by its dressings: each takes off what was blunt and what trues it.
    """
    fine = depth if fine_only else min(depth, rates.fine_mm)
    down = _up((depth - fine) / (rates.infeed_mm * scale)) + _up(fine / (rates.fine_infeed_mm * scale))
    passes = down + rates.spark_out_passes
    strokes = 1 + _up(max(0.0, width - wheel.width_mm) / (rates.cross_share * wheel.width_mm))
    stroke = (run + rates.overrun_mm) / rates.table_mm_per_min + rates.reversal_min
    volume = depth * width * run
    dressings = max(1.0, volume / rates.dress_every_mm3)
    infeed = (rates.fine_infeed_mm if fine_only else rates.infeed_mm) * scale
    words = (
        f"{round(volume, 3):.4g} mm3: depth {depth:.3g} in {passes:.0f} passes of {infeed:.3g} with "
        f"{rates.spark_out_passes:g} to spark out, {strokes} x {run:.3g} mm strokes at "
        f"{rates.table_mm_per_min / 1000:g} m/min, wheel {wheel.width_mm:g}"
    )
    worn = wheel.cost_of(dressings * rates.dress_mm)
    return Effort(passes * strokes * stroke, dressings * rates.dress_min, (words,), each_cost=worn)


def _up(value: float) -> int:
    return math.ceil(value - _WHOLE)

"""Minutes of wire cutting from the areas of passes and the shop's rates: closed forms, no geometry.

Lengths are mm, areas mm2, volumes mm3, times minutes. The forms are common practice, no source; every rate
in them stands in the shop file. No form gets quicker when a depth, an area or a volume grows.
"""

from __future__ import annotations

from collections.abc import Sequence

from routing.processes.context import JobContext
from routing.processes.protocol import Effort, total
from routing.processes.tools import Wire
from routing.processes.wire.shop import WireRates, WireShop
from routing.processes.wire.verdict import WirePass


def effort_of(
    job: JobContext, passes: Sequence[WirePass], height_mm: float, wire: Wire, *, closed: bool
) -> Effort:
    """All passes of a feature, one after the other; ``closed`` paths are threaded through a start hole."""
    rates, scale = job.shop[WireShop].rates, job.shop.rule(job.material).wire_scale
    paths = len({p.path for p in passes})
    idle = paths * (rates.threading_min + (rates.slug_min if closed else 0.0))
    return total([Effort(idle_min=idle), *(_pass_effort(p, height_mm, rates, scale, wire) for p in passes)])


def trim_effort(job: JobContext, passes: Sequence[WirePass], wire: Wire) -> Effort:
    """One trim more of every pass."""
    rates, scale = job.shop[WireShop].rates, job.shop.rule(job.material).wire_scale
    idle = Effort(idle_min=rates.threading_min * len({p.path for p in passes}))
    last = rates.pass_shares[-1]
    return total(
        [idle, *(_cuts(p, p.area_mm2, p.high_mm - p.low_mm, (last,), rates, scale, wire) for p in passes)]
    )


def minutes_of(job: JobContext, p: WirePass, height_mm: float, wire: Wire) -> float:
    """The time of one pass alone, without threading."""
    scale = job.shop.rule(job.material).wire_scale
    return _pass_effort(p, height_mm, job.shop[WireShop].rates, scale, wire).minutes


def _pass_effort(p: WirePass, height_mm: float, rates: WireRates, scale: float, wire: Wire) -> Effort:
    """The cut that opens the path goes through the whole height, the others take what the pass makes."""
    high = p.high_mm - p.low_mm
    if not p.open_mm2:
        return _cuts(p, p.area_mm2, high, p.speeds, rates, scale, wire)
    main = _cuts(p, p.open_mm2, height_mm, p.speeds[:1], rates, scale, wire)
    return total([main, _cuts(p, p.area_mm2, high, p.speeds[1:], rates, scale, wire)])


def _cuts(
    p: WirePass,
    area: float,
    height: float,
    speeds: Sequence[float],
    rates: WireRates,
    scale: float,
    wire: Wire,
) -> Effort:
    """Cut area over the rate, once for each cut.

    Thin work cuts as if it were ``lost_height_mm`` taller, so the rate at height h is h / (h + lost) of
    the full one.
    """
    if not speeds:
        return Effort()
    rate = rates.main_mm2_per_min(wire.diameter_mm) * scale * height / (height + rates.lost_height_mm)
    said = " ".join(f"{s * rate:.3g}" for s in speeds)
    times = f"{len(speeds)} cut{'s' if len(speeds) > 1 else ''}"
    basis = f"{p.words} {area:.4g} mm2, {times} at {said} mm2/min with wire {wire.diameter_mm:g}"
    basis += f" at height {height:.4g}"
    return Effort(area / rate * sum(1 / s for s in speeds), basis=(basis,))

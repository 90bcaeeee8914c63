"""Minutes of wire cutting from the areas of passes and the shop's rates: closed forms, no geometry.

Lengths are mm, areas mm2, volumes mm3, times minutes. The forms are common practice, no source; every rate
in them stands in the shop file. No form gets quicker when a depth, an area or a volume grows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

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
    cuts = (_pass_effort(p, height_mm, rates, scale, wire) for p in passes)
    return _spent(job, total([Effort(idle_min=idle), *cuts]), wire)


def trim_effort(job: JobContext, passes: Sequence[WirePass], wire: Wire) -> Effort:
    """One trim more of every pass."""
    rates, scale = job.shop[WireShop].rates, job.shop.rule(job.material).wire_scale
    idle = Effort(idle_min=rates.threading_min * len({p.path for p in passes}))
    more = [
        _cut(p.area_mm2, p.high_mm - p.low_mm, rates.pass_shares[-1:], rates, scale, wire).of(p.words)
        for p in passes
    ]
    return _spent(job, total([idle, *more]), wire)


def minutes_of(job: JobContext, p: WirePass, height_mm: float, wire: Wire) -> float:
    """The time of one pass alone, without threading."""
    scale = job.shop.rule(job.material).wire_scale
    return _pass_effort(p, height_mm, job.shop[WireShop].rates, scale, wire).minutes


def _spent(job: JobContext, found: Effort, wire: Wire) -> Effort:
    """The same effort with the wire that runs off the spool."""
    length_m = found.run_min * job.shop[WireShop].rates.feed_m_per_min
    money = wire.cost_of(length_m)
    if not money:
        return found
    text = f"{length_m:.0f} m of wire {wire.diameter_mm:g}, {money:.2f} {job.shop.rates.currency}"
    return replace(found, each_cost=found.each_cost + money, basis=(*found.basis, text))


def _pass_effort(p: WirePass, height_mm: float, rates: WireRates, scale: float, wire: Wire) -> Effort:
    """The cut that opens the path goes through the whole height, the others take what the pass makes."""
    opening, others = (p.speeds[:1], p.speeds[1:]) if p.open_mm2 else ((), p.speeds)
    main = _cut(p.open_mm2, height_mm, opening, rates, scale, wire)
    return total([main, _cut(p.area_mm2, p.high_mm - p.low_mm, others, rates, scale, wire)]).of(p.words)


def _cut(
    area: float, height: float, speeds: Sequence[float], rates: WireRates, scale: float, wire: Wire
) -> Effort:
    return wire_cut(area, height, rates, speeds=speeds, scale=scale, wire_mm=wire.diameter_mm)


def wire_cut(
    area: float, height: float, rates: WireRates, *, speeds: Sequence[float], scale: float, wire_mm: float
) -> Effort:
    """Cut area over the rate, once for each cut; ``speeds`` are theirs over the main cut's.

    Thin work cuts as if it were ``lost_height_mm`` taller, so the rate at height h is h / (h + lost) of
    the full one.
    """
    if not speeds:
        return Effort()
    rate = rates.main_mm2_per_min(wire_mm) * scale * height / (height + rates.lost_height_mm)
    text = " ".join(f"{s * rate:.3g}" for s in speeds)
    times = f"{len(speeds)} cut{'s' if len(speeds) > 1 else ''}"
    basis = f"{area:.4g} mm2, {times} at {text} mm2/min with wire {wire_mm:g} at height {height:.4g}"
    return Effort(area / rate * sum(1 / s for s in speeds), basis=(basis,))

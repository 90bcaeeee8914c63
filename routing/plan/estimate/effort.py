"""Minutes of single jobs from sizes and the shop's rates: closed forms, no geometry.

Each gives an ``Effort`` with its basis in words. Lengths are mm, areas mm2, volumes mm3, times minutes.
The forms are common practice, no source; every rate in them stands in the shop file.
No form gets quicker when a depth, an area or a volume grows.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from routing.processes.shop import BenchRates, ErodeRates, GrindRates, HoleRates, MillRates, WireRates
from routing.processes.sink_erode.forecast import Electrode

# Keeps a quotient that is whole but for rounding from counting one more.
_WHOLE = 1e-9


@dataclass(frozen=True)
class Effort:
    """One piece's minutes: ``run_min`` while the machine cuts, ``idle_min`` while it is waited on.

    ``electrodes`` are those that must be there.
    """

    run_min: float = 0.0
    idle_min: float = 0.0
    basis: tuple[str, ...] = ()
    electrodes: tuple[Electrode, ...] = ()

    @property
    def minutes(self) -> float:
        return self.run_min + self.idle_min

    def times(self, factor: float, why: str) -> Effort:
        """The same at another speed."""
        basis = tuple(f"{b}, {why}" for b in self.basis)
        return Effort(self.run_min * factor, self.idle_min, basis, self.electrodes)

    def of(self, name: str) -> Effort:
        """The same, its basis told by the name of what it is done to."""
        return Effort(self.run_min, self.idle_min, tuple(f"{name} {b}" for b in self.basis), self.electrodes)


def total(efforts: Iterable[Effort]) -> Effort:
    parts = list(efforts)
    return Effort(
        sum(p.run_min for p in parts),
        sum(p.idle_min for p in parts),
        tuple(b for p in parts for b in p.basis),
        tuple(e for p in parts for e in p.electrodes),
    )


def wire_cut(
    area: float, height: float, rates: WireRates, *, scale: float, wire_mm: float, passes: int, closed: bool
) -> Effort:
    """Cut area over the rate, once for each pass; ``passes`` counts from the last: 1 is one trim more.

    Thin work cuts as if it were ``lost_height_mm`` taller, so the rate at height h is h / (h + lost) of
    the full one.
    """
    shares = rates.pass_shares[-passes:]
    rate = rates.main_mm2_per_min(wire_mm) * scale * height / (height + rates.lost_height_mm)
    slug = rates.slug_min if closed and passes == len(rates.pass_shares) else 0.0
    return Effort(
        area / rate * sum(1 / s for s in shares),
        rates.threading_min + slug,
        (
            f"cut area {area:.4g} mm2, {len(shares)} passes at {' '.join(f'{s * rate:.3g}' for s in shares)} "
            f"mm2/min with wire {wire_mm:g} at height {height:.4g}",
        ),
    )


def start_hole(depth: float, diameter: float, rates: WireRates, *, scale: float) -> Effort:
    """An eroded start hole."""
    feed = rates.start_hole_mm_per_min * scale
    words = f"start hole {diameter:g} eroded, depth {depth:.4g} at {feed:.3g} mm/min"
    return Effort(depth / feed, rates.start_hole_min, (words,))


def grind(
    depth: float,
    width: float,
    run: float,
    wheel_mm: float,
    rates: GrindRates,
    *,
    scale: float,
    fine_only: bool = False,
) -> Effort:
    """Passes down, strokes across, each as long as the run and its overrun."""
    fine = depth if fine_only else min(depth, rates.fine_mm)
    down = _up((depth - fine) / (rates.infeed_mm * scale)) + _up(fine / (rates.fine_infeed_mm * scale))
    passes = down + rates.spark_out_passes
    strokes = 1 + _up(max(0.0, width - wheel_mm) / (rates.cross_share * wheel_mm))
    stroke = (run + rates.overrun_mm) / rates.table_mm_per_min + rates.reversal_min
    volume = depth * width * run
    dressings = max(1.0, volume / rates.dress_every_mm3)
    infeed = (rates.fine_infeed_mm if fine_only else rates.infeed_mm) * scale
    words = (
        f"{round(volume, 3):.4g} mm3: depth {depth:.3g} in {passes:.0f} passes of {infeed:.3g} with "
        f"{rates.spark_out_passes:g} to spark out, {strokes} x {run:.3g} mm strokes at "
        f"{rates.table_mm_per_min / 1000:g} m/min, wheel {wheel_mm:g}"
    )
    return Effort(passes * strokes * stroke, dressings * rates.dress_min, (words,))


def mill_rough(volume: float, cutter_mm: float, rates: MillRates, *, scale: float) -> Effort:
    """Volume over the rate that the roughing of the stock also reckons with."""
    rate = rates.mm3_per_min * scale * rates.share(cutter_mm)
    return Effort(
        volume / rate,
        rates.tool_change_min,
        (f"{round(volume, 3):.4g} mm3 at {rate:.3g} mm3/min, cutter {cutter_mm:g}",),
    )


def mill_area(area: float, cutter_mm: float, rates: MillRates, *, scale: float, semi: bool = False) -> Effort:
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


def thread_mill(depth: float, major: float, pitch: float, rates: HoleRates, *, scale: float) -> Effort:
    """A helix of one turn per pitch, of the radius that the cutter's centre runs on."""
    turns = depth / pitch + 1
    path = turns * math.pi * major * (1 - rates.thread_mill_share)
    feed = rates.thread_mm_per_min * scale
    words = f"thread {major:g} x {pitch:g}, depth {depth:.4g}: helix of {path:.3g} mm at {feed:.3g} mm/min"
    return Effort(path / feed, rates.position_min, (words,))


def erode(
    volume: float, area: float, rates: ErodeRates, *, scale: float, electrodes: tuple[Electrode, ...]
) -> Effort:
    """Roughing by volume and finishing by area, each with electrodes of its own; no volume, no roughing."""
    coarse = volume / (rates.mm3_per_min * scale)
    fine = area / (rates.finish_mm2_per_min * scale)
    changes = sum(max(1.0, e.share) for e in electrodes)
    words = f"{round(volume, 3):.4g} mm3 at {rates.mm3_per_min * scale:.3g} mm3/min and " if volume else ""
    words += f"area {area:.4g} mm2 at {rates.finish_mm2_per_min * scale:.3g} mm2/min"
    return Effort(coarse + fine, changes * rates.change_min, (words,), electrodes)


def edges(length: float, rates: BenchRates) -> Effort:
    words = f"{length:.4g} mm of edge at {rates.edge_mm_per_min:g} mm/min"
    return Effort(length / rates.edge_mm_per_min, 0.0, (words,))


def lap(area: float, rates: BenchRates) -> Effort:
    words = f"{area:.4g} mm2 lapped at {rates.lap_mm2_per_min:g} mm2/min"
    return Effort(area / rates.lap_mm2_per_min, 0.0, (words,))


def _up(value: float) -> int:
    return math.ceil(value - _WHOLE)

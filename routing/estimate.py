"""Minutes and money: an estimate from areas, volumes and the shop's rates, nothing more.

Time is volume over a removal rate, plus area over a finishing rate, plus fixed minutes for each hole,
thread, electrode and setup (common practice, no source). A volume is what a height grid finds between
the part's highest level and the feature, so features that lie over each other are counted twice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from featurize.brep.surfaces import Array
from featurize.feature import Feature
from routing.order import Operation, Stage, Step
from routing.processes.base import JobContext
from routing.processes.heights import HeightGrid
from routing.shop import Rates

# What a first estimate of this kind is worth: from two thirds to twice (common practice, no source).
LOW, HIGH = 0.67, 2.0


@dataclass(frozen=True)
class Estimate:
    """Money in ``currency``; low and high bound what the middle value may turn out to be."""

    minutes: float
    minutes_low: float
    minutes_high: float
    setups: int
    cost: float
    cost_low: float
    cost_high: float
    currency: str
    note: str = "an estimate from removed volume, area and the shop's rates; not an offer"


def minutes_of(job: JobContext, step: Step) -> float:
    """Minutes of one step without its setup."""
    rates = job.shop.rates
    features = [f for f in job.features if f.id in step.features]
    scale = job.shop.rule(job.material).feed_scale
    area = sum(job.part.faces[i].area_mm2 for f in features for i in f.faces)
    if step.stage == Stage.WIRE:
        return area * rates.wire_passes / rates.wire_mm2_per_min
    if step.stage == Stage.TRIM:
        return area / rates.wire_mm2_per_min
    if step.stage == Stage.DRILL:
        return rates.hole_min * sum(max(1, len(f.bores)) for f in features) / scale
    if step.stage in (Stage.RELIEF, Stage.START_HOLE):
        return rates.hole_min * len(features) / scale
    if step.stage == Stage.THREAD:
        return rates.thread_min * len(features) / scale
    if step.stage == Stage.EDGES:
        length = sum(e.length_mm for f in features for i in f.faces for e in job.part.edges_of(i)) / 2
        return length / rates.edge_mm_per_min
    if step.stage in (Stage.SQUARE, Stage.SEMI_FINISH, Stage.FINISH, Stage.LAST):
        return area / (rates.finish_mm2_per_min * (10 if step.stage == Stage.SQUARE else 1)) / scale
    volume = sum(_volume(job, f, _direction(job, step.side)) for f in features)
    if step.stage == Stage.ERODE:
        return volume / rates.erode_mm3_per_min + rates.electrode_min * len(features)
    slow = 2.0 if step.stage == Stage.OPEN else 1.0
    rate = rates.mill_mm3_per_min if step.process == "mill" else rates.grind_mm3_per_min
    return slow * volume / rate / scale


def estimate(operations: Sequence[Operation], rates: Rates) -> Estimate:
    """The sum over operations, with a setup where machine or side changes."""
    setups = len({o.setup for o in operations})
    minutes = sum(o.minutes for o in operations) + rates.setup_min * setups
    cost = sum(o.minutes / 60 * _rate(rates.per_hour, o.process) for o in operations)
    first = {o.setup: o.process for o in operations}
    cost += sum(rates.setup_min / 60 * _rate(rates.per_hour, process) for process in first.values())
    return Estimate(
        minutes=minutes,
        minutes_low=minutes * LOW,
        minutes_high=minutes * HIGH,
        setups=setups,
        cost=cost,
        cost_low=cost * LOW,
        cost_high=cost * HIGH,
        currency=rates.currency,
    )


def _rate(per_hour: Mapping[str, float], process: str) -> float:
    """A process without a rate of its own costs as much as the dearest."""
    return per_hour.get(process, max(per_hour.values(), default=0.0))


def _direction(job: JobContext, side: str) -> Array:
    """A side's direction; slanted ones are estimated from the working side."""
    known = len(side) == 2 and side[0] in "+-" and side[1] in "xyz"
    return np.asarray(job.part.frame.direction(side if known else "+z"))


def _volume(job: JobContext, feature: Feature, toward: Array) -> float:
    key = ("volume", feature.id, *np.round(toward, 6))
    return job.kept(key, lambda: HeightGrid.of(job, feature, toward).removed_mm3(job))

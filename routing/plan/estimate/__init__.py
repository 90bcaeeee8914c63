"""Minutes and money: an estimate from areas, volumes and the shop's rates, never an offer.

``efforts`` asks the processes, ``ways`` has the lines of one way to make the part, ``price`` their sum and
its range; here they become the plain data that the documents show.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from routing.plan.choice import RoutedFeature
from routing.plan.estimate.efforts import Efforts
from routing.plan.estimate.price import RULE, Bill, PriceLine
from routing.plan.estimate.ways import Way, alone
from routing.processes.protocol import MadeTool

__all__ = ["Estimate", "estimate"]

NOTE = "an estimate from removed volume, area and the shop's rates; not an offer"


@dataclass(frozen=True)
class Priced:
    """A line for one piece made alone, with its range. ``operation`` is a number or None.

    ``factor`` is the shop's own, which is in all the minutes.
    """

    operation: int | None
    what: str
    process: str
    set_up_min: float
    run_min: float
    idle_min: float
    minutes: float
    minutes_low: float
    minutes_high: float
    cost: float
    cost_low: float
    cost_high: float
    basis: tuple[str, ...]
    factor: float


@dataclass(frozen=True)
class Quantity:
    """Minutes and money apiece in a batch."""

    pieces: int
    minutes: float
    cost: float
    cost_low: float
    cost_high: float


@dataclass(frozen=True)
class WhatIf:
    """The part if ``features`` went to another process than was chosen; ``more`` is the cost over it."""

    process: str
    features: tuple[str, ...]
    setups: int
    minutes: float
    cost: float
    cost_low: float
    cost_high: float
    more: float


@dataclass(frozen=True)
class Option:
    """One feature by one workable process: its own work and electrodes alone, as one piece."""

    process: str
    chosen: bool
    minutes: float
    cost: float
    cost_low: float
    cost_high: float
    basis: tuple[str, ...]


@dataclass(frozen=True)
class FeatureOptions:
    feature: str
    options: tuple[Option, ...]


@dataclass(frozen=True)
class Estimate:
    """Money in ``currency``, of one piece made alone; low and high bound what it may turn out to be."""

    minutes: float
    minutes_low: float
    minutes_high: float
    setups: int
    cost: float
    cost_low: float
    cost_high: float
    currency: str
    lines: tuple[Priced, ...]
    quantities: tuple[Quantity, ...]
    what_if: tuple[WhatIf, ...]
    features: tuple[FeatureOptions, ...]
    electrodes: tuple[MadeTool, ...]
    note: str = NOTE
    rule: str = RULE

    def of_operation(self, number: int) -> Priced:
        """The line of an operation."""
        return next(line for line in self.lines if line.operation == number)


def estimate(
    efforts: Efforts,
    chosen: Way,
    others: Mapping[str, tuple[tuple[str, ...], Way]],
    routed: Sequence[RoutedFeature],
) -> Estimate:
    """The chosen way's sums beside others.

    ``others``: by process, the features that it took over and the way that came of it.
    """
    bill, rates = chosen.bill, efforts.rates
    minutes, cost = bill.minutes(), bill.cost()
    return Estimate(
        minutes.value,
        minutes.low,
        minutes.high,
        chosen.setup_count,
        cost.value,
        cost.low,
        cost.high,
        rates.currency,
        tuple(_priced(bill, line) for line in bill.lines),
        tuple(_quantity(bill, n) for n in rates.quantities),
        tuple(_what_if(process, *other, cost.value) for process, other in others.items()),
        tuple(_options(efforts, r) for r in routed if r.verdicts),
        tuple(tool for line in bill.lines for tool in line.tools),
    )


def _priced(bill: Bill, line: PriceLine) -> Priced:
    minutes, cost, share = line.minutes(), bill.cost_of(line), bill.range_of(line)
    return Priced(
        line.operation,
        line.what,
        line.process,
        line.set_up_min,
        line.run_min + line.tool_min * line.tools_made(),
        line.idle_min,
        minutes,
        minutes * share.low,
        minutes * share.high,
        cost,
        cost * share.low,
        cost * share.high,
        line.basis,
        line.factor,
    )


def _quantity(bill: Bill, pieces: int) -> Quantity:
    cost = bill.cost(pieces)
    return Quantity(pieces, bill.minutes(pieces).value, cost.value, cost.low, cost.high)


def _what_if(process: str, features: tuple[str, ...], other: Way, chosen_cost: float) -> WhatIf:
    cost = other.bill.cost()
    minutes = other.bill.minutes().value
    more = cost.value - chosen_cost
    return WhatIf(process, features, other.setup_count, minutes, cost.value, cost.low, cost.high, more)


def _options(efforts: Efforts, routed: RoutedFeature) -> FeatureOptions:
    """The core of a feature by every process that can make it."""
    core = routed.main
    ways = [(v.process == core.process, core.moved_to(v.process)) for v in core.verdicts if v.workable]
    found = []
    for chosen, region in ways:
        bill = alone(efforts, region)
        cost = bill.cost()
        basis = tuple(b for line in bill.lines for b in line.basis)
        found.append(
            Option(region.process, chosen, bill.minutes().value, cost.value, cost.low, cost.high, basis)
        )
    return FeatureOptions(routed.feature.id, tuple(found))

"""Minutes and money: an estimate from areas, volumes and the shop's rates, never an offer.

``effort`` has the closed forms, ``steps`` the sizes, ``plan`` the lines of one way to make the part,
``price`` their sum and its range; here they become the plain data that the documents show.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from routing.plan.estimate.plan import Plan, alone, plan
from routing.plan.estimate.price import RULE, Bill, Line
from routing.plan.estimate.steps import Sizes
from routing.plan.order import Choice
from routing.processes.sink_erode.forecast import Electrode

__all__ = ["Estimate", "Plan", "Sizes", "alone", "estimate", "plan"]

NOTE = "an estimate from removed volume, area and the shop's rates; not an offer"


@dataclass(frozen=True)
class Priced:
    """A line for one piece made alone, with its range. ``operation`` is a number or None."""

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
    electrodes: tuple[Electrode, ...]
    note: str = NOTE
    rule: str = RULE

    def of_operation(self, number: int) -> Priced:
        """The line of an operation."""
        return next(line for line in self.lines if line.operation == number)


def estimate(
    sizes: Sizes,
    chosen: Plan,
    others: Mapping[str, tuple[tuple[str, ...], Plan]],
    options: Mapping[str, Sequence[tuple[bool, Choice]]],
) -> Estimate:
    """The chosen plan's sums beside others.

    ``others``: by process, the features that it took over and the plan that came of it.
    ``options``: by feature id, every workable choice and whether it was chosen.
    """
    bill, rates = chosen.bill, sizes.rates
    minutes, cost = bill.minutes(), bill.cost()
    return Estimate(
        minutes.value,
        minutes.low,
        minutes.high,
        chosen.setups,
        cost.value,
        cost.low,
        cost.high,
        rates.currency,
        tuple(_priced(bill, line) for line in bill.lines),
        tuple(_quantity(bill, n) for n in rates.quantities),
        tuple(_what_if(process, *other, cost.value) for process, other in others.items()),
        tuple(
            FeatureOptions(name, tuple(_option(sizes, *way) for way in ways))
            for name, ways in options.items()
        ),
        tuple(tool for line in bill.lines for tool in line.tools),
    )


def _priced(bill: Bill, line: Line) -> Priced:
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
    )


def _quantity(bill: Bill, pieces: int) -> Quantity:
    cost = bill.cost(pieces)
    return Quantity(pieces, bill.minutes(pieces).value, cost.value, cost.low, cost.high)


def _what_if(process: str, features: tuple[str, ...], other: Plan, chosen_cost: float) -> WhatIf:
    cost = other.bill.cost()
    minutes = other.bill.minutes().value
    return WhatIf(
        process, features, other.setups, minutes, cost.value, cost.low, cost.high, cost.value - chosen_cost
    )


def _option(sizes: Sizes, chosen: bool, choice: Choice) -> Option:
    assert choice.verdict is not None
    bill = alone(sizes, choice)
    cost = bill.cost()
    basis = tuple(b for line in bill.lines for b in line.basis)
    return Option(
        choice.verdict.process, chosen, bill.minutes().value, cost.value, cost.low, cost.high, basis
    )

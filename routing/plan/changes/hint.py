"""What trying a change came to, as plain data: every letter and list is made from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from routing.plan.changes.proposal import Proposal
from routing.plan.estimate import Estimate
from routing.plan.estimate.price import combined
from routing.processes.shop import Rates

NOTE = (
    "Each saving is the estimate of the part as drawn less the estimate of the changed part, routed anew: "
    "both are estimates, not offers. Each change was tried alone; savings of several do not simply add."
)


@dataclass(frozen=True)
class Saved:
    """Minutes, or money, with what it may turn out to be: lines of one process err together."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class AtLot:
    """Money saved apiece in a batch."""

    pieces: int
    cost: float


@dataclass(frozen=True)
class Hint:
    """One change that was tried and saves.

    ``before`` and ``after`` are what the features are made by, in words; ``setups`` are saved, negative where
    there are more. ``overlaps`` are the numbers (from 1) of hints before it for the same features.
    """

    kind: str
    features: tuple[str, ...]
    text: str
    ask: str
    risk: str
    before: str
    after: str
    minutes: Saved
    cost: Saved
    setups: int
    lots: tuple[AtLot, ...]
    overlaps: tuple[int, ...] = ()


@dataclass(frozen=True)
class Hints:
    """By money, the most first. ``tried`` counts the trials; of them ``failed`` gave no sound part or no
    plan, ``refused`` changed more than was meant or raised a blocking flag, ``idle`` saved nothing to
    speak of; ``untried`` were left for want of time or trials.
    """

    currency: str
    minutes: float
    cost: float
    hints: tuple[Hint, ...]
    tried: int = 0
    failed: int = 0
    refused: int = 0
    idle: int = 0
    untried: int = 0
    note: str = NOTE


@dataclass(frozen=True)
class Trial:
    """A changed part's plan, in short. ``made_by`` has the process of each changed feature that stays.

    ``blocking`` counts blocking flags; ``touched`` are features gone or of another kind that were not meant.
    """

    estimate: Estimate
    made_by: Mapping[str, str]
    blocking: int
    touched: tuple[str, ...]


def hint_of(
    change: Proposal, before: Estimate, made_by: Mapping[str, str], trial: Trial, rates: Rates
) -> Hint:
    """The saving of a tried change over the part as drawn."""
    after = trial.estimate
    minutes, cost = (
        combined(_less(_by_process(before, what), _by_process(after, what)), rates)
        for what in ("minutes", "cost")
    )
    then = {lot.pieces: lot.cost for lot in after.quantities}
    return Hint(
        kind=change.kind,
        features=change.features,
        text=change.text,
        ask=change.ask,
        risk=change.risk,
        before=_words(made_by),
        after=_words(trial.made_by) or "nothing: left out",
        minutes=Saved(minutes.value, minutes.low, minutes.high),
        cost=Saved(cost.value, cost.low, cost.high),
        setups=before.setups - after.setups,
        lots=tuple(
            AtLot(lot.pieces, lot.cost - then[lot.pieces]) for lot in before.quantities if lot.pieces in then
        ),
    )


def _by_process(estimate: Estimate, what: str) -> dict[str, float]:
    found: dict[str, float] = {}
    for line in estimate.lines:
        found[line.process] = found.get(line.process, 0.0) + float(getattr(line, what))
    return found


def _less(before: Mapping[str, float], after: Mapping[str, float]) -> dict[str, float]:
    return {name: before.get(name, 0.0) - after.get(name, 0.0) for name in {**before, **after}}


def _words(made_by: Mapping[str, str]) -> str:
    return ", ".join(dict.fromkeys(made_by.values()))

"""A change to the model that may make a part cheaper, before it is tried."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from math import ceil
from typing import Any

from featurize.feature import Feature
from routing.plan.plan import Plan
from routing.processes.shop import Rates

# Sizes on drawings go in steps of this.
_STEP_MM = 0.05


@dataclass(frozen=True, eq=False)
class Proposal:
    """``text`` says what to change, ``ask`` is the question to the customer, ``risk`` what it may mean for
    what the part does; without a full stop.

    ``features`` are changed. ``at_stake`` is the money that making them costs now:
    a change that leaves the other features as they are can hardly save more. ``apply`` gives the changed
    solid (kernel, model coordinates) and raises KernelError where the kernel fails.
    """

    kind: str
    features: tuple[str, ...]
    text: str
    ask: str
    risk: str
    at_stake: float
    apply: Callable[[], Any]


def at_stake(plan: Plan, ids: Collection[str]) -> float:
    """Money that some features cost in a plan: what is done for them alone, and their share of the rest."""
    rates, total = plan.job.shop.rates, 0.0
    for line in plan.estimate.lines:
        if line.operation is None:
            continue
        step = plan.steps[line.operation - 1]
        own = [p for p in step.passes if p.feature in ids]
        if own and len(own) == len(step.passes):
            total += line.cost
        else:
            total += sum(p.minutes / 60 * _per_hour(rates, step.process) + p.cost for p in own)
    for tool in plan.estimate.electrodes:
        if tool.feature.partition(".")[0] in ids:
            total += tool.used() * (tool.cost + tool.make_min / 60 * _per_hour(rates, tool.made_by))
    return total


def _per_hour(rates: Rates, process: str) -> float:
    return rates.per_hour.get(process, 0.0)


def round_up(mm: float) -> float:
    """The next size that a drawing would give."""
    return round(ceil(mm / _STEP_MM - 1e-6) * _STEP_MM, 3)


def named(features: Iterable[Feature]) -> str:
    """ "pocket F03", "hole F01, F02"."""
    found = list(features)
    kinds = dict.fromkeys(str(f.kind) for f in found)
    return ", ".join(f"{kind} {', '.join(f.id for f in found if f.kind == kind)}" for kind in kinds)


def faces_of(features: Iterable[Feature]) -> tuple[int, ...]:
    return tuple(i for f in features for i in f.faces)


def sized(features: Sequence[Feature]) -> str:
    """The same with the sizes of the first, by which a person finds them on a drawing."""
    dims = features[0].dims
    across = [dims[k] for k in ("length_mm", "width_mm") if k in dims] or [
        dims[k] for k in ("diameter_mm", "radius_mm") if k in dims
    ]
    sizes = " x ".join(f"{mm:.4g}" for mm in across)
    return f"{named(features)} ({sizes})" if sizes else named(features)


def radius_words(mm: float) -> str:
    return f"R {mm:.3g}" if mm else "sharp"


def alike(features: Sequence[Feature]) -> list[list[Feature]]:
    """Features of one kind and the same sizes together: what is asked of one holds for all."""
    groups: dict[object, list[Feature]] = {}
    for f in features:
        thread = f.thread.designation if f.thread else None
        key = f.kind, thread, tuple((k, round(v, 2)) for k, v in sorted(f.dims.items()))
        groups.setdefault(key, []).append(f)
    return list(groups.values())

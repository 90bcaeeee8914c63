"""What a shop's own minutes are to those estimated, learnt from steps whose minutes were written down.

For each step, the logarithm of taken over estimated minutes is modelled as

    all + process + process by family of material + kind of step + scatter,

with the scatter of each process by Student's t of few degrees of freedom: a step that was left running
overnight then counts next to nothing (Lange, Little and Taylor 1989, Robust Statistical Modeling Using the t
Distribution: the fit by weights that are found anew in each round). Each effect has a normal prior about 0,
so what is hardly known stays near the shop file's figure and what is learnt of one process moves the others
a little (a ridge, or partial pooling: Gelman and Hill 2007, Data Analysis Using Regression, chapter 12).

The prior's width is the shop file's own range: as far as it says that a figure of a process may be out, for
nine cases of ten. Half of that variance is given to the scatter and half in equal shares to the four effects,
as nothing says which of them it is (common practice, no source).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from featurize.brep.surfaces import Array
from routing.processes.shop import OwnFactors, Range, Rates

# Degrees of freedom: Lange, Little and Taylor propose 4 where they are not fitted.
_FREEDOM = 4.0
# The shop file's range counts as so many cases: it is an order of magnitude (common practice, no source).
_PRIOR_CASES = 4.0
# Standard deviations within which nine of ten normal values lie.
_NINE_OF_TEN = 1.645
# The same of Student's t of these degrees of freedom (its 95 % point in any table).
_NINE_OF_TEN_T = 2.132
_EFFECTS = 4
# A step of less weight is told as set aside: an ordinary one has about 1.
_HARDLY = 0.1
_ROUNDS, _STILL = 100, 1e-6


@dataclass(frozen=True)
class Case:
    """A step that was done: minutes as worked out without the shop's own factors, and as they were taken."""

    job: str
    process: str
    family: str
    step: str
    estimated_min: float
    taken_min: float


@dataclass(frozen=True)
class Effect:
    """``kind`` is "all", "process", "material" or "step"; nine of ten values lie from ``low`` to ``high``."""

    kind: str
    process: str
    name: str
    factor: float
    low: float
    high: float
    cases: int


@dataclass(frozen=True)
class Scatter:
    """How far what jobs took of one process lies about what the factors say, nine of ten jobs."""

    process: str
    low: float
    high: float
    jobs: int
    set_aside: int  # steps that count for less than a tenth of an ordinary one


@dataclass(frozen=True)
class Fitted:
    """``factors`` are what a shop file may hold as ``rates.factor``; the rest is shown beside them."""

    factors: OwnFactors
    effects: tuple[Effect, ...]
    scatter: tuple[Scatter, ...]
    cases: int
    jobs: int


_Key = tuple[str, str, str]


def fit(cases: Sequence[Case], rates: Rates) -> Fitted:
    """The shop's own factors from what steps took; a step without minutes on either side, or of a process
    that the shop file does not know, is left out."""
    known = [c for c in cases if min(c.estimated_min, c.taken_min) > 0 and c.process in rates.range]
    if not known:
        return Fitted(OwnFactors(1.0, {}, {}, {}, {}), (), (), 0, 0)
    keys = [_keys(c) for c in known]
    columns = list(dict.fromkeys(key for row in keys for key in row))
    place = {key: n for n, key in enumerate(columns)}
    processes = sorted({c.process for c in known})
    wide = {p: _log_deviation(rates.range[p]) for p in processes}
    mean = math.sqrt(sum(wide[c.process] ** 2 for c in known) / len(known))
    design = np.zeros((len(known), len(columns)))
    for n, row in enumerate(keys):
        design[n, [place[key] for key in row]] = 1.0
    prior = np.array([2 * _EFFECTS / (wide.get(process, mean)) ** 2 for _, process, _ in columns])
    logs = np.log([c.taken_min / c.estimated_min for c in known])
    of = np.array([processes.index(c.process) for c in known])
    start = np.array([wide[p] ** 2 / 2 for p in processes])
    found, spread, weights, _ = _weighted(design, logs, prior, of, start)
    # Lines are summed, so the mean is wanted; a lognormal's lies over its median by half the variance.
    left = weights * (logs - design @ found) ** 2
    count = np.bincount(of)
    above = np.bincount(of, left) / (count + _PRIOR_CASES) / 2
    for n, (kind, process, _) in enumerate(columns):
        if kind == "process":
            found[n] += above[processes.index(process)]
    many = Counter(key for row in keys for key in row)
    effects = tuple(
        Effect(*key, *_shares(float(found[n]), float(spread[n])), many[key])
        for key, n in sorted(place.items(), key=_in_order)
    )
    factors = _factors(effects)
    scatter = _scatter(known, factors, wide, weights)
    ranges = {s.process: Range(min(s.low, 1.0), max(s.high, 1.0)) for s in scatter}
    jobs = len({c.job for c in known})
    whole = OwnFactors(factors.all, factors.process, factors.material, factors.step, ranges)
    return Fitted(whole, effects, scatter, len(known), jobs)


def _keys(case: Case) -> tuple[_Key, ...]:
    return (
        ("all", "", ""),
        ("process", case.process, ""),
        ("material", case.process, case.family),
        ("step", "", case.step),
    )


def _in_order(item: tuple[_Key, int]) -> tuple[int, str, str]:
    (kind, process, name), _ = item
    return ("all", "process", "material", "step").index(kind), process, name


def _log_deviation(span: Range) -> float:
    """Standard deviation of the logarithm; a range whose end is 0 counts by its other side."""
    sides = [abs(math.log(end)) for end in (span.low, span.high) if end > 0 and end != 1]
    return max(sum(sides) / len(sides), 0.05) / _NINE_OF_TEN if sides else 0.05


def _weighted(
    design: Array, logs: Array, prior: Array, of: Array, start: Array
) -> tuple[Array, Array, Array, Array]:
    """Effects (k,) with their deviations (k,), weights (n,) of the cases, scale squared (p,) by process."""
    count = np.bincount(of)
    variance, found = start.copy(), np.zeros(design.shape[1])
    weights = np.ones(len(logs))
    for _ in range(_ROUNDS):
        by_case = weights / variance[of]
        normal = design.T @ (design * by_case[:, None]) + np.diag(prior)
        now = np.linalg.solve(normal, design.T @ (by_case * logs))
        left = (logs - design @ now) ** 2
        weights = (_FREEDOM + 1) / (_FREEDOM + left / variance[of])
        variance = (_PRIOR_CASES * start + np.bincount(of, weights * left)) / (_PRIOR_CASES + count)
        if float(np.abs(now - found).max()) < _STILL:
            break
        found = now
    return now, np.sqrt(np.diag(np.linalg.inv(normal))), weights, variance


def _shares(log: float, deviation: float) -> tuple[float, float, float]:
    away = _NINE_OF_TEN * deviation
    return math.exp(log), math.exp(log - away), math.exp(log + away)


def _factors(effects: Sequence[Effect]) -> OwnFactors:
    by_kind: dict[str, dict[str, float]] = {"process": {}, "step": {}}
    material: dict[str, dict[str, float]] = {}
    whole = 1.0
    for e in effects:
        if e.kind == "all":
            whole = e.factor
        elif e.kind == "material":
            material.setdefault(e.process, {})[e.name] = e.factor
        else:
            by_kind[e.kind][e.process or e.name] = e.factor
    return OwnFactors(whole, by_kind["process"], material, by_kind["step"], {})


def _scatter(
    cases: Sequence[Case], factors: OwnFactors, wide: Mapping[str, float], weights: Array
) -> tuple[Scatter, ...]:
    """By the sums of each job, as an estimate's range is that of a process's sum."""
    sums: dict[tuple[str, str], list[float]] = {}
    aside: Counter[str] = Counter()
    for case, weight in zip(cases, weights, strict=True):
        one = sums.setdefault((case.process, case.job), [0.0, 0.0])
        one[0] += case.estimated_min * factors.of(case.process, case.family, case.step)
        one[1] += case.taken_min
        aside[case.process] += bool(weight < _HARDLY)
    found = []
    for process in sorted(wide):
        logs = np.array([math.log(b / a) for (p, _), (a, b) in sums.items() if p == process])
        one_column, none = np.ones((len(logs), 1)), np.zeros(len(logs), dtype=int)
        start = np.array([wide[process] ** 2 / 2])
        middle, _, _, variance = _weighted(one_column, logs, np.array([1 / start[0]]), none, start)
        deviation = math.hypot(math.sqrt(float(variance[0])), float(middle[0]))
        away = _NINE_OF_TEN_T * deviation
        found.append(Scatter(process, math.exp(-away), math.exp(away), len(logs), aside[process]))
    return tuple(found)

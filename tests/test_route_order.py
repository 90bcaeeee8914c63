"""The order of operations: every arrow kept, reasons given, setups kept together."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routing.plan.precedence import direct as direct_only
from routing.plan.schedule import ordered
from routing.processes.protocol import Stage


@dataclass(frozen=True)
class Step:
    stage: Stage
    setup: tuple[str, str]


SETUPS = (("mill", "+z"), ("mill", "-z"), ("wire", "+z"))


def setups_of(steps: list[Step], order: tuple[int, ...] | list[int]) -> int:
    return sum(1 for _ in itertools.groupby(order, key=lambda k: steps[k].setup))


@st.composite
def graphs(draw: st.DrawFn) -> tuple[list[Step], dict[int, dict[int, str]]]:
    n = draw(st.integers(1, 6))
    steps = []
    for _ in range(n):
        process, side = draw(st.sampled_from(SETUPS))
        steps.append(Step(draw(st.sampled_from(list(Stage))), (process, side)))
    before = {k: {j: f"{j} first" for j in range(k) if draw(st.booleans())} for k in range(n)}
    return steps, before


def closure(before: dict[int, dict[int, str]]) -> set[tuple[int, int]]:
    pairs = {(j, k) for k, early in before.items() for j in early}
    while True:
        more = {(a, d) for a, b in pairs for c, d in pairs if b == c} - pairs
        if not more:
            return pairs
        pairs |= more


@given(graphs())
def test_every_order_keeps_every_arrow_and_is_stable(
    graph: tuple[list[Step], dict[int, dict[int, str]]],
) -> None:
    steps, before = graph
    order = ordered(steps, before)
    assert sorted(order) == list(range(len(steps)))
    place = {k: n for n, k in enumerate(order)}
    assert all(place[j] < place[k] for k, early in before.items() for j in early)
    assert order == ordered(steps, before)


@given(graphs())
def test_direct_arrows_imply_all_the_others(graph: tuple[list[Step], dict[int, dict[int, str]]]) -> None:
    _, before = graph
    direct = direct_only(before)
    assert closure(direct) == closure(before)
    for k, early in direct.items():
        for j in early:
            # Without this arrow something is lost: none is superfluous.
            less = {a: {b: r for b, r in e.items() if (a, b) != (k, j)} for a, e in direct.items()}
            assert (j, k) not in closure(less)


def test_free_steps_take_as_few_setups_as_there_are() -> None:
    steps = [Step(Stage.ROUGH, SETUPS[k % 3]) for k in range(9)]
    assert setups_of(steps, ordered(steps, {k: {} for k in range(9)})) == 3


@pytest.mark.parametrize("seed", range(20))
def test_few_setups_against_all_orders(seed: int) -> None:
    """The greedy order is at most one setup over the best of all permutations, on small graphs."""
    import random

    rng = random.Random(seed)
    steps = [Step(Stage.ROUGH, rng.choice(SETUPS)) for k in range(6)]
    before = {k: {j: "" for j in range(k) if rng.random() < 0.25} for k in range(6)}
    best = min(
        setups_of(steps, p)
        for p in itertools.permutations(range(6))
        if all(p.index(j) < p.index(k) for k, early in before.items() for j in early)
    )
    assert setups_of(steps, ordered(steps, before)) <= best + 1

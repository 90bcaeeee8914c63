"""Routes before a second opinion that shares no code with the operators that made them.

As a script, any number of random inserts: python -m tests.test_reach_lattice 200
"""

from __future__ import annotations

import math
import random
import sys
import time
from dataclasses import replace
from typing import Any

import cadquery as cq
import numpy as np
import pytest

from featurize.brep.build import build_part
from featurize.recognise import recognise
from featurize.step.read import read_step
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.plan.choice import RoutedFeature
from routing.plan.make import make_plan
from routing.plan.plan import Plan
from routing.processes.context import JobContext
from routing.processes.protocol import Approach
from tests.support.keys import FOLDER
from tests.support.lattice import Body, Lattice, turned
from tests.support.sampled import few
from tests.support.second_opinion import SHARE, Opinion, second_opinion
from tests.test_process_wire import on_its_side
from tests.test_stock_random import insert

DEMOS = sorted(path.stem for path in FOLDER.glob("*.step"))
UP, X = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])


def routed(solid: Any) -> tuple[JobContext, Plan, Opinion]:
    choices, shop = Choices(threads={"all": "plain"}), load_shop()
    recognition = recognise(build_part(solid), threads=choices.threads)
    route = make_plan(recognition, shop, choices)
    job = JobContext(recognition.part, recognition.features, shop, choices)
    return job, route, second_opinion(job, route, solid)


def faults(route: Plan, opinion: Opinion) -> list[str]:
    """What the lattice says against a route; what nobody can make must have been said by a flag."""
    found = [
        f"{route.by_id[i].feature.kind} {i}: {share:.1%} out of reach of {route.process_of(i)}"
        for i, share in opinion.uncovered.items()
        if share > SHARE
    ]
    told = any(flag.code == "no-process" for flag in route.flags)
    if opinion.left > 0.002 and not told:
        found.append(f"{opinion.left:.2%} of what is to be removed is reached by no operation")
    return found + opinion.passed_over


def kept_from(routed: RoutedFeature, process: str, reason: str) -> RoutedFeature:
    """A feature of one region given to another process, its own said to refuse."""
    verdicts = tuple(
        replace(v, workable=False, reason=reason) if v.process == routed.process else v
        for v in routed.verdicts
    )
    region = replace(routed.main, process=process, verdicts=verdicts)
    return replace(routed, regions=(region,), verdicts=verdicts)


@pytest.mark.parametrize("name", few(DEMOS, 4))
def test_each_process_covers_what_it_was_given_and_none_before_it_could(name: str) -> None:
    (part,) = read_step(FOLDER / f"{name}.step", isolate=False).parts
    _, route, opinion = routed(part.solid)
    assert opinion.uncovered
    assert faults(route, opinion) == []


@pytest.mark.parametrize("seed", range(4))
def test_random_inserts_are_made_whole(seed: int) -> None:
    _, route, opinion = routed(insert(random.Random(seed)).val().wrapped)
    assert faults(route, opinion) == []


def test_the_lattice_itself_against_closed_forms() -> None:
    """Volumes of a pocket's operators by construction: a corner of radius r keeps (1 - pi/4) r^2."""
    body = cq.Workplane().box(20, 10, 10).faces(">Z").workplane().rect(8, 6).cutBlind(-5)
    lattice = Lattice.of(Body.of(body.val().wrapped), turned(UP, X), 0.1)
    cell = 0.1**3
    assert lattice.metal.sum() * cell == pytest.approx(2000 - 240, rel=1e-3)
    within = np.zeros_like(lattice.metal)
    a, b = np.round((np.array([[-4, -3, 0], [4, 3, 5]]) - lattice.low) / 0.1).astype(int)
    within[a[0] : b[0], a[1] : b[1], a[2] : b[2]] = True
    for r in (0.5, 1.0, 2.0):
        cut = float((lattice.cut_from_above(r) & within).sum()) * cell
        assert cut == pytest.approx(5 * (48 - (4 - math.pi) * r**2), rel=0.01)
    assert not (lattice.wired(0.1) & within).any()
    assert not (lattice.ground(1.0) & within).any()


def test_the_second_opinion_sees_a_wrong_process() -> None:
    """A sharp pocket given to the mill, and an open channel kept from the wheel, are found."""
    solid = cq.Workplane().box(40, 30, 20).faces(">Z").workplane().rect(12, 3).cutBlind(-6).val().wrapped
    choices = Choices(threads={"all": "plain"}, processes={"pocket": "surface grind"})
    recognition = recognise(build_part(solid), threads=choices.threads)
    route = make_plan(recognition, load_shop(), choices)
    job = JobContext(recognition.part, recognition.features, load_shop(), choices)
    assert second_opinion(job, route, solid).left > 0.5


def test_the_second_opinion_sees_a_process_passed_over() -> None:
    """A channel that runs right through, kept from the wheel without a reason, is found."""
    solid = cq.Workplane().box(40, 30, 20).cut(cq.Workplane().box(60, 8, 10).translate((0, 0, 10)))
    job, route, opinion = routed(solid.val().wrapped)
    assert opinion.passed_over == []
    (channel,) = [r for r in route.features if r.process == "surface grind"]
    milled = kept_from(channel, "mill", "no wheel gets there")
    others = [milled if r is channel else r for r in route.features]
    opinion = second_opinion(job, replace(route, features=tuple(others)), solid.val().wrapped)
    assert [said for said in opinion.passed_over if "surface grind refused" in said]


# The narrow one is finer than the lattice.
@pytest.mark.parametrize("name", ["too deep", "undercut"])
def test_the_lattice_confirms_a_run_wired_on_its_side(name: str) -> None:
    """The lattice's wire passes along x what the program wires along x, and not along the thickness."""
    solid = on_its_side()[name].val().wrapped
    job, route, opinion = routed(solid)
    (feature,) = [r for r in route.features if r.process == "wire"]
    assert opinion.uncovered[feature.feature.id] == 0.0
    assert faults(route, opinion) == []
    assert feature.verdict is not None
    upright = Approach(tuple(job.part.frame.direction("+z")), "+z")
    turned_up = replace(feature.verdict, approaches=(upright,))
    region = replace(feature.main, verdicts=(turned_up,))
    others = [replace(r, regions=(region,)) if r is feature else r for r in route.features]
    wrong = second_opinion(job, replace(route, features=tuple(others)), solid)
    assert wrong.uncovered[feature.feature.id] > 0.5


@pytest.mark.parametrize("name", ["too deep", "undercut"])
def test_the_lattice_sees_a_run_that_the_wire_was_kept_from(name: str) -> None:
    solid = on_its_side()[name].val().wrapped
    job, route, _ = routed(solid)
    (feature,) = [r for r in route.features if r.process == "wire"]
    other = next(v.process for v in feature.verdicts if v.workable and v.process != "wire")
    moved = kept_from(feature, other, "no wire gets there")
    others = [moved if r is feature else r for r in route.features]
    opinion = second_opinion(job, replace(route, features=tuple(others)), solid)
    assert [said for said in opinion.passed_over if "wire refused" in said]


def main() -> None:
    count, first = int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 0
    bad, named, unjudged, judged, began = 0, 0, 0, 0, time.monotonic()
    for seed in range(first, first + count):
        _, route, opinion = routed(insert(random.Random(seed)).val().wrapped)
        named += any(flag.code == "no-process" for flag in route.flags)
        unjudged += len(opinion.unjudged)
        judged += sum(bool(r.verdict and r.verdict.workable) for r in route.features) - len(opinion.unjudged)
        if found := faults(route, opinion):
            bad += 1
            print(f"{seed}: {'; '.join(found)}", flush=True)
    print(
        f"{count} inserts, {bad} with a fault, {named} with features that nothing makes (named), "
        f"{judged} features judged for earlier processes, {unjudged} finer than the lattice, "
        f"{time.monotonic() - began:.0f} s"
    )


if __name__ == "__main__":
    main()

"""What is left on is taken off later, and all that leaves the blank leaves it once.

The bookkeeping is checked against the solids themselves: the kernel's volumes of the blank and of the part.
"""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from inserts.compare import planned
from inserts.every import INSERTS

from featurize.brep.build import build_part
from featurize.recognise import recognise
from featurize.step.read import read_step
from routing.export.stock_files import stock_steps
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.plan.make import make_plan
from routing.plan.plan import Pass, Plan
from routing.processes.protocol import Allowance, Stage
from routing.processes.sizes import found_by, whole_volume
from routing.processes.surface_grind.shop import GrindShop
from routing.processes.tools import Drill, TubeElectrode
from routing.stock.ground import ground_stock
from routing.stock.stages import bodies

DEMOS = {f.stem: f for f in (Path(__file__).parents[1] / "demo_models").glob("*.step")}
SOFT = {"material": "steel-60hrc", "supplied": "soft"}
NAMES = [*INSERTS, *DEMOS, *(f"{name}, soft" for name in DEMOS)]
# Of what leaves the blank.
SHARE = 1e-3


@cache
def plan_of(name: str) -> Plan:
    if name in INSERTS:
        with TemporaryDirectory() as folder:
            return planned(INSERTS[name], "as drawn", Path(folder))
    stem, _, soft = name.partition(", ")
    (part,) = read_step(DEMOS[stem], isolate=False).parts
    found = recognise(build_part(part.solid), threads={"all": "plain"})
    return make_plan(found, load_shop(), Choices(**SOFT if soft else {}))


@pytest.mark.parametrize("name", NAMES)
def test_what_a_pass_leaves_a_later_step_takes_off(name: str) -> None:
    plan = plan_of(name)
    for step in plan.steps:
        for own in step.passes:
            if own.leaves == Allowance():
                assert own.taken_off_by is None
                continue
            assert own.taken_off_by is not None, (step.number, step.stage.words, own.feature, own.leaves)
            taker = plan.steps[own.taken_off_by - 1]
            assert taker.number == own.taken_off_by > step.number
            assert own.task.feature.id in {p.task.feature.id for p in taker.passes}


def _cylinder_mm3(plan: Plan, start: Pass) -> float:
    """A hole right through the part; what is open already is less."""
    assert isinstance(start.tool, Drill | TubeElectrode)
    return math.pi / 4 * start.tool.diameter_mm**2 * plan.job.extent_mm(start.task.approach.direction)


@pytest.mark.parametrize("name", [*INSERTS, *DEMOS])
def test_the_steps_take_what_the_blank_has_over_the_part(name: str) -> None:
    plan = plan_of(name)
    job = plan.job
    assert job.blanks is not None
    ground = [p.task for s in plan.steps if s.stage == Stage.GRIND for p in s.passes]
    stock = ground_stock(job.part, ground, job.blanks.squared, job.shop[GrindShop].wheels)
    made = bodies(job.part, job.blanks.bought, list(stock_steps(plan, stock)))
    taken = [a.volume_mm3 - b.volume_mm3 for a, b in zip(made, made[1:], strict=False)]
    for own, body in zip(taken, made[1:], strict=True):
        if body.name == Stage.START_HOLE.words:  # the wire's stock comes with its start holes
            assert own > 0.3 * sum(_cylinder_mm3(plan, p) for p in plan.steps[body.step - 1].passes)
    over = job.blanks.bought.volume_mm3 - job.part.volume_mm3
    assert sum(taken) == pytest.approx(over, rel=SHARE)
    assert min(taken) > -SHARE * over  # none puts anything back
    assert not [(b.step, n) for b in made for n in b.notes if "left as it was" in n or "stays full" in n]


@pytest.mark.parametrize("name", [n for n in NAMES if n in INSERTS or n.endswith("soft")])
def test_roughing_soft_and_the_wheel_share_what_is_there(name: str) -> None:
    """Both are told what they take; together that is the region, as the price has it."""
    plan = plan_of(name)
    took: dict[str, dict[Stage, float]] = {}
    for step in plan.steps:
        for own in step.passes:
            if step.stage in (Stage.SOFT_ROUGH, Stage.GRIND) and own.task.volume_mm3 is not None:
                by = took.setdefault(own.task.feature.id, {})
                by[step.stage] = by.get(step.stage, 0.0) + found_by(plan.job, own.task)[0]
    for region in plan.regions:
        by = took.get(region.piece.id, {})
        if len(by) == 2:
            assert sum(by.values()) <= whole_volume(plan.job, region.piece) * (1 + SHARE)

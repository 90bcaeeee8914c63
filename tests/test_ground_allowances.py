"""Every allowance has an owner: stock, steps and papers agree on what stays on ground faces, for whom."""

from __future__ import annotations

import cadquery as cq
import numpy as np
import pytest

from featurize.brep.build import build_part
from featurize.brep.solids import distance_along
from featurize.feature import Kind
from featurize.recognise import recognise
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs.job import ground_tasks
from routing.plan.make import make_plan
from routing.plan.plan import Plan
from routing.processes.protocol import Allowance, Stage
from routing.processes.surface_grind.shop import GrindShop
from routing.stock.ground import GroundStock, ground_stock
from routing.stock.proof import prove
from tests.support.routed import block

UP = np.array([0.0, 0.0, 1.0])


def planned(body: cq.Workplane, **choices: object) -> Plan:
    found = recognise(build_part(body.val().wrapped), working_side=UP)
    return make_plan(found, load_shop(), Choices(**{"material": "steel-60hrc", **choices}))  # type: ignore[arg-type]


def stock_of(plan: Plan) -> GroundStock:
    assert plan.job.blanks is not None
    wheels = load_shop()[GrindShop].wheels
    stock = ground_stock(plan.job.part, ground_tasks(plan), plan.job.blanks.squared, wheels)
    assert prove(plan.job.part, stock).faults == ()
    return stock


def slot(width: float = 8, depth: float = 5, aside: float = 0, along: str = "x") -> cq.Workplane:
    size = (80, width, 2 * depth) if along == "x" else (width, 80, 2 * depth)
    return cq.Workplane().box(*size).translate((0, aside, 20) if along == "x" else (aside, 0, 20))


def pocket(x: float, y: float, bottom: float) -> cq.Workplane:
    high = cq.Workplane().box(10, 5, 20).edges("|Z").fillet(1.5)
    return high.translate((x, y, bottom + 10))


def owners(plan: Plan) -> dict[str, list[tuple[Allowance, str]]]:
    return {t.feature.id: [(k.allowance, k.taker) for k in t.keeps] for t in ground_tasks(plan)}


def every_allowance_has_an_owner(plan: Plan, stock: GroundStock) -> None:
    """What the stock keeps on a face is what a later step of the owner takes off that face."""
    takes = {
        f: (step.process, step.number) for step in plan.steps for p in step.passes for f in p.task.blends
    }
    ground = {
        p.task.feature.id: step.number
        for step in plan.steps
        for p in step.passes
        if step.stage == Stage.GRIND
    }
    kept = {f: k.taker for t in ground_tasks(plan) for k in t.keeps for f in k.faces}
    assert {f: process for f, (process, _) in takes.items()} == kept
    owner = plan.job.owner
    assert all(number > ground[owner[f].id] for f, (_, number) in takes.items())
    left = {f for f, a in stock.allowances.items() if a != Allowance()}
    assert left == set(kept)
    for step in plan.steps:
        for p in step.passes:
            if step.stage == Stage.GRIND:
                assert (p.leaves != Allowance()) == bool(p.task.keeps)
                assert (p.taken_off_by is not None) == bool(p.task.keeps)


def over_floor(stock: GroundStock, at: tuple[float, float, float]) -> float:
    return float(distance_along(stock.solid, np.array([at]), UP)[0])


def test_what_no_cutter_meets_is_ground_to_size() -> None:
    plan = planned(block(60, 40, 20).cut(slot()).cut(pocket(0, 12, 15)))
    assert list(owners(plan).values()) == [[]]
    stock = stock_of(plan)
    every_allowance_has_an_owner(plan, stock)
    assert over_floor(stock, (20, 0, 15)) == pytest.approx(0.0, abs=1e-9)
    assert not [t for s in plan.steps for p in s.passes if (t := p.task).blends]


def test_a_floor_that_a_pocket_is_milled_into_keeps_it_for_the_mill() -> None:
    plan = planned(block(60, 40, 20).cut(slot()).cut(pocket(10, 0, 12)))
    (kept,) = owners(plan).values()
    assert kept == [(Allowance(0.010, 0.0), "mill")]
    stock = stock_of(plan)
    every_allowance_has_an_owner(plan, stock)
    assert over_floor(stock, (-20, 0, 15)) == pytest.approx(0.010, abs=1e-9)


def test_a_hole_or_a_broken_edge_touches_no_floor_beside_it() -> None:
    body = block(60, 40, 20).cut(slot()).cut(cq.Workplane().circle(2).extrude(30).translate((10, 0, 8)))
    plan = planned(body.faces("<X").edges("<Z").chamfer(1.0))
    assert all(not kept for kept in owners(plan).values())
    every_allowance_has_an_owner(plan, stock_of(plan))


def test_a_walls_allowance_is_the_mills_where_it_finishes_beside_it_and_is_priced() -> None:
    body = block(60, 40, 20).cut(slot()).cut(pocket(10, 3, 12))  # cuts into floor and one wall
    bare, more = planned(body), planned(body, allowance_wall_mm=0.05)
    stock = stock_of(more)
    every_allowance_has_an_owner(more, stock)
    walls = [a for f, a in stock.allowances.items() if a.wall_mm > 0]
    assert walls
    wide = distance_along(stock.solid, np.array([[-20, 4.0, 18]]), np.array([0.0, -1.0, 0.0]))
    far = distance_along(stock.solid, np.array([[-20, -4.0, 18]]), np.array([0.0, 1.0, 0.0]))
    assert float(wide[0]) == pytest.approx(0.05, abs=1e-9)
    assert float(far[0]) == pytest.approx(0.0, abs=1e-9)  # the wall across meets no cutter
    assert more.estimate.minutes > bare.estimate.minutes


def test_floors_in_one_plane_keep_it_together() -> None:
    """A channel across parts the slot's floor; a pocket meets one part of it, the cutter goes over both."""
    body = block(60, 40, 20).cut(slot(depth=3)).cut(slot(6, 6, -5, "y")).cut(pocket(15, 0, 12))
    plan = planned(body)
    stock = stock_of(plan)
    every_allowance_has_an_owner(plan, stock)
    assert over_floor(stock, (-20, 0, 17)) == pytest.approx(0.010, abs=1e-9)
    assert over_floor(stock, (25, 0, 17)) == pytest.approx(0.010, abs=1e-9)


def test_what_a_person_asks_to_be_left_is_left_and_taken() -> None:
    plan = planned(block(60, 40, 20).cut(slot()), allowances={"slot": (0.02, 0.0)})
    (kept,) = owners(plan).values()
    assert kept == [(Allowance(0.02, 0.0), "mill")]
    stock = stock_of(plan)
    every_allowance_has_an_owner(plan, stock)
    assert over_floor(stock, (0, 0, 15)) == pytest.approx(0.02, abs=1e-9)


def test_a_slot_that_no_wheel_passes_with_what_must_stay_is_not_ground() -> None:
    """A wheel of 1 passes 1.1, not the 0.9 between walls that keep 0.1: the mill roughs and finishes it."""
    body = block(60, 40, 20).cut(slot(1.1, 3)).cut(slot(8, 5, 12))
    plan = planned(body, allowances={"slot": (0.0, 0.1)})
    narrow = next(r for r in plan.features if r.feature.dims.get("width_mm", 9) < 2)
    assert narrow.process == "mill"
    answer = next(v for v in narrow.verdicts if v.process == "surface grind")
    assert "no wheel passes 0.900" in answer.reason
    assert narrow.feature.id not in owners(plan)
    stages = [s.stage for s in plan.steps if narrow.feature.id in s.features]
    assert stages.index(Stage.ROUGH) < stages.index(Stage.FINISH)
    stock = stock_of(plan)
    assert stock.left_out == ()
    every_allowance_has_an_owner(plan, stock)


def test_a_blind_slot_keeps_its_floor_for_the_cutter_that_makes_its_end() -> None:
    blind = cq.Workplane().box(80, 8, 10).edges("|Z").fillet(3.9).translate((-15, 0, 20))
    plan = planned(block(80, 40, 20).cut(blind))
    (routed,) = [r for r in plan.features if r.feature.kind == Kind.BLIND_SLOT]
    assert [v.process for v in routed.ahead] == ["surface grind"]
    assert routed.process == "mill"
    stock = stock_of(plan)
    every_allowance_has_an_owner(plan, stock)
    assert over_floor(stock, (-35, 0, 15)) == pytest.approx(0.010, abs=1e-9)

"""The route as a whole: first workable process, forced ones, order with reasons, estimate."""

from __future__ import annotations

from dataclasses import replace

import cadquery as cq
import pytest

from featurize.brep.build import build_part
from featurize.feature import Kind
from featurize.recognise import recognise
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.plan.choice import NONE
from routing.plan.make import make_plan
from routing.plan.plan import Plan, PlannedStep
from routing.plan.steps import STATIONS
from routing.processes.flags import Severity
from routing.processes.rooms import all_processes
from routing.processes.shop import Shop
from tests.support.routed import UP, block, owned, shop_with


def insert() -> cq.Workplane:
    """A channel, a milled pocket, a sharp pocket, an opening and a relieved M5 from below."""
    solid = block(60, 40, 20)
    solid = solid.cut(cq.Workplane().box(80, 8, 6).translate((0, 14, 20)))
    solid = solid.cut(cq.Workplane().box(10, 8, 4).edges("|Z").fillet(2).translate((-20, -6, 20)))
    solid = solid.cut(cq.Workplane().box(8, 6, 4).translate((0, -6, 20)))
    solid = solid.cut(cq.Workplane().box(8, 6, 60).edges("|Z").fillet(1).translate((18, -6, 0)))
    thread = cq.Workplane().circle(2.1).extrude(12).union(cq.Workplane().circle(2.7).extrude(1.4))
    return solid.cut(thread.translate((-20, 2, 0)))


def routed(solid: cq.Workplane, shop: Shop | None = None, thread: str = "M5", **choices: object) -> Plan:
    found = recognise(build_part(solid.val().wrapped), working_side=UP, threads={"all": thread})
    return make_plan(found, shop or load_shop(), Choices(**choices))  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def route() -> Plan:
    return routed(insert())


def of_stage(route: Plan, stage: str) -> PlannedStep:
    (found,) = [o for o in route.steps if o.stage.words == stage]
    return found


def test_each_feature_gets_the_process_a_die_maker_expects(route: Plan) -> None:
    found = {(r.feature.kind, r.process) for r in route.features if r.feature.kind != Kind.OUTSIDE_FACE}
    assert found == {
        (Kind.SLOT, "surface grind"),
        (Kind.POCKET, "mill"),
        (Kind.POCKET, "sink-erode"),
        (Kind.THROUGH_PROFILE, "wire"),
        (Kind.THREADED_HOLE, "mill"),
    }
    assert {r.process for r in route.features if r.feature.kind == Kind.OUTSIDE_FACE} == {NONE}


def test_all_four_are_asked_and_the_first_workable_is_chosen(route: Plan) -> None:
    for r in route.features:
        if r.feature.kind == Kind.OUTSIDE_FACE:
            assert r.verdicts == ()
            continue
        assert [v.process for v in r.verdicts] == [p.name for p in all_processes()]
        assert r.process == next(v.process for v in r.verdicts if v.workable)
        assert all(v.reason and "\n" not in v.reason and not v.reason.endswith(".") for v in r.verdicts)


def test_the_order_keeps_the_rules_of_the_trade(route: Plan) -> None:
    numbers = [o.number for o in route.steps]
    assert numbers == list(range(1, len(numbers) + 1))
    for o in route.steps:
        assert all(n < o.number for n in o.after)
        assert len(o.because) == len(o.after)
        assert all(o.because)
    first = route.steps[0]
    assert (first.stage.words, first.process) == ("square", "surface grind")
    assert (
        of_stage(route, "drill").number < of_stage(route, "relief").number < of_stage(route, "thread").number
    )
    assert of_stage(route, "thread").number < of_stage(route, "grind").number
    assert of_stage(route, "start hole").number < of_stage(route, "wire").number
    assert of_stage(route, "grind").number < of_stage(route, "rough").number
    assert (
        of_stage(route, "rough").number
        < of_stage(route, "semi finish").number
        < of_stage(route, "finish").number
    )
    assert of_stage(route, "finish").number < of_stage(route, "erode").number
    last = route.steps[-1]
    edges = of_stage(route, "seat edges")
    assert edges.from_side == "-z"
    bears = [o for o in route.steps if o.from_side == "+z" and o.process in route.job.processes]
    assert bears
    assert all(edges.number < o.number for o in bears)
    assert (last.stage.words, last.process) == ("inspect", "inspect")


def test_every_routed_feature_is_in_an_operation_of_its_process(route: Plan) -> None:
    for r in route.features:
        if r.process != NONE:
            assert any(r.feature.id in o.features and o.process == r.process for o in route.steps)


def test_setups_change_only_with_machine_or_side(route: Plan) -> None:
    for a, b in zip(route.steps[:-1], route.steps[1:], strict=True):
        on_bench = b.process in STATIONS  # done where the part lies, or on the bench
        same = (a.process, a.from_side) == (b.process, b.from_side)
        assert on_bench or (a.setup == b.setup) == same


def test_a_ground_floor_is_finished_by_the_mill_only_where_that_cuts_into_it(route: Plan) -> None:
    (slot,) = [r.feature.id for r in route.features if r.feature.kind == Kind.SLOT]
    assert slot not in of_stage(route, "finish").features  # sparked out to size
    into = block().cut(cq.Workplane().box(60, 8, 8).translate((0, 4, 20)))
    into = into.cut(cq.Workplane().box(12, 6, 12).edges("|Z").fillet(2).translate((5, 4, 20)))
    (slot,) = [r.feature.id for r in routed(into).features if r.feature.kind == Kind.SLOT]
    assert slot in of_stage(routed(into), "finish").features
    bare = routed(into, allowance_floor_mm=0.0)
    assert slot not in of_stage(bare, "finish").features


def test_a_forced_process_is_followed_and_flagged() -> None:
    route = routed(insert(), processes={"pocket": "mill"})
    pockets = [r for r in route.features if r.feature.kind == Kind.POCKET]
    assert {r.process for r in pockets} == {"mill"}
    (flag,) = [f for f in route.flags if f.code == "forced-process"]
    assert flag.severity == Severity.BLOCKING
    assert "sharp inside corner" in flag.message
    assert "stays behind" in flag.message


def test_what_nothing_makes_is_blocking_and_says_why() -> None:
    shop = load_shop()
    shop = shop_with(shop, electrodes=replace(owned("electrodes", shop), max_depth_mm=1.0))
    route = routed(insert(), shop)
    (flag,) = [f for f in route.flags if f.code == "no-process"]
    assert flag.severity == Severity.BLOCKING
    assert all(f"{p.name}: " in flag.message for p in all_processes())
    assert route.process_of(str(flag.feature)) == NONE


def test_a_start_hole_is_eroded_in_carbide(route: Plan) -> None:
    assert of_stage(route, "start hole").process == "mill"
    assert of_stage(routed(insert(), material="carbide-12"), "start hole").process == "sink-erode"


def test_a_thin_wall_is_cut_lightly() -> None:
    solid = block()
    for y in (-3.0, 0.8):  # leaves 0.8 between two channels
        solid = solid.cut(cq.Workplane().box(60, 3, 8).translate((0, y, 20)))
    route = routed(solid)
    assert any("reduced feed" in note and "0.80 thick" in note for o in route.steps for note in o.notes)
    assert not any("reduced feed" in note for o in routed(insert()).steps for note in o.notes)


def test_a_thin_opening_is_opened_before_a_cut_crosses_it() -> None:
    solid = block()
    for y in (-3.0, 0.8):
        solid = solid.cut(cq.Workplane().box(60, 3, 8).translate((0, y, 20)))
    solid = solid.cut(cq.Workplane().box(6, 60, 4).translate((0, 0, 20)))
    route = routed(solid)
    opened = of_stage(route, "open")
    assert all(opened.number < o.number for o in route.steps if o.stage.words == "grind")
    assert any("before a later cut crosses it" in r for o in route.steps for r in o.because)


def test_the_estimate_is_a_sum_and_says_that_it_is_one(route: Plan) -> None:
    e = route.estimate
    assert e.minutes == pytest.approx(sum(line.minutes for line in e.lines))
    for o in route.steps:
        line = e.of_operation(o.number)
        assert o.minutes == pytest.approx(line.run_min + line.idle_min)
    assert len([line for line in e.lines if line.set_up_min and line.operation]) == e.setups
    assert e.minutes_low < e.minutes < e.minutes_high
    assert e.cost_low < e.cost < e.cost_high
    assert "estimate" in e.note
    assert all(o.minutes > 0 for o in route.steps)


def test_cautions_go_with_grinding_and_eroding(route: Plan) -> None:
    for stage, word in (("grind", "cobalt"), ("wire", "fumes"), ("erode", "fire")):
        assert any(word in n and "local codes" in n for n in of_stage(route, stage).notes)


def test_a_hole_that_may_be_threaded_is_drilled_and_waits() -> None:
    found = recognise(build_part(block().faces("<Z").workplane().circle(2.1).cutBlind(-10).val().wrapped))
    route = make_plan(found, load_shop(), Choices())
    (hole,) = [r for r in route.features if r.feature.kind == Kind.HOLE]
    assert hole.verdict is not None
    assert hole.verdict.reason.endswith("thread to be settled")
    assert any(f.severity == Severity.BLOCKING for f in hole.flags)
    assert "thread" not in {o.stage.words for o in route.steps}

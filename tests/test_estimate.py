"""Minutes and money: closed forms, common practice, what must grow, how ranges and batches add up."""

from __future__ import annotations

import math
from dataclasses import replace

import cadquery as cq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from featurize.brep.build import build_part
from featurize.feature import Kind
from featurize.recognise import recognise
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.plan.estimate.price import Bill, PriceLine, combined, with_scrap
from routing.plan.make import make_plan
from routing.plan.plan import Plan
from routing.processes.mill import effort as milling
from routing.processes.protocol import MadeTool
from routing.processes.shop import Range
from routing.processes.sink_erode import effort as sinking
from routing.processes.sink_erode.stages import FINISH, ROUGH, BurnRegion, burns_of
from routing.processes.surface_grind import effort as grinding
from routing.processes.tools import Wheel, Wire
from routing.processes.wire import effort as wiring
from tests.support.routed import UP, block, owned

SHOP = load_shop()
RATES = SHOP.rates
CARBIDES = (SHOP.materials["tough_carbide"], SHOP.materials["hard_carbide"])

size = st.floats(0.01, 200)
more = st.floats(0, 100)


def routed(solid: cq.Workplane, thread: str = "plain", **choices: object) -> Plan:
    found = recognise(build_part(solid.val().wrapped), working_side=UP, threads={"all": thread})
    return make_plan(found, SHOP, Choices(**choices))  # type: ignore[arg-type]


# Common practice, no source.


@pytest.mark.parametrize("rule", CARBIDES)
def test_common_practice_m5_in_carbide_takes_about_3_minutes_a_hole(rule) -> None:  # type: ignore[no-untyped-def]
    """Common practice, no source: a blind M5 12 deep, drilled, relieved, chamfered and thread-milled."""
    mill, holes, scale = owned("rates.mill"), owned("rates.holes"), rule.hole_scale
    relief = math.pi / 4 * (5.4**2 - 4.2**2) * 1.4
    steps = (
        milling.drill(12, 4.2, holes, scale=scale),
        milling.opened(relief, 3.8, mill, holes, scale=scale),
        milling.turned(5.4, 0.0, mill, holes, scale=scale),
        milling.thread_mill(10.6, 5, 0.8, holes, scale=scale),
    )
    assert 2.5 <= sum(step.minutes for step in steps) <= 4


def test_common_practice_m5_in_carbide_on_a_part() -> None:
    """The same through the whole program: two M5 with relief and a flat floor, that not counted."""
    core = cq.Workplane().circle(2.1).extrude(12).union(cq.Workplane().circle(2.7).extrude(1.4))
    solid = block().cut(core.translate((-10, 0, 0))).cut(core.translate((10, 0, 0)))
    e = routed(solid, "M5", material="carbide-12").estimate
    made = ("drill", "relief", "countersink", "thread")
    minutes = sum(line.run_min + line.idle_min for line in e.lines if line.what in made)
    assert 2 * 2.5 <= minutes <= 2 * 4


@pytest.mark.parametrize("material", ["steel-60hrc", "carbide-12", "carbide-20"])
def test_common_practice_a_shallow_feature_with_a_cutter_under_2_mm_takes_under_an_hour(
    material: str,
) -> None:
    """Common practice, no source: 12 x 8, 1 deep, corners R1: a cutter of 1.8 finishes it."""
    pocket = cq.Workplane().box(12, 8, 2).edges("|Z").fillet(1.0).translate((0, 0, 20))
    found = routed(block().cut(pocket), material=material)
    (made,) = [r for r in found.features if r.feature.kind == Kind.POCKET]
    assert made.verdict is not None
    assert 1.5 < made.verdict.tool.diameter_mm < 2
    milled = [line for line in found.estimate.lines if line.what in ("rough", "semi finish", "finish")]
    assert len(milled) == 3
    assert 3 < sum(line.run_min + line.idle_min for line in milled) < 60


# Closed forms.


def test_wire_minutes_are_area_over_rate_for_each_pass() -> None:
    rates = replace(owned("rates.wire"), mm2_per_min=60, lost_height_mm=0)
    cut = wiring.wire_cut(312, 24, rates, speeds=(1, 2, 4), scale=1, wire_mm=0.25)
    assert cut.run_min == pytest.approx(312 / 60 * (1 + 1 / 2 + 1 / 4))
    assert cut.idle_min == 0  # threading and slug are the path's
    assert cut.basis == ("312 mm2, 3 cuts at 60 120 240 mm2/min with wire 0.25 at height 24",)


def test_wire_half_as_thick_takes_four_times_as_long_and_thin_work_loses_rate() -> None:
    rates = replace(owned("rates.wire"), full_wire_mm=0.2)
    whole, half = (wiring.wire_cut(100, 20, rates, speeds=(1, 2), scale=1, wire_mm=d) for d in (0.2, 0.1))
    assert half.run_min == pytest.approx(4 * whole.run_min)
    # At a height equal to the lost one the area takes twice as long.
    thin = wiring.wire_cut(100, rates.lost_height_mm, rates, speeds=(1,), scale=1, wire_mm=0.2)
    endless = wiring.wire_cut(100, 1e9, rates, speeds=(1,), scale=1, wire_mm=0.2)
    assert thin.run_min == pytest.approx(2 * endless.run_min)


def test_grinding_is_passes_times_strokes() -> None:
    rates = replace(
        owned("rates.grind"),
        infeed_mm=0.01,
        fine_infeed_mm=0.002,
        fine_mm=0.01,
        spark_out_passes=4,
        cross_share=0.5,
    )
    rates = replace(rates, table_mm_per_min=10_000, reversal_min=0, overrun_mm=30, dress_every_mm3=1e9)
    # By hand: 0.99 / 0.01 + 0.01 / 0.002 + 4 = 108 passes; 20 wide under a 10 wheel: 1 + 10 / 5 = 3 strokes
    # of 70 mm at 10 m/min.
    cut = grinding.grind(1.0, 20, 40, Wheel(10, 200, 0.05, 30), rates, scale=1)
    assert cut.run_min == pytest.approx(108 * 3 * 70 / 10_000)
    assert cut.idle_min == rates.dress_min
    assert "108 passes" in cut.basis[0]


NARROW = Wheel(5, 200, 0.05, 20)


def test_a_wheel_is_paid_by_what_its_dressings_take_of_its_grit() -> None:
    """By hand: 800 mm3 at 200 between dressings are four, 0.05 each, so 0.2 of 5 mm of a wheel of 100."""
    rates = replace(owned("rates.grind"), dress_every_mm3=200, dress_mm=0.05)
    wheel = Wheel(10, 200, 0.05, 30, layer_mm=5, price=100)
    assert grinding.grind(1.0, 20, 40, wheel, rates, scale=1).each_cost == pytest.approx(4.0)
    bare = replace(wheel, layer_mm=0)
    assert grinding.grind(1.0, 20, 40, bare, rates, scale=1).each_cost == pytest.approx(0)


def test_wire_is_paid_by_the_metre() -> None:
    """By hand: a spool of 5 kg of 0.25 mm brass, 8.5 g/cm3, is 5000 / 8.5 / (pi x 0.0125^2) cm long."""
    spool_m = 5000 / 8.5 / (math.pi * 0.0125**2) / 100
    assert spool_m == pytest.approx(12_000, rel=0.01)  # the shop file's own
    assert Wire(0.25, 0.02, spool_m=spool_m, price=60).cost_of(spool_m / 4) == pytest.approx(15)


def test_milling_is_volume_and_area_over_rates_and_agrees_with_the_roughing_of_the_stock() -> None:
    full = owned("rates.mill").full_cutter_mm
    assert milling.rough(120, full, owned("rates.mill"), scale=0.5).run_min == pytest.approx(
        120 / (owned("rates.mill").mm3_per_min * 0.5)
    )
    half = milling.finish(50, full / 2, owned("rates.mill"), scale=1)
    assert half.run_min == pytest.approx(2 * 50 / owned("rates.mill").finish_mm2_per_min)


def test_a_thread_is_a_helix() -> None:
    # Length of a helix, neglecting its rise: turns x pi x (thread - cutter).
    thread = milling.thread_mill(8, 5, 0.8, owned("rates.holes"), scale=1)
    path = 11 * math.pi * 5 * (1 - owned("rates.holes").thread_mill_share)
    assert thread.run_min == pytest.approx(path / owned("rates.holes").thread_mm_per_min)


def region(volume: float, area: float, scale: float = 1.0) -> BurnRegion:
    return BurnRegion(volume, area, area / 3, 50.0, math.inf, False, 1.0, 1, "steel", scale)


def test_erosion_is_volume_and_area_and_an_electrode_for_each_stage() -> None:
    rates = replace(owned("rates.erode"), mm3_per_min=10, mm3_per_min_cm2=20, finish_mm2_per_min=5)
    found = region(500, 300, 0.5)
    burns = burns_of(found, owned("electrodes"))
    assert [b.stage for b in burns] == [ROUGH, FINISH]
    made = tuple(MadeTool("F01", b.stage, 0, s) for b, s in zip(burns, (1.0, 4.0), strict=True))
    sunk = sinking.erode(found, burns, rates, made)
    # Of 500 the walls keep 0.05: 485 at half of 10; 1 cm2 of end bears 20, more than that.
    assert sunk.run_min == pytest.approx(485 / 5 + 300 / 2.5)
    assert sunk.idle_min == pytest.approx((1 + 4) * rates.change_min)
    # An end of a tenth of that bears 2, of which half again.
    small = replace(found, front_mm2=10)
    assert sinking.erode(small, burns, rates, ()).run_min == pytest.approx(485 / 1 + 300 / 2.5)
    # Finishing that finds the bulk itself goes by its volume.
    rates = replace(rates, finish_mm3_per_min=1)
    alone = burns_of(replace(found, width_mm=0.4), owned("electrodes"))
    assert sinking.erode(found, alone, rates, ()).run_min == pytest.approx(500 / 0.5)


def test_carbide_weighs_what_the_rule_of_mixtures_says() -> None:
    """Densities of WC and Co (15.63 and 8.9 g/cm3) from memory; the shares by mass are the rules' middles."""
    for rule, cobalt in zip(CARBIDES, (0.20, 0.10), strict=True):
        assert rule.density_g_per_cm3 == pytest.approx(1 / (cobalt / 8.9 + (1 - cobalt) / 15.63), abs=0.1)


# What must grow.


@given(size, more, st.floats(0.3, 20), st.sampled_from([0.2, 0.35, 0.5, 1.0]))
def test_more_depth_never_takes_less_time(depth: float, deeper: float, width: float, scale: float) -> None:
    def minutes(d: float) -> list[float]:
        area, volume = d * 30, d * 30 * width
        return [
            e.minutes
            for e in (
                wiring.wire_cut(area, d, owned("rates.wire"), speeds=(1, 2), scale=scale, wire_mm=0.2),
                sinking.start_hole(d, 1, owned("rates.erode"), scale=scale),
                grinding.grind(d, width, 30, Wheel(5, 200, 0.05, 20), owned("rates.grind"), scale=scale),
                grinding.grind(
                    d, width, 30, Wheel(5, 200, 0.05, 20), owned("rates.grind"), scale=scale, fine_only=True
                ),
                milling.rough(volume, 2, owned("rates.mill"), scale=scale),
                milling.finish(area, 2, owned("rates.mill"), scale=scale),
                milling.drill(d, width, owned("rates.holes"), scale=scale),
                milling.thread_mill(d, 5, 0.8, owned("rates.holes"), scale=scale),
                sinking.erode(
                    region(volume, area, scale),
                    burns_of(region(volume, area, scale), owned("electrodes")),
                    owned("rates.erode"),
                    (),
                ),
            )
        ]

    assert all(b >= a * (1 - 1e-9) for a, b in zip(minutes(depth), minutes(depth + deeper), strict=True))


_lines = st.lists(
    st.builds(
        PriceLine,
        what=st.just("work"),
        process=st.sampled_from([*RATES.per_hour]),
        basis=st.just(()),
        set_up_min=st.floats(0, 60),
        run_min=st.floats(0, 500),
        idle_min=st.floats(0, 60),
        each_cost=st.floats(0, 300),
        tools=st.lists(
            st.builds(
                MadeTool,
                feature=st.just("F01"),
                kind=st.just(ROUGH),
                group=st.just(0),
                share=st.floats(0.001, 5),
                cost=st.floats(0, 50),
            ),
            max_size=3,
        ).map(tuple),
        tool_min=st.floats(0, 90),
        operation=st.sampled_from([None, 1]),
    ),
    min_size=1,
    max_size=8,
)


@given(_lines, st.integers(1, 40), st.integers(0, 40))
def test_a_larger_batch_is_never_dearer_apiece(lines: list[PriceLine], pieces: int, extra: int) -> None:
    bill = Bill(with_scrap(lines, RATES), RATES)
    few, many = bill.cost(pieces), bill.cost(pieces + extra)
    assert many.value <= few.value * (1 + 1e-9)
    assert bill.minutes(pieces + extra).value <= bill.minutes(pieces).value * (1 + 1e-9)
    # ... and all of it never cheaper than less of it.
    assert (pieces + extra) * many.value >= pieces * few.value * (1 - 1e-9)


@given(_lines)
def test_a_range_holds_its_value_and_is_no_wider_than_the_sum_of_the_lines_ranges(
    lines: list[PriceLine],
) -> None:
    bill = Bill(tuple(lines), RATES)
    total = bill.cost()
    low = sum(bill.cost_of(line) * bill.range_of(line).low for line in lines)
    high = sum(bill.cost_of(line) * bill.range_of(line).high for line in lines)
    assert low - 1e-6 <= total.low <= total.value <= total.high <= high + 1e-6


# Sums.


def test_ranges_add_within_a_process_and_in_quadrature_between() -> None:
    rates = replace(RATES, range={"wire": Range(0.7, 1.3), "mill": Range(0.6, 1.4)})
    # By hand: 100 at 30 % and 100 at 40 % are a 3-4-5 triangle.
    both = combined({"wire": 100, "mill": 100}, rates)
    assert (both.low, both.value, both.high) == pytest.approx((150, 200, 250))
    rates = replace(rates, per_hour={"wire": 60, "mill": 60})
    pair = Bill(tuple(PriceLine("cut", "wire", (), run_min=50) for _ in range(2)), rates).minutes()
    assert (pair.low, pair.high) == pytest.approx((70, 130))


def test_set_up_is_shared_and_electrodes_are_made_once_or_as_they_wear() -> None:
    tools = (MadeTool("F01", ROUGH, 0, 0.1, cost=20), MadeTool("F01", FINISH, 0, 0.4, cost=10))
    line = PriceLine("erode", "mill", (), set_up_min=30, run_min=10, idle_min=2, tools=tools, tool_min=60)
    assert line.minutes(1) == pytest.approx(30 + 12 + 2 * 60)
    assert line.minutes(5) == pytest.approx(6 + 12 + (0.2 + 0.4) * 60)
    assert line.cost(60, 5) == pytest.approx(line.minutes(5) + 0.2 * 20 + 0.4 * 10)


def test_scrap_is_paid_with_all_its_work() -> None:
    rates = replace(RATES, per_hour={"wire": 60}, scrap_share={"wire": 0.1})
    lines = [
        PriceLine("cut", "wire", (), set_up_min=500, run_min=80, operation=1),
        PriceLine("blank", "material", (), each_cost=10),
    ]
    # By hand: of ten one is lost, so each good piece bears a ninth of 90.
    assert with_scrap(lines, rates)[-1].each_cost == pytest.approx(10)


# The estimate of a part.


@pytest.fixture(scope="module")
def priced() -> Plan:
    solid = block(60, 40, 20).cut(cq.Workplane().box(80, 8, 6).translate((0, 14, 20)))
    solid = solid.cut(cq.Workplane().box(10, 8, 4).edges("|Z").fillet(2).translate((-20, -6, 20)))
    return routed(solid.cut(cq.Workplane().box(8, 6, 60).edges("|Z").fillet(1).translate((18, -6, 0))))


def test_the_sum_is_of_its_lines_and_every_line_has_a_basis(priced: Plan) -> None:
    e = priced.estimate
    assert e.minutes == pytest.approx(sum(line.minutes for line in e.lines))
    assert e.cost == pytest.approx(sum(line.cost for line in e.lines))
    assert all(line.basis for line in e.lines)
    assert {line.operation for line in e.lines} - {None} == {o.number for o in priced.steps}
    assert e.quantities[0].cost == pytest.approx(e.cost)
    assert [q.pieces for q in e.quantities] == list(RATES.quantities)
    costs = [q.cost for q in e.quantities]
    assert costs == sorted(costs, reverse=True)


def test_wire_area_and_blank_are_the_part_s_own(priced: Plan) -> None:
    by_what = {line.what: line for line in priced.estimate.lines}
    # By hand: outline 28 less 8 R (1 - pi / 4) for R1 corners, 20 high.
    area = (28 - 8 * (1 - math.pi / 4)) * 20
    said = [b for b in by_what["wire"].basis if "mm2, " in b]
    assert [float(b.split(" mm2")[0].split()[-1]) for b in said] == [pytest.approx(area, rel=1e-3)] * 2
    margin = RATES.blank_margin_mm
    mass = (60 + 2 * margin) * (40 + 2 * margin) * (20 + 2 * margin) * 7.8e-6
    assert by_what["blank"].cost == pytest.approx(mass * 15)


def test_the_slot_s_volume_is_ground_and_the_pocket_s_is_milled(priced: Plan) -> None:
    by_what = {line.what: line for line in priced.estimate.lines}
    ground = float(by_what["grind"].basis[0].split(" mm3")[0].split()[-1])
    assert ground == pytest.approx(60 * 8 * 3, rel=0.03)  # by hand; a height grid to a pitch
    milled = float(by_what["rough"].basis[0].split(" mm3")[0].split()[-1])
    assert milled == pytest.approx((10 * 8 - (4 - math.pi) * 4) * 2, rel=0.05)


def test_the_what_if_is_the_same_part_by_other_means(priced: Plan) -> None:
    slot = next(r.feature.id for r in priced.features if r.feature.kind == Kind.SLOT)
    others = {w.process: w for w in priced.estimate.what_if}
    assert set(others) == {"mill", "sink-erode"}
    assert slot in others["mill"].features
    for w in others.values():
        assert w.more == pytest.approx(w.cost - priced.estimate.cost)
        for name in w.features:
            verdicts = {v.process: v.workable for v in priced.verdicts[name]}
            assert verdicts[w.process]
            assert priced.process_of(name) != w.process


def test_a_what_if_costs_what_a_route_forced_to_it_costs(priced: Plan) -> None:
    solid = block(60, 40, 20).cut(cq.Workplane().box(80, 8, 6).translate((0, 14, 20)))
    free = routed(solid)
    (mill,) = [w for w in free.estimate.what_if if w.process == "mill"]
    forced = routed(solid, processes={"slot": "mill"})
    assert mill.features
    assert mill.cost == pytest.approx(forced.estimate.cost)
    assert mill.minutes == pytest.approx(forced.estimate.minutes)


def test_every_workable_process_of_a_feature_has_a_price(priced: Plan) -> None:
    for entry in priced.estimate.features:
        workable = [v.process for v in priced.verdicts[entry.feature] if v.workable]
        assert [o.process for o in entry.options] == workable
        assert [o.process for o in entry.options if o.chosen] == [priced.process_of(entry.feature)]
        assert all(o.minutes > 0 and o.cost > 0 and o.basis for o in entry.options)


@settings(max_examples=5, deadline=None)
@given(st.floats(1, 6), st.floats(0.5, 6))
def test_a_deeper_slot_never_takes_less(depth: float, deeper: float) -> None:
    def minutes(d: float) -> float:
        cut = cq.Workplane().box(60, 8, 2 * d).translate((0, 0, 20))
        return sum(o.minutes for o in routed(block().cut(cut)).steps if o.stage.words == "grind")

    assert minutes(depth + deeper) >= minutes(depth)

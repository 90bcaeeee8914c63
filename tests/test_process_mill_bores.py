"""Round holes, tool by tool: what a drill leaves, what opens and tapers the rest, how long it takes."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import cadquery as cq
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from featurize.brep.build import build_part
from featurize.feature import Feature, Kind
from featurize.recognise import recognise
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.plan.make import make_plan
from routing.plan.plan import Pass, Plan
from routing.processes.context import JobContext
from routing.processes.mill.verdict import BoreStep, MillVerdict
from routing.processes.protocol import Stage
from routing.processes.tools import BoringHead, Cutter, Drill
from tests.support.routed import UP, asked, block, job_of, owned, shop_with

HALF = math.radians(59)


def turned(*points: tuple[float, float]) -> cq.Workplane:
    """A body of revolution about z from (radius, z)."""
    return cq.Workplane("XZ").polyline(points).close().revolve(360, (0, 0, 0), (0, 1, 0))


def bored(*stages: tuple[float, float], z: float = 30, tip: float = 0.0) -> cq.Workplane:
    """A block with a hole of (diameter, depth of its end) from its top; ``tip`` is its point's height."""
    points = [(0.0, z)]
    at = z
    for diameter, end in stages:
        points += [(diameter / 2, at), (diameter / 2, z - end)]
        at = z - end
    return block(60, 60, z).cut(turned(*points, (0.0, at - tip)))


def judged(body: cq.Workplane, material: str = "steel-60hrc", **tables: Any) -> MillVerdict:
    job = job_of(body, shop_with(**tables), material=material)
    return verdict_of(job, hole_of(job.features))


def hole_of(features: Sequence[Feature]) -> Feature:
    (hole,) = [f for f in features if f.bores]
    return hole


def verdict_of(job: JobContext, hole: Feature) -> MillVerdict:
    verdict = asked(job, hole, "mill")
    assert isinstance(verdict, MillVerdict)
    return verdict


def planned(body: cq.Workplane, material: str, **threads: str) -> Plan:
    found = recognise(build_part(body.val().wrapped), working_side=UP, threads=threads or {"all": "plain"})
    return make_plan(found, load_shop(), Choices(material=material))


def bore_step(plan: Plan, made: Pass) -> BoreStep:
    assert isinstance(made.task.verdict, MillVerdict)
    (step,) = made.task.verdict.steps_of(made.task)
    return step


def told(steps: Sequence[BoreStep]) -> list[tuple[str, float, float, str]]:
    return [(s.stage.words, s.diameter_mm, round(s.to_mm, 3), s.bottom) for s in steps]


# What a drill leaves.


@pytest.mark.parametrize("diameter", [3.2, 5.0, 8.5])
def test_a_drilled_hole_ends_in_the_drill_s_point(diameter: float) -> None:
    tip = diameter / 2 / math.tan(HALF)  # the radius over the tangent of half of 118 degrees
    (step,) = judged(bored((diameter, 18.0), tip=tip)).bore
    assert told([step]) == [("drill", diameter, 18.0, "point 118")]
    assert isinstance(step.tool, Drill)
    assert step.tool.point_mm == pytest.approx(tip)


def test_a_through_hole_of_a_drill_s_size_is_drilled_and_no_more() -> None:
    assert told(judged(bored((6.0, 40.0))).bore) == [("drill", 6.0, 30.0, "through")]


def test_the_default_drills_are_those_of_the_standards() -> None:
    """ISO 2306 tap drills of coarse threads and DIN 338 flute lengths, both from memory."""
    shop = load_shop()
    drills = {d.diameter_mm: d for some in owned("drills", shop) for d in some}
    for tap in (1.25, 1.6, 2.05, 2.5, 3.3, 4.2, 5.0, 6.8, 8.5, 10.2, 12.0, 14.0, 15.5, 17.5, 19.5):
        assert tap in drills
    lengths = {1.0: 12, 2.0: 24, 3.0: 33, 4.2: 43, 5.0: 52, 6.8: 69, 8.5: 75, 10.2: 87, 12.0: 101}
    assert {d: drills[d].length_mm for d in lengths} == lengths
    assert all(d.point_deg == 118 for d in drills.values())


@pytest.mark.parametrize(("depth", "workable"), [(19.0, True), (21.0, False)])
def test_a_drill_reaches_ten_diameters(depth: float, workable: bool) -> None:
    verdict = judged(bored((2.0, depth), tip=1 / math.tan(HALF)))
    assert verdict.workable == workable, verdict.reason
    if not workable:
        assert "depth 21 is 10.5 diameters of 2, over 10" in verdict.reason


def test_a_drill_reaches_no_deeper_than_it_is_long() -> None:
    short = tuple(replace(some, length_mm=15.0) for some in owned("drills"))
    tip = 3 / math.tan(HALF)
    assert judged(bored((6.0, 15 - tip - 0.05), tip=tip), drills=short).workable
    refused = judged(bored((6.0, 15 - tip + 0.05), tip=tip), drills=short)
    assert not refused.workable
    assert "over the 15 of the drill 6" in refused.reason


# What a drill does not make.


def test_a_flat_bottom_is_a_flat_cutter_s() -> None:
    """The point touches the floor and goes no deeper."""
    drilled, floor = judged(bored((6.0, 20.0))).bore
    assert told([drilled]) == [("drill", 6.0, round(20 - 3 / math.tan(HALF), 3), "point 118")]
    assert (floor.stage, floor.bottom, floor.to_mm) == (Stage.BORE, "flat", 20.0)
    assert isinstance(floor.tool, Cutter)
    assert floor.tool.form == "flat"
    assert floor.tool.diameter_mm <= 6.0 - 2 * owned("milling").corner_margin_mm
    assert floor.from_mm == pytest.approx(drilled.to_mm)
    # What is left for it is the cylinder less the cone of the point.
    cone = math.pi * 3**2 * (3 / math.tan(HALF)) / 3
    assert floor.found_mm3 == pytest.approx(math.pi * 3**2 * (20 - drilled.to_mm) - cone, rel=1e-6)


def test_a_counterbore_is_opened_in_a_helix() -> None:
    drilled, ring = judged(bored((9.5, 5.4), (5.5, 40.0))).bore
    assert told([drilled]) == [("drill", 5.5, 30.0, "through")]
    assert told([ring]) == [("bore", 9.5, 5.4, "flat")]
    assert isinstance(ring.tool, Cutter)
    assert ring.found_mm3 == pytest.approx(math.pi / 4 * (9.5**2 - 5.5**2) * 5.4, rel=1e-6)


@pytest.mark.parametrize(("bottom", "stages"), [("flat", ((9.53, 14.0),)), ("through", ((9.53, 40.0),))])
def test_a_size_that_no_drill_has_is_drilled_under_and_opened(
    bottom: str, stages: tuple[tuple[float, float], ...]
) -> None:
    drilled, opened = judged(bored(*stages)).bore
    assert drilled.diameter_mm == max(
        d.diameter_mm for s in owned("drills") for d in s if d.diameter_mm <= 9.33
    )
    assert (opened.diameter_mm, opened.bottom) == (9.53, bottom)
    assert isinstance(opened.tool, Cutter)


def test_where_no_cutter_reaches_the_boring_head_sizes_what_is_open_below() -> None:
    short = tuple(c for c in owned("cutters") if c.neck_mm < 12)
    steps = judged(bored((9.53, 40.0)), cutters=short).bore
    assert steps[-1].tool == BoringHead(9.53)
    closed = judged(bored((9.53, 20.0)), cutters=short)
    assert not closed.workable
    assert "no flat cutter opens" in closed.reason


def test_shaped_floors_are_finished_by_ball_or_bull() -> None:
    tube = cq.Workplane().circle(4).extrude(20).translate((0, 0, 14))
    dish = block(60, 60, 30).cut(tube.union(cq.Workplane().sphere(4).translate((0, 0, 14))))
    steps = judged(dish).bore
    assert [s.stage.words for s in steps] == ["drill", "semi finish", "finish"]
    assert told(steps[:1]) == [("drill", 8.0, 16.0, "point 118")]
    assert steps[-1].bottom == "ball R4"
    assert steps[-1].to_mm == pytest.approx(20, abs=1e-3)
    assert isinstance(steps[-1].tool, Cutter)
    assert steps[-1].tool.form == "ball"
    # Half a sphere: 2 pi r^2 (the face's area is its mesh's).
    assert steps[-1].area_mm2 == pytest.approx(2 * math.pi * 16, rel=0.01)
    fillet = cq.Workplane().circle(5).extrude(14).faces("<Z").edges().fillet(1).translate((0, 0, 16))
    steps = judged(block(60, 60, 30).cut(fillet)).bore
    assert steps[-1].bottom == "fillet R1"
    assert steps[0].tool == Drill(10.0, 118.0, 87.0)
    # The drill's corner ends where the fillet begins, and its point over the floor.
    assert steps[0].to_mm <= min(13.0, 14 - 5 / math.tan(HALF)) + 1e-6


@pytest.mark.parametrize(
    "tool",
    [
        cq.Workplane().circle(10).extrude(3).faces("<Z").edges().fillet(1).translate((0, 0, 27)),
        cq.Workplane().circle(5).extrude(4).faces("<Z").edges().fillet(1).translate((0, 0, 26)),
        # A dish of R 60, 24 across and 1.5 deep, with a straight rim.
        cq.Workplane()
        .sphere(60)
        .translate((0, 0, 88.5))
        .intersect(cq.Workplane().circle(12).extrude(20).translate((0, 0, 20))),
    ],
    ids=["20 x 3, floor R1", "10 x 4, floor R1", "dish"],
)
def test_shallow_round_recesses_are_milled_as_pockets(tool: cq.Workplane) -> None:
    verdict = judged(block(60, 60, 30).cut(tool))
    assert verdict.workable, verdict.reason
    assert not verdict.bore
    assert verdict.way is not None
    assert any(c.tool.form in ("ball", "bull") for c in verdict.way.finish)
    plan = planned(block(60, 60, 30).cut(tool), "steel-60hrc")
    assert not [s for s in plan.steps if s.stage == Stage.DRILL]


@pytest.mark.parametrize(("angle", "form"), [(90, "chamfer"), (60, "chamfer"), (50, "ball")])
def test_a_cone_is_somebody_s(angle: float, form: str) -> None:
    """A heading bore: a cone above 9 mm straight below."""
    wide = 9 + 2 * 6 * math.tan(math.radians(angle / 2))
    body = block(60, 60, 15).cut(turned((0, 0), (4.5, 0), (4.5, 9), (wide / 2, 15), (0, 15)))
    steps = judged(body, "carbide-15").bore
    assert told(steps[:1]) == [("drill", 9.0, 15.0, "through")]
    assert (steps[-1].bottom, steps[-1].to_mm) == (f"cone {angle}", pytest.approx(6))
    assert steps[-1].tool.form == form
    # All of the frustum less the bore is found by one step or another: pi h (R^2 + R r + r^2) / 3.
    ring = math.pi * 6 * ((wide / 2) ** 2 + wide / 2 * 4.5 + 4.5**2) / 3 - math.pi * 4.5**2 * 6
    assert sum(s.found_mm3 for s in steps[1:]) == pytest.approx(ring, rel=1e-6)


def test_a_stepped_drill_hole_is_two_drills() -> None:
    """The cone between two stages is the larger drill's point."""
    down = (5 - 2.5) / math.tan(HALF)
    points = [(0, 30), (5, 30), (5, 20), (2.5, 20 - down), (2.5, 8), (0, 8 - 2.5 / math.tan(HALF))]
    steps = judged(block(60, 60, 30).cut(turned(*points))).bore
    assert told(steps) == [("drill", 5.0, 22.0, "point 118"), ("drill", 10.0, 10.0, "point 118")]


@pytest.mark.parametrize("lean", [5.0, 20.0])
def test_a_slanted_mouth_is_spot_faced_first(lean: float) -> None:
    rise = 30 * math.tan(math.radians(lean))
    slope = cq.Workplane("XZ").polyline([(-30, 0), (30, 0), (30, 15 - rise), (-30, 15 + rise)]).close()
    body = slope.extrude(20, both=True)
    hole = turned((0, 60), (3, 60), (3, 5), (0, 5 - 3 / math.tan(HALF)))
    steps = judged(body.cut(hole)).bore
    assert [s.stage.words for s in steps] == ["spot face", "drill"]
    # From the rim's highest to 0.1 under its lowest: diameter by tangent of the lean, the mouth midway.
    fall = 6 * math.tan(math.radians(lean))
    assert (steps[0].from_mm, steps[0].to_mm) == pytest.approx((-fall / 2, fall / 2 + 0.1), abs=0.02)
    plan = planned(body.cut(hole), "steel-60hrc")
    spot = next(s for s in plan.steps if s.stage == Stage.SPOT_FACE)
    drill = next(s for s in plan.steps if s.stage == Stage.DRILL)
    assert spot.number < drill.number
    assert any("starts on a slant" in note for note in spot.notes)
    assert "a drill starts on a flat that is square to it" in drill.because


def test_a_curved_mouth_is_spot_faced_and_a_square_one_is_not() -> None:
    bar = cq.Workplane("YZ").circle(20).extrude(30, both=True)
    hole = turned((0, 60), (3, 60), (3, 5), (0, 5 - 3 / math.tan(HALF)))
    steps = judged(bar.cut(hole)).bore
    assert steps[0].stage == Stage.SPOT_FACE
    # The sagitta of a chord of 6 in a round of R 20.
    assert steps[0].to_mm - steps[0].from_mm == pytest.approx(20 - math.sqrt(400 - 9) + 0.1, abs=0.01)
    sunk = block(60, 60, 30).cut(turned((0, 30), (5, 30), (3, 28), (3, 8), (0, 8 - 3 / math.tan(HALF))))
    assert [s.stage.words for s in judged(sunk).bore] == ["drill", "countersink"]


# Threads.

M5 = ((5.4, 1.4), (4.2, 12.0))


def test_a_thread_is_drilled_relieved_chamfered_and_milled() -> None:
    plan = planned(bored(*M5, tip=2.1 / math.tan(HALF)), "carbide-15", **{"4.2": "M5"})
    made = [s.stage.words for s in plan.steps if s.process == "mill"]
    assert made == ["drill", "relief", "countersink", "thread"]
    assert len({s.setup for s in plan.steps if s.process == "mill"}) == 1
    tools = [p.tool for s in plan.steps if s.process == "mill" for p in s.passes]
    assert str(tools[0]) == "drill 4.2"
    assert isinstance(tools[1], Cutter)
    assert str(tools[3]) == "thread mill for M5"


def test_common_practice_an_m5_in_carbide_takes_about_3_minutes_altogether() -> None:
    """Common practice, no source: 15 % binder, drilled, relieved, chamfered and thread-milled."""
    plan = planned(bored(*M5, tip=2.1 / math.tan(HALF)), "carbide-15", **{"4.2": "M5"})
    minutes = sum(s.minutes for s in plan.steps if s.process == "mill")
    assert 2.5 <= minutes <= 3.6


@pytest.mark.parametrize("drawn", [5.0, 4.917, 6.0], ids=["tap drill", "minor", "major"])
def test_a_thread_s_core_is_drilled_with_its_tap_drill_however_it_is_drawn(drawn: float) -> None:
    body = bored((6.4, 1.8), (drawn, 14.0), tip=drawn / 2 / math.tan(HALF))
    found = recognise(build_part(body.val().wrapped), working_side=UP, threads={f"{drawn:g}": "M6"})
    job = JobContext(found.part, found.features, load_shop(), Choices(material="steel-60hrc"))
    steps = verdict_of(job, hole_of(found.features)).bore
    assert (steps[0].diameter_mm, steps[0].stage) == (5.0, Stage.DRILL)  # ISO 2306, from memory
    # The tip stays over the end of the model's cone.
    assert steps[0].to_mm + steps[0].tool.point_mm <= 14.0 + drawn / 2 / math.tan(HALF) + 1e-6
    assert [s.stage.words for s in steps] == ["drill", "relief", "countersink", "thread"]


def test_a_relief_at_either_end_is_made_in_one_way() -> None:
    through = turned((0, 20), (2.7, 20), (2.7, 18.6), (2.1, 18.6), (2.1, 1.4), (2.7, 1.4), (2.7, 0), (0, 0))
    plan = planned(block(60, 60, 20).cut(through), "carbide-15", **{"4.2": "M5"})
    reliefs = [p for s in plan.steps if s.stage == Stage.RELIEF for p in s.passes]
    assert len(reliefs) == 2
    assert len({str(p.tool) for p in reliefs}) == 1
    # The first is made into the full, the second around the drilled core.
    ring, disc = 2.7**2 - 2.1**2, 2.7**2
    found = sorted(bore_step(plan, p).found_mm3 for p in reliefs)
    assert found == pytest.approx([math.pi * 1.4 * ring, math.pi * 1.4 * disc])
    last = max(s.number for s in plan.steps if s.stage == Stage.RELIEF)
    assert last < next(s.number for s in plan.steps if s.stage == Stage.THREAD)


# Volumes.


@settings(max_examples=10, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 6), st.integers(2, 8)), min_size=1, max_size=3),
    st.booleans(),
)
def test_every_cubic_millimetre_of_a_hole_is_found_once(stages: list[tuple[int, int]], point: bool) -> None:
    """The steps' volumes sum up to the kernel's of the hole."""
    widths = sorted({2.0 * w + 1 for w, _ in stages}, reverse=True)
    ends = list(itertools.accumulate(float(d) for _, d in stages[: len(widths)]))
    tip = widths[-1] / 2 / math.tan(HALF) if point else 0.0
    body = bored(*zip(widths, ends, strict=True), tip=tip)
    verdict = judged(body)
    assume(verdict.bore)  # else too shallow to drill, or refused
    hole = 60 * 60 * 30 - body.val().Volume()
    assert sum(s.found_mm3 for s in verdict.bore) == pytest.approx(hole, rel=1e-6)


def test_the_steps_are_named_by_the_tasks_in_order() -> None:
    job = job_of(bored((9.5, 5.4), (5.5, 20.0)))
    hole = hole_of(job.features)
    verdict = verdict_of(job, hole)
    tasks = job.processes["mill"].tasks(job, hole, verdict)
    assert [(t.stage, t.tool) for t in tasks] == [(s.stage, s.tool) for s in verdict.bore]
    assert np.all(np.diff([t.stage for t in tasks]) >= 0)
    assert [list(verdict.steps_of(t)) for t in tasks] == [[s] for s in verdict.bore]


@pytest.mark.parametrize("model_point", [90.0, 118.0, 120.0, 140.0])
@pytest.mark.parametrize("stages", [((5.0, 16.0),), ((9.5, 5.4), (5.5, 18.0)), ((9.53, 16.0),)])
def test_a_task_sweeps_what_its_tool_takes_and_none_of_the_part(
    stages: tuple[tuple[float, float], ...], model_point: float
) -> None:
    """Kernel's volumes, apart from the program's own, of what the part has in common with each sweep."""
    tip = stages[-1][0] / 2 / math.tan(math.radians(model_point / 2))
    body = bored(*stages, tip=tip)
    job = job_of(body)
    hole = hole_of(job.features)
    verdict = verdict_of(job, hole)
    if not verdict.workable:  # a point that no drill has and no cutter reaches
        assert model_point in (90.0, 140.0)
        return
    process = job.processes["mill"]
    tasks = process.tasks(job, hole, verdict)
    box = np.array(list(itertools.product((-30, 30), (-30, 30), (0, 30))), float)
    left = cq.Workplane(block(60, 60, 30).val())
    for task in tasks[:-1]:
        removal = process.removal(job, task, box)
        assert removal.in_part
        assert removal.sweep is not None
        for solid in removal.sweep():
            tool = cq.Workplane(cq.Shape.cast(solid))
            common = tool.intersect(body)
            assert sum(s.Volume() for s in common.solids().vals()) < 1e-6
            left = left.cut(tool)
        found = sum(s.found_mm3 for t in tasks[: tasks.index(task) + 1] for s in verdict.steps_of(t))
        assert 60 * 60 * 30 - left.val().Volume() == pytest.approx(found, rel=1e-6)
    last = process.removal(job, tasks[-1], box)
    assert not last.in_part  # all that is left of the hole


def test_a_hole_that_nothing_drills_says_why() -> None:
    verdict = judged(bored((0.45, 2.0), tip=0.2))
    assert not verdict.workable
    assert "smallest drill" in verdict.reason
    assert hole_of(job_of(bored((6.0, 20.0))).features).kind == Kind.HOLE


def through_thread(z: float, relief: float = 2.0) -> cq.Workplane:
    """An M8 right through a block, with a relief at either end (inside the limits of ``plan/threads.py``)."""
    core = cq.Workplane().circle(3.4).extrude(z)
    ends = [cq.Workplane(origin=(0, 0, at)).circle(4.2).extrude(relief) for at in (0.0, z - relief)]
    return block(60, 60, z).cut(core).cut(ends[0]).cut(ends[1])


def test_the_relief_at_the_exit_is_opened_before_the_drill_breaks_out_into_it() -> None:
    """Common practice, no source: the part is turned over once, and the drill meets no edge."""
    plan = planned(through_thread(20), "steel-60hrc", all="M8")
    assert not [f for f in plan.flags if f.code.startswith("thread-")]
    milled = [(s.stage.words, s.from_side) for s in plan.steps if s.process == "mill"]
    assert milled == [
        ("relief", "-z"),
        ("drill", "+z"),
        ("relief", "+z"),
        ("countersink", "+z"),
        ("thread", "+z"),
    ]
    found = sum(bore_step(plan, p).found_mm3 for s in plan.steps for p in s.passes if s.process == "mill")
    whole = math.pi * (3.4**2 * 16 + 4.2**2 * 4)
    assert found == pytest.approx(whole, rel=0.005)  # the thread's own flanks aside


@pytest.mark.parametrize(("z", "short"), [(24, False), (31, True)])
def test_a_thread_mill_that_is_too_short_is_told(z: float, short: bool) -> None:
    """Three diameters of M8 are 24 (the shop's own limit, common practice)."""
    plan = planned(through_thread(z), "steel-60hrc", all="M8")
    flags = [f.message for f in plan.flags if f.code == "thread-not-reached"]
    assert bool(flags) == short
    # From the mouth the bore ends at its exit relief, 2 before the face: 29 - 24 = 5.
    assert all("5 mm stay without thread" in f for f in flags)

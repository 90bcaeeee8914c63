"""Holding of whole setups: walls by the kernel's distance, seats by closed forms, what must be refused."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from typing import Any

import cadquery as cq
import numpy as np
import pytest
import shapely

from featurize import tolerances as tol
from featurize.brep.build import build_part
from featurize.brep.silhouette import View
from featurize.feature import Feature
from featurize.recognise import recognise
from featurize.recognise.thread_bores import thread_bore
from featurize.standards.threads import parse
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.plan.bearing import Outside, outside
from routing.plan.datums import order_preferences
from routing.plan.holding.between import chuck, vise
from routing.plan.holding.by_threads import screwed, threads
from routing.plan.holding.on_plate import blocks, clamps, magnet
from routing.plan.holding.plan import Held, hold, holding_flags
from routing.plan.holding.setup import Grade, Situation
from routing.plan.make import make_plan
from routing.plan.plan import PlannedStep
from routing.plan.steps import STATIONS, Step
from routing.plan.threads import overhangs, thinnest_wall
from routing.processes.context import JobContext
from routing.processes.protocol import Approach, Stage, Task
from tests.support.lattice import Body, Lattice
from tests.support.routed import UP, block
from tests.support.sampled import few
from tests.test_stock_random import insert

SHOP = load_shop()
STEEL, CARBIDE = "steel-60hrc", "carbide-12"


def job_of(solid: cq.Workplane, thread: str = "M5", **choices: Any) -> JobContext:
    found = recognise(build_part(solid.val().wrapped), working_side=UP, threads={"all": thread})
    return JobContext(found.part, found.features, SHOP, Choices(**choices))


def setup_of(
    job: JobContext, process: str = "mill", side: str = "+z", cut: set[str] | None = None, made: str = "all"
) -> Situation:
    """With everything made that is not cut now, or nothing."""
    ids = {f.id for f in job.features}
    now = frozenset(cut or ())
    before = frozenset(ids - now) if made == "all" else frozenset()
    force = job.processes[process].holding(job).force_n
    return Situation(job, force, side, now, before, frozenset(f.id for f in job.features if f.thread))


def step(job: JobContext, process: str, way: Approach, *features: str) -> list[Step]:
    """A setup of one roughing step."""
    tasks = (Task(Stage.ROUGH, process, way, job.by_id[f]) for f in features)
    return [Step(Stage.ROUGH, process, way, tuple(tasks))]


def hole(x: float, y: float, deep: float = 10, d: float = 4.2) -> cq.Workplane:
    """From below, with its relief for M5."""
    return (
        cq.Workplane()
        .circle(d / 2)
        .extrude(deep)
        .union(cq.Workplane().circle(2.7).extrude(1.3))
        .translate((x, y, 0))
    )


def threaded(job: JobContext) -> list[Feature]:
    return [f for f in job.features if f.thread and f.thread.designation]


# The wall round a thread against the kernel's own distance between solids.


def wall_by_kernel(feature: Feature, solid: cq.Workplane) -> float:
    """From the thread's cylinder to the nearest face beside it that is not the hole's own."""
    assert feature.axis is not None
    assert feature.thread is not None
    size, _ = parse(str(feature.thread.designation))
    bore = thread_bore(feature, size)
    inwards = -np.array(feature.axis.direction)
    start = np.array(feature.axis.origin) + (bore.start_mm + 0.06) * inwards
    rod = cq.Solid.makeCylinder(
        size.major_mm / 2, bore.end_mm - bore.start_mm - 0.12, cq.Vector(*start), cq.Vector(*inwards)
    )
    (side,) = [f for f in rod.Faces() if f.geomType() == "CYLINDER"]
    # Only what stands beside the thread: the part between its two ends.
    slab = (
        cq.Workplane(cq.Plane(tuple(start), normal=tuple(inwards)))
        .rect(200, 200)
        .extrude(rod.BoundingBox().zlen)
    )
    others = [
        f
        for f in solid.intersect(slab).val().Faces()
        if (f.geomType() == "PLANE" and abs(f.normalAt().dot(cq.Vector(*inwards))) < 0.3)
        or (f.geomType() == "CYLINDER" and not _is_own(f, feature))
    ]
    return min(side.distance(f) for f in others)


def _is_own(face: cq.Face, feature: Feature) -> bool:
    assert feature.axis is not None
    axis, at = np.array(feature.axis.direction), np.array(feature.axis.origin)
    middle = np.array(face.Center().toTuple()) - at
    return float(np.linalg.norm(middle - (middle @ axis) * axis)) < 1e-3


@pytest.mark.parametrize("seed", range(6))
def test_the_wall_beside_a_thread_is_the_kernels_distance(seed: int) -> None:
    rng = random.Random(seed)
    solid = block(40, 30, 20).cut(hole(-12 + rng.uniform(-2, 2), rng.uniform(-8, 8)))
    solid = solid.cut(hole(10, rng.uniform(-10.5, 10.5)))
    # A round opening and a slanted channel beside them.
    solid = solid.cut(
        cq.Workplane().circle(rng.uniform(2, 4)).extrude(40).translate((1, rng.uniform(-6, 6), 0))
    )
    slot = cq.Workplane().box(6, 60, 12).rotate((0, 0, 0), (0, 0, 1), rng.uniform(-8, 8))
    solid = solid.cut(slot.translate((-20, 0, 20)))
    job = job_of(solid)
    found = threaded(job)
    assert found
    for feature in found:
        assert feature.thread is not None
        size, _ = parse(str(feature.thread.designation))
        wall, _ = thinnest_wall(
            job.part, feature, size, thread_bore(feature, size), overhangs(job.features), 15.0
        )
        expected = wall_by_kernel(feature, solid)
        assert wall == pytest.approx(expected, abs=2 * job.part.mesh.deflection_mm + 0.002)


def test_a_slanted_face_that_seems_near_does_not_hide_the_nearest() -> None:
    """3 mm to a corner cut at 45 deg, whose box comes nearer than the side at 2 mm does."""
    corner = cq.Workplane().polyline([(20, 3.3), (8.3, 15), (20, 15)]).close().extrude(20)
    job = job_of(block().cut(hole(15.5, 0)).cut(corner))
    (feature,) = threaded(job)
    size, _ = parse("M5")
    wall, _ = thinnest_wall(
        job.part, feature, size, thread_bore(feature, size), overhangs(job.features), 15.0
    )
    assert wall == pytest.approx(2.0, abs=1e-3)


def test_a_screwed_insert_holds_and_a_thin_wall_does_not() -> None:
    good = job_of(block().cut(hole(-10, 0)).cut(hole(10, 0)), material=CARBIDE)
    answer = threads(setup_of(good))
    assert answer.grade == Grade.HOLDS
    assert len(answer.screws) == 2
    # 0.15 mm of wall outside the thread's 5 mm: hole at 20 - 2.5 - 0.15.
    thin = job_of(block().cut(hole(-10, 0)).cut(hole(17.35, 0)), material=CARBIDE)
    grades = {round(s.wall_mm, 2): s.grade for s in threads(setup_of(thin)).screws}
    assert grades[0.15] != Grade.HOLDS
    assert [g for w, g in grades.items() if w > 1] == [Grade.HOLDS]


@pytest.mark.parametrize("material", [STEEL, CARBIDE])
def test_the_nearer_the_edge_the_less_it_bears(material: str) -> None:
    used = []
    for wall in (4.0, 2.0, 1.0, 0.5, 0.2):
        job = job_of(block().cut(hole(20 - 2.5 - wall, 0)), material=material)
        (s,) = threads(setup_of(job)).screws
        assert s.wall_mm == pytest.approx(wall, abs=s.wall_error_mm)
        used.append(s.bears.used)
    assert used == sorted(used)
    assert used[-1] > used[0]


def test_a_floor_over_a_thread_bends() -> None:
    """300 N of a cut on 0.4 mm: 3 F / (4 pi t^2), clamped plate."""
    solid = (
        block()
        .cut(hole(-10, 0, 10))
        .cut(cq.Workplane().box(8, 8, 20).edges("|Z").fillet(2).translate((-10, 0, 20.4)))
    )
    job = job_of(solid)
    (feature,) = threaded(job)
    s = screwed(setup_of(job), feature)
    assert s.floor_mm == pytest.approx(0.4, abs=0.01)
    assert s.bears.floor_mpa == pytest.approx(
        3 * 300 / (4 * math.pi * (s.floor_mm - s.wall_error_mm) ** 2), rel=1e-6
    )
    assert s.grade != Grade.HOLDS


def test_one_screw_lets_it_turn_unless_a_pin_keeps_it() -> None:
    one = job_of(block().cut(hole(-10, 0)))
    answer = threads(setup_of(one))
    assert answer.grade == Grade.WEAK
    assert "turn" in answer.reason
    pinned = block().cut(hole(-10, 0)).cut(cq.Workplane().circle(4.0).extrude(40).translate((10, 0, 0)))
    assert threads(setup_of(job_of(pinned))).grade == Grade.HOLDS


# Seats and grips by closed forms.


def test_a_side_is_whole_until_it_is_cut() -> None:
    """40 x 30 with a channel of 8 across and a hole of 6: areas by hand."""
    solid = block().cut(cq.Workplane().box(8, 60, 8).translate((-8, 0, 20)))
    solid = solid.cut(cq.Workplane().circle(3).extrude(40).translate((10, 0, 0)))
    job = job_of(solid, "plain")
    top = outside(job, "+z")
    (channel,) = [f.id for f in job.features if "-y" in f.opens_to and f.kind != "outside face"]
    (bore,) = [f.id for f in job.features if f.bores]
    round_area = math.pi * 9
    assert top.whole_mm2 == pytest.approx(1200)
    assert top.after(()).area == pytest.approx(1200)
    assert top.after({channel}).area == pytest.approx(1200 - 240)
    assert top.after({bore}).area == pytest.approx(1200 - round_area, rel=1e-3)
    assert top.after({channel, bore}).area == pytest.approx(1200 - 240 - round_area, rel=1e-3)
    assert outside(job, "-z").after({channel}).area == pytest.approx(1200)


def test_jaws_stay_under_what_is_cut_and_off_thin_walls() -> None:
    """A channel along x runs out of +x and -x at 14: jaws there reach to 13; along y all is free."""
    solid = block(40, 30, 20).cut(cq.Workplane().box(80, 8, 12).translate((0, 0, 20)))
    job = job_of(solid, "plain")
    (channel,) = [f.id for f in job.features if f.kind == "slot"]
    setup = setup_of(job, cut={channel})
    assert setup.clear_mm("x") == pytest.approx(14)
    assert setup.clear_mm("y") == pytest.approx(20)
    assert setup.gripped("x", 13.0).area == pytest.approx(30 * 13)
    # A pocket whose wall to +y is 1 mm thick, from 8 up: the jaws on y are set below it.
    pocket = cq.Workplane().box(20, 10, 24).edges("|Z").fillet(2).translate((0, 9, 20))
    thin = job_of(block(40, 30, 20).cut(pocket), "plain")
    assert vise(setup_of(thin)).grade == Grade.HOLDS


def test_a_thin_wall_under_the_jaw_lowers_it() -> None:
    # Both pairs of sides have a wall of 1 mm from 8 mm up, all the way round.
    pocket = cq.Workplane().box(38, 28, 24).edges("|Z").fillet(2).translate((0, 0, 20))
    job = job_of(block(40, 30, 20).cut(pocket), "plain")
    answer = vise(setup_of(job))
    assert answer.grade == Grade.HOLDS
    assert "below a wall of 0.99" in answer.reason  # 1, seen from within the mesh's deflection
    deep = cq.Workplane().box(38, 28, 36).edges("|Z").fillet(2).translate((0, 0, 20))
    assert vise(setup_of(job_of(block(40, 30, 20).cut(deep), "plain"))).grade == Grade.NO


def test_a_slender_part_is_not_held_by_its_foot() -> None:
    """A slot that runs out of both x sides 5 mm over the seat: blocks reach to 4, and 56 / 10 is over 4."""
    tall = job_of(block(12, 10, 60).cut(cq.Workplane().box(30, 4, 110).translate((0, 0, 60))), "plain")
    cut = {f.id for f in tall.features if f.kind == "slot"}
    answer = blocks(setup_of(tall, "surface grind", cut=cut))
    assert (answer.grade, "5.6 widths" in answer.reason) == (Grade.NO, True)
    # Jaws on y, where nothing runs out, reach all the way up; the walls of 3 bear them.
    assert "+y and -y" in vise(setup_of(tall, cut=cut)).reason


def test_a_plate_springs_up_and_a_wide_one_does_not_go_in() -> None:
    plate = vise(setup_of(job_of(block(100, 90, 5), "plain")))
    assert (plate.grade, "springs up" in plate.reason) == (Grade.NO, True)
    wide = vise(setup_of(job_of(block(160, 140, 40), "plain")))
    assert (wide.grade, "opens" in wide.reason) == (Grade.NO, True)


def test_a_disc_goes_into_a_chuck() -> None:
    solid = (
        cq.Workplane().circle(20).extrude(15).cut(cq.Workplane().circle(8).extrude(12).translate((0, 0, 10)))
    )
    job = job_of(solid, "plain")
    setup = setup_of(job, cut={f.id for f in job.features if f.bores or f.kind == "pocket"})
    answer = chuck(setup)
    assert (answer.grade, "14.0 mm of its round outside" in answer.reason) == (Grade.HOLDS, True)
    assert vise(setup).grade == Grade.NO
    assert chuck(setup_of(job_of(block(), "plain"))).grade == Grade.NO


def test_a_magnet_holds_steel_that_lies_flat() -> None:
    """80 N/cm2 on 12 cm2, friction 0.15: 144 N against 60."""
    answer = magnet(setup_of(job_of(block(40, 30, 20), "plain"), "surface grind"))
    assert answer.grade == Grade.HOLDS
    assert "960 N" in answer.reason
    assert "2.4 times" in answer.reason


def test_a_magnet_alone_does_not_hold_carbide() -> None:
    """Common practice, no source."""
    for material in ("carbide-6", "carbide-25"):
        job = job_of(block(100, 80, 20), "plain", material=material)
        assert magnet(setup_of(job, "surface grind")).grade == Grade.NO
        assert blocks(setup_of(job, "surface grind")).grade == Grade.HOLDS


def test_a_tall_part_tips_and_a_small_one_slides() -> None:
    tall = magnet(setup_of(job_of(block(20, 20, 70), "plain"), "surface grind"))
    assert (tall.grade, "tips" in tall.reason) == (Grade.NO, True)
    small = magnet(setup_of(job_of(block(12, 12, 9), "plain"), "surface grind"))
    assert (small.grade, "slides" in small.reason) == (Grade.NO, True)


def test_clamps_want_a_rim_that_no_cut_takes() -> None:
    opening = cq.Workplane().box(30, 20, 60).edges("|Z").fillet(1)
    job = job_of(block(40, 30, 20).cut(opening), "plain")
    (profile,) = [f.id for f in job.features if f.kind == "through profile"]
    wired = setup_of(job, "wire", cut={profile}, made="none")
    answer = clamps(wired)
    assert answer.grade == Grade.HOLDS
    # Rim of 4 all round a 40 x 30 block, corners of a clamp's nose rounded: 40 x 30 - 32 x 22.
    area = float(answer.reason.split(" mm2")[0].split()[-1])
    assert area == pytest.approx(1200 - 32 * 22, rel=0.02)
    wide = job_of(block(40, 30, 20).cut(cq.Workplane().box(37, 27, 60).edges("|Z").fillet(1)), "plain")
    (profile,) = [f.id for f in wide.features if f.kind == "through profile"]
    assert clamps(setup_of(wide, "wire", cut={profile}, made="none")).grade == Grade.NO


# Whole routes.


def held_of(
    solid: cq.Workplane, **choices: Any
) -> tuple[JobContext, tuple[Held, ...], list[tuple[PlannedStep, ...]]]:
    job = job_of(solid, **choices)
    found = recognise(build_part(solid.val().wrapped), working_side=UP, threads={"all": "M5"})
    route = make_plan(found, SHOP, Choices(**choices))
    assert route.holding
    return job, route.holding, [setup.steps for setup in route.setups]


def test_a_sine_plate_is_set_by_its_sine() -> None:
    """Gauge blocks of L sin(a): 100 sin 20 deg = 34.202."""
    side = np.array([math.sin(math.radians(20)), 0, math.cos(math.radians(20))])
    job = job_of(block(60, 50, 20), "plain")
    (held,) = hold(job, [step(job, "surface grind", job.approach(side), job.features[0].id)])
    assert held.answer is not None
    assert held.answer.grade == Grade.HOLDS
    assert "20.000 deg, gauge blocks 34.202" in held.answer.reason
    steep = np.array([math.sin(math.radians(46)), 0, math.cos(math.radians(46))])
    shop = replace(SHOP, workholding=replace(SHOP.workholding, sine_limit_deg=30.0))
    (held,) = hold(
        JobContext(job.part, job.features, shop, job.choices), [step(job, "mill", job.approach(steep), "F01")]
    )
    assert held.answer is None
    (flag,) = holding_flags([held])
    assert (flag.code, "sine plate" in flag.message) == ("not-held", True)


def test_a_compound_sine_plate_takes_two_angles() -> None:
    """Turned about one axis, then about the other: the two turns bring the direction upright."""
    up = np.array([0.2, 0.3, 0.0])
    up[2] = math.sqrt(1 - up @ up)
    job = job_of(block(60, 50, 20), "plain")
    (held,) = hold(job, [step(job, "surface grind", job.approach(up), job.features[0].id)])
    assert held.answer is not None
    a, b = math.atan2(up[0], up[2]), math.asin(up[1])
    assert f"{math.degrees(a):.3f} deg, gauge blocks {100 * math.sin(a):.3f}" in held.answer.reason
    assert f"{math.degrees(b):.3f} deg, gauge blocks {100 * math.sin(b):.3f}" in held.answer.reason
    turn_y = np.array([[math.cos(a), 0, -math.sin(a)], [0, 1, 0], [math.sin(a), 0, math.cos(a)]])
    turn_x = np.array([[1, 0, 0], [0, math.cos(b), -math.sin(b)], [0, math.sin(b), math.cos(b)]])
    assert turn_x @ turn_y @ up == pytest.approx([0, 0, 1])


def test_the_shops_order_decides_and_reasons_of_the_refused_stand() -> None:
    solid = block().cut(hole(-10, 0)).cut(hole(10, 0))
    solid = solid.cut(cq.Workplane().box(10, 8, 4).edges("|Z").fillet(2).translate((0, 0, 20)))
    _, held, operations = held_of(solid, material=CARBIDE)
    assert [h.setup for h in held] == list(range(1, len(operations) + 1))
    milled = [h for h in held if h.process == "mill" and h.from_side == "+z"]
    assert [h.answer.way for h in milled if h.answer] == ["threads"]
    squared = held[0]
    assert squared.answer is not None
    assert squared.answer.way == "blocks"
    assert [a.way for a in squared.refused] == ["magnet"]
    below = next(h for h in held if h.process == "mill" and h.from_side == "-z")
    assert below.answer is not None
    assert below.answer.way == "vise"  # the threads are not there yet
    assert [a.way for a in below.refused] == ["threads"]
    order = {**SHOP.workholding.order, "mill": ("vise", "threads")}
    shop = replace(SHOP, workholding=replace(SHOP.workholding, order=order))
    job = JobContext(job_of(solid).part, job_of(solid).features, shop, Choices())
    assert {h.answer.way for h in hold(job, operations) if h.process == "mill" and h.answer} == {"vise"}


def test_steel_is_demagnetised_after_the_last_of_a_run_of_magnets() -> None:
    """A slot in either face, two setups on magnets, then an opening: common practice, no source."""
    solid = block(80, 60, 25)
    for z in (0, 25):
        solid = solid.cut(cq.Workplane().box(100, 12, 8).translate((0, 0, z)))
    solid = solid.cut(cq.Workplane().box(20, 10, 60).edges("|Z").fillet(1).translate((22, 18, 0)))
    _, held, operations = held_of(solid, material="steel-60hrc")
    magnets = [h.setup for h in held if h.answer and h.answer.magnetises]
    ground = [n for n, steps in enumerate(operations, 1) if steps[0].process == "surface grind"]
    assert (magnets, len(ground)) == (ground, 3)
    assert ground[-2] + 1 == ground[-1] < len(operations)
    done = [s for steps in operations for s in steps if s.stage == Stage.DEMAGNETISE]
    after = [next(s[0].process for s in operations[n:] if s[0].process != "bench") for n in magnets]
    ends = [n for n, process in zip(magnets, after, strict=True) if process != "surface grind"]
    assert [s.setup for s in done] == ends
    assert ground[-2] not in ends
    assert all(s.minutes == pytest.approx(SHOP.rates.bench.demagnetise_min) for s in done)
    _, held, operations = held_of(solid, material=CARBIDE)
    assert not [s for steps in operations for s in steps if s.stage == Stage.DEMAGNETISE]


@pytest.mark.parametrize("seed", range(5))
def test_every_setup_of_a_random_insert_has_an_answer_and_a_seat(seed: int) -> None:
    """What it rests on is flat and outside; nothing that it rests on is more than the blank had."""
    solid = insert(random.Random(seed))
    found = recognise(build_part(solid.val().wrapped), threads={"all": "plain"})
    route = make_plan(found, SHOP, Choices(threads={"all": "plain"}))
    outsides = {f.id for f in found.features if f.kind == "outside face"}
    for h in route.holding:
        assert h.answer is None or h.answer.grade != Grade.NO
        assert h.process in STATIONS or 0 <= h.seat_mm2 <= h.seat_whole_mm2 + 0.01
        # Only what a person must see is flagged.
        told = [f for f in route.flags if f.message.startswith(f"Setup {h.setup} (")]
        assert bool(told) == (h.answer is None or h.answer.grade == Grade.WEAK)
        if h.process not in STATIONS and h.answer is not None:
            assert set(h.bears_on) <= {f.id for f in found.features}
            assert set(h.bears_on) & outsides
            if h.answer.way not in ("vise", "chuck"):  # these need nothing under the part
                assert h.seat_mm2 >= SHOP.workholding.seat_mm2


@pytest.mark.parametrize("seed", few(range(6), 3))
def test_what_is_flat_in_the_end_is_the_lattices(seed: int) -> None:
    """The metal just inside the seat, counted: within a pitch along every rim."""
    solid = insert(random.Random(50 + seed))
    found = recognise(build_part(solid.val().wrapped), threads={"all": "plain"})
    job = JobContext(found.part, found.features, SHOP, Choices())
    pitch, frame = 0.1, found.part.frame
    lattice = Lattice.of(Body.of(solid.val().wrapped), frame.axes, pitch)
    made = [f.id for f in job.features]
    for side, level in (("-z", 0), ("+z", -1)):
        filled = lattice.metal.any(axis=(0, 1))
        layer = lattice.metal[:, :, np.flatnonzero(filled)[level]]
        region = outside(job, side).after(made)
        slack = pitch * region.length
        assert layer.sum() * pitch**2 == pytest.approx(region.area, abs=slack + pitch)


# Datums.


def test_what_it_rests_on_is_cut_after() -> None:
    """The top loses two thirds to a step: what is milled from below while the top is whole goes first."""
    solid = block(40, 30, 20).cut(cq.Workplane().box(28, 60, 12).translate((6, 0, 20)))
    solid = solid.cut(cq.Workplane().box(10, 8, 8).edges("|Z").fillet(2).translate((0, 0, 0)))
    job = job_of(solid, "plain")
    route = make_plan(recognise(job.part, working_side=UP, threads={"all": "plain"}), SHOP, Choices())
    assert [h.answer.grade for h in route.holding if h.answer] == [Grade.HOLDS] * len(route.holding)
    (top,) = [f.id for f in job.features if "+z" in f.opens_to and f.kind in ("slot", "step", "blind slot")]
    (below,) = [f.id for f in job.features if f.kind == "pocket"]
    cutting = [o for o in route.steps if o.process not in STATIONS]
    first = min(o.number for o in cutting if top in o.features)
    last = max(o.number for o in cutting if below in o.features)
    down, up = (job.approach(sign * UP) for sign in (-1, 1))
    steps = [*step(job, "mill", down, below), *step(job, "surface grind", up, top)]
    found = order_preferences(job, [_Sided(s.side, s.features) for s in steps])
    assert [(j, k) for j, k, _ in found] == [(0, 1)]
    assert "+z" in found[0][2]
    assert last < first


class _Sided:
    def __init__(self, side: str, features: tuple[str, ...]) -> None:
        self.side, self.features = side, features


def test_what_only_touches_a_window_is_no_part_of_a_side() -> None:
    """Kept as a line it would be refused by the next operation on the grid."""
    view = View.toward(np.zeros(3), np.array([0.0, 0, 1]), np.array([0.0, 1, 0]))
    two = shapely.union(shapely.box(0, 0, 10, 10), shapely.box(20, 0, 30, 10))
    side = Outside("+z", view, 0.0, two, (), ())
    seen = side.within(shapely.box(5, 0, 20, 10), frozenset())
    assert seen.equals(shapely.box(5, 0, 10, 10))
    met = shapely.intersection(seen, shapely.box(0, 0, 7, 10), grid_size=tol.SNAP_MM)
    assert met.area == pytest.approx(20)

"""Wire: smallest inside corner, start hole, taper and what is in the way, against closed forms."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import cadquery as cq
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from featurize.feature import Kind
from featurize.step.read import read_step
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.plan.make import make_plan
from routing.processes.corners import Corner
from routing.processes.rooms import all_processes
from routing.processes.tools import Wire
from tests.support.routed import asked, block, job_of, owned, recognised, shop_with, the
from tests.support.wire_openings import insert

ONE_WIRE = shop_with(wires=(Wire(0.25, 0.02),))
ONE_LEAVING = shop_with(ONE_WIRE, general=replace(load_shop().general, sharp_corner_leave_mm=0.2))
_OPENINGS = (Kind.THROUGH_PROFILE, Kind.HOLE)


def opening(radius_mm: float = 0.0, x: float = 12, y: float = 8) -> cq.Workplane:
    tool = cq.Workplane().box(x, y, 60)
    return block().cut(tool.edges("|Z").fillet(radius_mm) if radius_mm else tool)


def test_the_trade_asks_in_its_order() -> None:
    assert [p.name for p in all_processes()] == ["wire", "surface grind", "mill", "sink-erode"]


@settings(max_examples=12, deadline=None)
@given(st.floats(0.05, 0.6))
def test_smallest_inside_corner_is_wire_radius_plus_gap(radius_mm: float) -> None:
    # Closed form: a wire of diameter d with gap g stands g + d/2 off both walls.
    if abs(radius_mm - 0.145) < 0.001:
        return
    job = job_of(opening(radius_mm), ONE_WIRE)
    assert asked(job, the(job, Kind.THROUGH_PROFILE), "wire").workable == (radius_mm > 0.145)


def test_the_reason_speaks_in_numbers() -> None:
    job = job_of(opening(0.10), ONE_WIRE)
    verdict = asked(job, the(job, Kind.THROUGH_PROFILE), "wire")
    assert verdict.reason == "inside corner R 0.1 is under the 0.125 wire radius plus 0.02 gap"
    # Four square corners over 20 of height, closed form (1 - pi/4)(R^2 - r^2) each.
    assert verdict.shortfall_mm3 == pytest.approx(4 * (1 - math.pi / 4) * (0.145**2 - 0.1**2) * 20, rel=1e-6)


def test_the_largest_wire_that_fits_is_chosen() -> None:
    for radius, diameter in ((1.0, 0.25), (0.13, 0.20), (0.10, 0.15), (0.07, 0.10), (0.046, 0.07)):
        job = job_of(opening(radius))
        verdict = asked(job, the(job, Kind.THROUGH_PROFILE), "wire")
        assert verdict.wire.diameter_mm == diameter, radius


def test_a_sharp_corner_takes_the_accepted_radius() -> None:
    job = job_of(opening())
    verdict = asked(job, the(job, Kind.THROUGH_PROFILE), "wire")
    assert verdict.workable
    assert verdict.wire.diameter_mm == 0.07
    job = job_of(opening(), ONE_WIRE)
    refused = asked(job, the(job, Kind.THROUGH_PROFILE), "wire")
    assert not refused.workable
    assert "would leave R 0.145, over the accepted 0.05" in refused.reason


def test_a_gap_is_as_narrow_as_wire_and_two_gaps() -> None:
    # 0.25 + 2 x 0.02 = 0.29
    for width, fits in ((0.28, False), (0.31, True)):
        slot = cq.Workplane().slot2D(8, width).extrude(60, both=True)
        job = job_of(block(z=10).cut(slot), ONE_WIRE)
        (feature,) = [f for f in job.features if f.kind in _OPENINGS]
        assert asked(job, feature, "wire").workable == fits, width


@pytest.mark.parametrize(
    ("sketch", "inscribed_mm"),
    [
        (cq.Workplane().rect(12, 8), 8.0),
        # Inradius of an equilateral triangle: side / (2 sqrt 3); across the corners here 10.
        (cq.Workplane().polygon(3, 10), 10 * math.cos(math.radians(60))),
        (cq.Workplane().polygon(6, 10), 10 * math.cos(math.radians(30))),
    ],
)
def test_the_start_hole_stands_in_the_largest_circle(sketch: cq.Workplane, inscribed_mm: float) -> None:
    job = job_of(block().cut(sketch.extrude(60, both=True)))
    (feature,) = [f for f in job.features if f.kind in _OPENINGS]
    verdict = asked(job, feature, "wire")
    assert verdict.workable, verdict.reason
    assert verdict.start_hole.inscribed_mm == pytest.approx(inscribed_mm, abs=1e-3)
    assert verdict.place is not None
    if len(feature.faces) > 4 or inscribed_mm != 8.0:
        assert verdict.place[:2] == pytest.approx((0, 0), abs=2e-3)


def test_a_round_opening_holds_its_own_circle() -> None:
    """Arcs are kept as arcs: chords would show a circle some microns smaller."""
    job = job_of(block().cut(cq.Workplane().slot2D(14, 10).extrude(60, both=True)))
    (feature,) = [f for f in job.features if f.kind in _OPENINGS]
    verdict = asked(job, feature, "wire")
    assert verdict.start_hole.inscribed_mm == pytest.approx(10, abs=1e-6)
    job = job_of(block().faces(">Z").workplane().hole(9.0))
    assert asked(job, the(job, Kind.HOLE), "wire").start_hole.inscribed_mm == pytest.approx(9, abs=1e-6)


def test_a_start_hole_has_a_smallest_diameter_and_a_deepest_ratio() -> None:
    machine = replace(owned("wire_machine"), start_hole_min_mm=5.0)
    job = job_of(opening(0.5, 12, 4), shop_with(wire_machine=machine))
    assert "under the 5 start hole" in asked(job, the(job, Kind.THROUGH_PROFILE), "wire").reason
    machine = replace(owned("wire_machine"), start_hole_ratio=4.0)
    job = job_of(opening(0.5, 12, 4), shop_with(wire_machine=machine))  # 20 high, 4 wide: 5 diameters
    assert "is 5 diameters, over 4" in asked(job, the(job, Kind.THROUGH_PROFILE), "wire").reason


@pytest.mark.parametrize(("taper", "workable"), [(0.75, True), (10, True), (10.9, False), (17, False)])
def test_walls_lean_up_to_the_machine_limit(taper: float, workable: bool) -> None:
    # In the corner of two walls the wire tilts by atan(sqrt 2 tan a): 14.0 deg at 10, 15.2 at 10.9.
    tool = cq.Workplane().rect(14, 14).extrude(20, taper=taper)
    job = job_of(block().cut(tool))
    (feature,) = [f for f in job.features if f.kind != Kind.OUTSIDE_FACE]
    verdict = asked(job, feature, "wire")
    assert verdict.workable == workable, verdict.reason
    if workable:
        assert verdict.taper_deg == pytest.approx(taper, abs=1e-3)


def test_land_and_relief_are_wired_together() -> None:
    land = cq.Workplane().rect(10, 8).extrude(20)
    relief = cq.Workplane().rect(10.5, 8.5).workplane(offset=15).rect(10, 8).loft()
    job = job_of(block().cut(land).cut(relief))
    verdict = asked(job, the(job, Kind.THROUGH_PROFILE), "wire")
    assert verdict.workable, verdict.reason
    assert verdict.taper_deg == pytest.approx(math.degrees(math.atan(0.25 / 15)), abs=0.01)


def test_a_floor_is_in_the_way_and_named() -> None:
    job = job_of(block().faces(">Z").workplane().rect(10, 8).cutBlind(-5))
    pocket = the(job, Kind.POCKET)
    assert f"floor of pocket {pocket.id} lies across the wire" in asked(job, pocket, "wire").reason


def test_walls_that_end_over_material_are_refused() -> None:
    # A through opening whose lower half is stepped in: only its own walls are asked.
    job = job_of(
        block().cut(cq.Workplane().rect(6, 6).extrude(20)).faces(">Z").workplane().rect(12, 12).cutBlind(-8)
    )
    for feature in job.features:
        if feature.kind == Kind.POCKET:
            verdict = asked(job, feature, "wire")
            assert not verdict.workable
            assert "way" in verdict.reason or "across" in verdict.reason


def test_threads_and_drilled_holes_are_not_wired() -> None:
    general = replace(load_shop().general, clearance_holes="drill")
    solid = block().faces(">Z").workplane().hole(6.0)
    job = job_of(solid, shop_with(general=general))
    assert asked(job, the(job, Kind.HOLE), "wire").reason == "the shop drills its holes"
    job = job_of(solid)
    assert asked(job, the(job, Kind.HOLE), "wire").workable


def test_a_cross_bore_is_wired_along_its_own_axis() -> None:
    job = job_of(block().faces(">Y").workplane(centerOption="CenterOfBoundBox").hole(5.0))
    verdict = asked(job, the(job, Kind.HOLE), "wire")
    assert verdict.workable, verdict.reason
    assert str(verdict.approach.side)[1] in "xy"


def test_the_height_is_limited() -> None:
    machine = replace(owned("wire_machine"), height_limit_mm=15.0)
    job = job_of(opening(0.5), shop_with(wire_machine=machine))
    assert asked(job, the(job, Kind.THROUGH_PROFILE), "wire").reason == "height 20.0 is over the machine's 15"


@pytest.mark.parametrize("angle_deg", [40, 60, 90, 120])
def test_what_a_disc_leaves_in_a_corner(angle_deg: float) -> None:
    """The closed form against an opening by shapely: erode and dilate a large wedge."""
    a, size = math.radians(angle_deg), 50.0
    wedge = shapely.Polygon([(0, 0), (size, 0), (size * math.cos(a), size * math.sin(a))])
    opened = wedge.buffer(-1.0, quad_segs=256).buffer(1.0, quad_segs=256)
    left = wedge.difference(opened).intersection(shapely.Point(0, 0).buffer(6))
    corner = Corner(0.0, (0, 0, 0), (0, 1), angle_deg)
    assert corner.left_mm2(1.0) == pytest.approx(left.area, rel=2e-3)


def test_what_a_wire_leaves_in_sharp_corners_is_named() -> None:
    """Closed form: a square corner keeps (1 - pi/4) R^2 over the height, R the wire's radius and its gap."""
    shop = shop_with(wires=(Wire(0.25, 0.02),))
    solid = block().cut(cq.Workplane().box(8, 6, 60))
    job = job_of(solid, shop)
    verdict = asked(job, the(job, Kind.THROUGH_PROFILE), "wire")
    assert not verdict.workable
    assert verdict.rest is not None
    assert verdict.rest.words == "4 inside corners left at R 0.145"
    assert verdict.rest.volume_mm3 == pytest.approx((4 - math.pi) * 0.145**2 * 20, rel=1e-6)
    route = make_plan(recognised(solid), shop, Choices(material="steel-60hrc", threads={"all": "plain"}))
    (opening,) = [r for r in route.features if r.feature.kind == Kind.THROUGH_PROFILE]
    assert opening.process == "sink-erode"
    stages = [(o.process, o.stage.words) for o in route.steps if opening.feature.id in o.features]
    assert [s for s in stages if s[1] in ("wire", "erode")] == [("wire", "wire"), ("sink-erode", "erode")]


def on_its_side() -> dict[str, cq.Workplane]:
    """Open runs that no wheel makes, and one that any makes."""
    tee = block().cut(cq.Workplane().box(60, 4, 10).translate((0, 0, 20)))
    return {
        "too narrow": block().cut(cq.Workplane().box(60, 0.4, 6).translate((0, 0, 20))),
        "too deep": block().cut(cq.Workplane().box(60, 2.8, 24).translate((0, 0, 20))),
        "undercut": tee.cut(cq.Workplane().box(60, 10, 3).translate((0, 0, 14))),
        "plain": block().cut(cq.Workplane().box(60, 8, 10).translate((0, 0, 20))),
    }


@pytest.mark.parametrize(
    ("wanted", "wired"),
    [
        ("no wheel", {"too narrow", "too deep", "undercut"}),
        ("never", set()),
        ("always", {"too narrow", "too deep", "undercut", "plain"}),
    ],
)
def test_open_runs_are_wired_on_their_side_as_the_shop_wants(wanted: str, wired: set[str]) -> None:
    """By common practice, no source, a floor that a wheel gets to is ground."""
    general = replace(load_shop().general, wire_on_its_side=wanted)
    found = set()
    for name, solid in on_its_side().items():
        job = job_of(solid, shop_with(general=general))
        (feature,) = [f for f in job.features if f.kind != Kind.OUTSIDE_FACE]
        verdict = asked(job, feature, "wire")
        if verdict.workable:
            found.add(name)
            assert verdict.approach.side in ("+x", "-x")
            assert verdict.height_mm == pytest.approx(40)
    assert found == wired


def between(low: tuple[float, float], high: tuple[float, float], z: float, rise: float) -> cq.Workplane:
    """The solid between two rectangles, from height z up."""
    body = cq.Workplane(origin=(0, 0, z)).rect(*low).workplane(offset=rise).rect(*high)
    return body.loft(ruled=True)


def test_a_wall_that_would_be_cut_into_is_named_with_its_depth() -> None:
    """Widest in the middle: a wire along the lower walls is 1 mm too far out at the top (closed form)."""
    barrel = between((10, 8), (11, 9), 0, 10).union(between((11, 9), (10, 8), 10, 10))
    job = job_of(block().cut(barrel))
    (feature,) = [f for f in job.features if f.kind != Kind.OUTSIDE_FACE]
    verdict = asked(job, feature, "wire")
    assert not verdict.workable
    depth = float(verdict.reason.split(" stands ")[1].split(" ")[0])
    # In a corner it is farther, by the square root of 2; sections are a hundredth inside the walls.
    assert depth == pytest.approx(math.sqrt(2), rel=0.03)
    waist = between((11, 9), (10, 8), 0, 10).union(between((10, 8), (11, 9), 10, 10))
    job = job_of(block().cut(waist))
    (feature,) = [f for f in job.features if f.kind != Kind.OUTSIDE_FACE]
    assert asked(job, feature, "wire").workable


@pytest.mark.parametrize(("height", "workable"), [(20, True), (60, False)])
def test_a_wire_that_leans_crosses_to_the_other_wall_of_a_tall_part(height: float, workable: bool) -> None:
    """A cone of 14 deg over a bore R 3: carried down 50 mm it is at R 3 - 50 tan 14 = -9.5, past its apex."""
    r, high = 3.0, 10.0
    profile = [
        (0, 0),
        (r, 0),
        (r, height - high),
        (r + high * math.tan(math.radians(14)), height),
        (0, height),
    ]
    bore = cq.Workplane("XZ").polyline(profile).close().revolve(360, (0, 0, 0), (0, 1, 0))
    job = job_of(block(60, 50, height).cut(bore))
    (feature,) = [f for f in job.features if f.kind != Kind.OUTSIDE_FACE]
    verdict = asked(job, feature, "wire")
    assert verdict.workable == workable, verdict.reason
    if not workable:
        assert "deep in the wire's way" in verdict.reason


def test_a_gap_under_the_kerf_is_told_with_its_width() -> None:
    slot = cq.Workplane().slot2D(8, 0.08).extrude(60, both=True)
    job = job_of(block(z=10).cut(slot), shop_with(wires=(Wire(0.07, 0.01),)))
    (feature,) = [f for f in job.features if f.kind in _OPENINGS]
    reason = asked(job, feature, "wire").reason
    corner = "inside corner R 0.04 is under the 0.035 wire radius plus 0.01 gap"
    assert reason == corner  # its round ends say it first
    bar = cq.Workplane().box(6, 0.08, 60).union(cq.Workplane().box(2, 2, 60).translate((-3, 0, 0)))
    job = job_of(block(z=10).cut(bar))
    (feature,) = [f for f in job.features if f.kind in _OPENINGS]
    reason = asked(job, feature, "wire").reason
    assert reason == "a gap of 0.080 is under the 0.090 of the 0.07 wire and its gaps"


def minutes(area_mm2: float, height_mm: float, shares: list[float], wire_mm: float = 0.25) -> float:
    """The shop's rates by hand: cut area over speed, which grows with the wire's section and the height."""
    rates, scale = owned("rates.wire"), load_shop().rule(job_of(block()).material).wire_scale
    speed = rates.mm2_per_min * (wire_mm / rates.full_wire_mm) ** 2 * scale
    speed *= height_mm / (height_mm + rates.lost_height_mm)
    return sum(area_mm2 / (speed * s) for s in shares)


def test_a_sharp_corner_is_asked_about_with_what_a_thicker_wire_saves() -> None:
    job = job_of(opening())
    verdict = asked(job, the(job, Kind.THROUGH_PROFILE), "wire")
    first = verdict.thicker[0]
    assert first.wire.diameter_mm == 0.10
    assert first.corner_mm == pytest.approx(0.06)
    area, shares = 2 * (12 + 8) * 20, [1, 2, 2.5, 2.5]
    saved = minutes(area, 20, shares, 0.07) - minutes(area, 20, shares, 0.10)
    assert first.saves_min == pytest.approx(saved, rel=1e-3)
    (hint,) = verdict.flags
    assert f"R 0.06, which saves {saved:.0f} min with wire 0.1" in hint.message
    plan = make_plan(recognised(opening()), load_shop(), Choices(threads={"all": "plain"}))
    assert [f.code for f in plan.flags if f.code == "wire-corner"] == ["wire-corner"]
    round_ = job_of(opening(1.0))
    assert not asked(round_, the(round_, Kind.THROUGH_PROFILE), "wire").flags


def test_land_and_relief_are_priced_by_their_passes() -> None:
    """Closed form: the land opens the whole height and gets three trims over its own, the relief one cut."""
    # The relief takes 0.25 at most, less than a kerf: no main cut of its own.
    relief = between((10.5, 8.5), (10, 8), 0, 15)
    solid = block().cut(cq.Workplane().rect(10, 8).extrude(20)).cut(relief)
    plan = make_plan(recognised(solid), ONE_LEAVING, Choices(threads={"all": "plain"}))
    (step,) = [s for s in plan.steps if s.process == "wire"]
    rates = owned("rates.wire")
    land = minutes(36 * 20, 20, [1]) + minutes(36 * 5, 5, [2, 2.5, 2.5])
    below = minutes(37 * 15, 15, [2])
    assert step.minutes == pytest.approx(land + below + rates.threading_min + rates.slug_min, rel=0.005)
    assert [(t.words, t.trims) for t in step.passes[0].tool_passes] == [("land", 3), ("relief", 1)]


def test_what_leans_over_the_limit_is_left_to_others_and_the_rest_wired() -> None:
    """One wall leans by 17 deg near the top: a wire makes all below it, and another process that wall."""
    move = 4 * math.tan(math.radians(17))
    leaning = cq.Workplane("XZ", origin=(0, 4, 0))
    leaning = leaning.polyline([(0, 16), (6, 16), (6 + move, 20), (0, 20)]).close().extrude(8)
    solid = block().cut(cq.Workplane().rect(12, 8).extrude(20)).cut(leaning)
    job = job_of(solid)
    feature = the(job, Kind.THROUGH_PROFILE)
    verdict = asked(job, feature, "wire")
    assert "leans 17.0 deg, over the machine's 15 deg" in verdict.reason
    assert len(verdict.offers) == len(feature.faces) - 1
    plan = make_plan(recognised(solid), load_shop(), Choices(threads={"all": "plain"}))
    core, rest = plan.by_id[feature.id].regions
    assert (core.process, core.region.words) == ("wire", "core")
    assert rest.process not in ("wire", "none")
    assert rest.region.words == "rest at +z"
    assert set(core.piece.faces) == set(verdict.offers)
    whole = next(v for v in plan.by_id[feature.id].verdicts if v.process == "sink-erode")
    assert whole.workable  # it could be sunk whole, at a price


def test_a_freely_curved_opening_of_one_face_is_wired() -> None:
    """Seen along the wire its own facets stand before it here and there: they are no obstacle."""
    for seed in (12, 51):
        job = job_of(insert("closed_spline", seed, upright=True))
        (feature,) = [f for f in job.features if f.kind != Kind.OUTSIDE_FACE]
        verdict = asked(job, feature, "wire")
        assert len(feature.faces) == 1
        assert verdict.workable, verdict.reason


def test_a_face_named_none_has_no_name(tmp_path: Path) -> None:
    """Some systems write NONE where a face has no name (seen in exported files, no source)."""
    file = tmp_path / "named.step"
    cq.exporters.export(block().faces(">Z").workplane().rect(10, 8).cutBlind(-5), str(file))
    text = re.sub(r"ADVANCED_FACE\(''", "ADVANCED_FACE('NONE'", file.read_text())
    assert "'NONE'" in text
    file.write_text(text)
    (solid,) = read_step(file, isolate=False).parts
    assert set(solid.face_names) == {""}


@pytest.mark.parametrize(("diameter", "process"), [(36.0, "wire"), (12.0, "mill")])
def test_a_wide_bore_is_wired_though_its_mouth_is_broken(diameter: float, process: str) -> None:
    """Common practice, no source: nobody mills a wide bore out of carbide for the chamfer at its mouth."""
    ring = (
        cq.Workplane().circle(30).circle(diameter / 2).extrude(15).faces(">Z").edges("%CIRCLE").chamfer(0.5)
    )
    plan = make_plan(recognised(ring), load_shop(), Choices(material="carbide-12"))
    (bore,) = [r for r in plan.features if r.feature.kind == Kind.HOLE]
    assert bore.process == process
    assert {r.process for r in bore.regions} == {process, "mill"}

"""Milling and drilling: cutter against corner, foot, gap and reach; the grid against closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import cadquery as cq
import numpy as np
import pytest

from featurize.feature import Kind
from routing.inputs.shop import load_shop
from routing.processes.heights import HeightGrid
from routing.processes.mill.reach import rows_mm
from routing.processes.tools import Cutter
from tests.support.routed import asked, block, job_of, owned, shop_with, the

CUTTERS = (Cutter("flat", 3.0, 0.02, 30.0), Cutter("ball", 2.0, 1.0, 20.0), Cutter("bull", 2.0, 0.2, 20.0))
UP = np.array([0.0, 0.0, 1.0])


def pocket(
    radius_mm: float = 0.0, depth: float = 4, foot_mm: float = 0.0, x: float = 14, y: float = 9
) -> cq.Workplane:
    tool = cq.Workplane().box(x, y, depth, centered=(True, True, False)).translate((0, 0, 20 - depth))
    if radius_mm:
        tool = tool.edges("|Z").fillet(radius_mm)
    if foot_mm:
        tool = tool.faces("<Z").edges().fillet(foot_mm)
    return block().cut(tool)


def test_the_largest_cutter_that_fits_corner_and_foot() -> None:
    job = job_of(pocket(1.5), shop_with(cutters=CUTTERS))
    verdict = asked(job, the(job, Kind.POCKET), "mill")
    assert verdict.workable, verdict.reason
    assert verdict.tool.diameter_mm == 3
    job = job_of(pocket(1.4), shop_with(cutters=CUTTERS[:1]))
    verdict = asked(job, the(job, Kind.POCKET), "mill")
    assert verdict.reason == "inside corner R 1.4 is under the smallest cutter radius 1.5"
    # Closed form: four square corners.
    assert verdict.shortfall_mm3 == pytest.approx(4 * (1 - math.pi / 4) * (1.5**2 - 1.4**2) * 4, rel=1e-3)


def test_a_sharp_corner_is_not_milled() -> None:
    job = job_of(pocket())
    verdict = asked(job, the(job, Kind.POCKET), "mill")
    assert not verdict.workable
    assert verdict.reason.startswith("sharp inside corner")
    assert verdict.place is not None
    # The place is a corner of the pocket.
    assert np.abs(verdict.place[:2]) == pytest.approx((7, 4.5), abs=0.01)


def test_what_a_cutter_leaves_in_sharp_corners_is_named() -> None:
    """Closed form: a square corner keeps (1 - pi/4) r^2 over the depth."""
    job = job_of(pocket(depth=6))
    rest = asked(job, the(job, Kind.POCKET), "mill").rest
    assert rest is not None
    # Depth 6 is over 10 diameters of 0.5 and within 8 of 0.8: the smallest that reaches leaves R 0.4.
    assert rest.words == "4 inside corners left at R 0.4"
    assert rest.volume_mm3 == pytest.approx((4 - math.pi) * 0.4**2 * 6, rel=1e-6)
    assert np.abs(np.array(rest.places)[:, :2]) == pytest.approx(np.tile((7, 4.5), (4, 1)), abs=0.01)


def test_nothing_goes_ahead_where_the_refusal_is_not_for_corners() -> None:
    job = job_of(pocket(depth=19, x=1.2, y=3))
    verdict = asked(job, the(job, Kind.POCKET), "mill")
    assert not verdict.workable
    assert verdict.rest is None  # no cutter that passes 1.2 reaches 19


def test_a_floor_fillet_wants_a_rounded_cutter() -> None:
    job = job_of(pocket(2.0, foot_mm=0.5), shop_with(cutters=CUTTERS))
    verdict = asked(job, the(job, Kind.POCKET), "mill")
    assert verdict.workable, verdict.reason
    assert verdict.tool.kind == "bull"  # the ball's R 1 is over the 0.5 fillet
    job = job_of(pocket(2.0, foot_mm=0.5), shop_with(cutters=(CUTTERS[1],)))
    assert "floor fillet R 0.5" in asked(job, the(job, Kind.POCKET), "mill").reason


@pytest.mark.parametrize(
    ("material", "depth", "workable"),
    # Corner R 0.5 wants a 1 mm cutter: 8 diameters in steel, 5 in carbide (common practice, no source).
    [
        ("steel-60hrc", 9.5, True),
        ("steel-60hrc", 10.5, False),
        ("carbide-12", 4.9, True),
        ("carbide-12", 5.2, False),
    ],
)
def test_reach_is_bounded_by_diameters(material: str, depth: float, workable: bool) -> None:
    job = job_of(pocket(0.5, depth), material=material)
    verdict = asked(job, the(job, Kind.POCKET), "mill")
    assert verdict.workable == workable, verdict.reason
    if not workable:
        assert "reach of the 1 flat cutter" in verdict.reason


@pytest.mark.parametrize(("width", "workable"), [(3.0, True), (2.5, False)])
def test_a_gap_under_the_cutter_is_refused(width: float, workable: bool) -> None:
    # Open at both ends: no corner decides.
    job = job_of(
        block().cut(cq.Workplane().box(60, width, 8).translate((0, 0, 20))), shop_with(cutters=CUTTERS[:1])
    )
    verdict = asked(job, the(job, Kind.SLOT), "mill")
    assert verdict.workable == workable, verdict.reason
    if not workable:
        assert "gap is under the 3 cutter" in verdict.reason
        # All of the slot stays: width x depth x length; half a pitch on each wall.
        assert verdict.shortfall_mm3 == pytest.approx(width * 4 * 40, rel=0.15)


def test_an_undercut_is_named() -> None:
    tee = cq.Workplane().box(20, 4, 8).union(cq.Workplane().box(20, 10, 3).translate((0, 0, -2.5)))
    job = job_of(block().cut(tee.translate((0, 0, 16))))
    verdicts = [asked(job, f, "mill") for f in job.features if f.kind != Kind.OUTSIDE_FACE]
    # The slot's head stands (10 - 4) / 2 out of its neck; the shop's 6 cutter has a 3 neck.
    assert any("it reaches 1.5 sideways, the slot's head 3" in v.reason for v in verdicts), verdicts
    assert not all(v.workable for v in verdicts)


@pytest.mark.parametrize(("depth", "workable"), [(19.0, True), (21.0, False)])
def test_a_drill_reaches_ten_diameters(depth: float, workable: bool) -> None:
    job = job_of(block(z=25).faces(">Z").workplane().circle(1.0).cutBlind(-depth))
    verdict = asked(job, the(job, Kind.HOLE), "mill")
    assert verdict.workable == workable, verdict.reason
    if not workable:
        assert "depth 21 is 10.5 diameters of 2, over 10" in verdict.reason


def test_grid_volume_of_a_square_pocket_left_by_a_flat_cutter() -> None:
    # (1 - pi/4) r^2 in each of four corners, closed form.
    job = job_of(pocket(depth=4))
    grid = HeightGrid.of(job, the(job, Kind.POCKET), UP)
    for r in (0.75, 1.5, 3.0):
        left = grid.leaving(Cutter("flat", 2 * r, 0.001, 30.0))
        # The grid rounds r by up to half a pitch, and each corner by a few of its cells.
        bound = 4 * 4 * ((1 - math.pi / 4) * r * grid.pitch_mm + 3 * grid.pitch_mm**2)
        assert left.volume_mm3 == pytest.approx(4 * (1 - math.pi / 4) * r**2 * 4, abs=bound)
    assert left.height_mm == pytest.approx(4)
    # A cutter much smaller than the grid's pitch leaves nothing.
    assert (
        HeightGrid.of(job, the(job, Kind.POCKET), UP).leaving(Cutter("flat", 0.1, 0.001, 30.0)).volume_mm3
        == 0
    )


def test_grid_height_left_by_a_ball_in_a_vee() -> None:
    # A ball of radius R in a 90 deg vee stands (sqrt 2 - 1) R off the bottom, closed form.
    vee = cq.Workplane("YZ").polyline([(-4, 20), (4, 20), (0, 16)]).close().extrude(60, both=True)
    job = job_of(block(6).cut(vee))
    faces = [f.id for f in job.part.faces if abs(float(f.normals[0] @ UP) - math.sqrt(0.5)) < 1e-6]
    grid = HeightGrid.over(job, faces, UP, 0.2)
    left = grid.leaving(Cutter("ball", 2.0, 1.0, 20.0))
    assert left.height_mm == pytest.approx(math.sqrt(2) - 1, abs=1.5 * grid.pitch_mm)
    assert left.volume_mm3 == pytest.approx((1 - math.pi / 4) * 6, rel=0.15)  # r^2 (1 - pi/4) a length
    feature = job.owner[faces[0]]
    assert not asked(job, feature, "mill").workable


def test_grid_removed_volume_is_the_pocket() -> None:
    job = job_of(pocket(2.0, 4))
    removed = HeightGrid.of(job, the(job, Kind.POCKET), UP).removed_mm3
    assert removed == pytest.approx((14 * 9 - (4 - math.pi) * 4) * 4, rel=0.02)


def test_shank_and_holder_pass_what_stands_beside() -> None:
    """A pocket with corners of R 1 in a shelf, its wall 3 from a tower 14 high: the axis comes within 4."""
    shelf = block().cut(cq.Workplane().box(30, 30, 12, centered=(False, True, False)).translate((-10, 0, 8)))
    tool = cq.Workplane().box(8, 8, 2, centered=(False, True, False)).edges("|Z").fillet(1)
    solid = shelf.cut(tool.translate((-7, 0, 6)))
    cutter = Cutter("flat", 2.0, 0.02, 4.0)
    for shank, out, workable in ((3, 50, True), (10, 50, False), (3, 5, False), (3, 12, True)):
        holding = replace(owned("holding"), shank_mm=shank, shank_out_mm=out)
        job = job_of(solid, shop_with(cutters=(cutter,), holding=holding))
        verdict = asked(job, the(job, Kind.POCKET), "mill")
        assert verdict.workable is workable, (shank, out, verdict.reason)
        assert workable or "shank or of the holder" in verdict.reason


def test_a_coated_neck_that_rubs_reaches_no_further_than_its_flutes() -> None:
    shop = load_shop()
    closed = shop_with(shop, holding=replace(owned("holding", shop), neck_under_mm=0.01, coating_mm=0.01))
    for held, workable in ((shop, True), (closed, False)):
        job = job_of(pocket(1.0, 4), held)  # 2 mm cutters cut 3 deep with their flutes
        assert asked(job, the(job, Kind.POCKET), "mill").workable is workable


@pytest.mark.parametrize("radius", [0.25, 1.0, 6.0])
@pytest.mark.parametrize("cusp", [0.001, 0.01, 0.1])
def test_rows_leave_the_cusp_they_were_reckoned_for(radius: float, cusp: float) -> None:
    """Handbook formula of the cusp between rows s apart: h = R - sqrt(R^2 - (s/2)^2)."""
    s = rows_mm(radius, cusp)
    assert radius - math.sqrt(radius**2 - (s / 2) ** 2) == pytest.approx(cusp, rel=1e-9)

"""Milling: cutter against corner, foot, gap, reach and holder; the grid against closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import cadquery as cq
import numpy as np
import pytest

from featurize.feature import Kind
from routing.processes.heights import HeightGrid
from routing.processes.mill.pace import slenderness
from routing.processes.mill.reach import rows_mm
from routing.processes.tools import Cutter
from tests.support.routed import asked, block, job_of, owned, shop_with, the

# As measured: a finishing cutter stays 0.05 under the corner's radius (the default shop's margin).
CUTTERS = (Cutter("flat", 2.9, 0.02, 29.0), Cutter("ball", 2.0, 1.0, 20.0), Cutter("bull", 2.0, 0.2, 20.0))
UP = np.array([0.0, 0.0, 1.0])


def pocket(
    radius_mm: float = 0.0, depth: float = 4, foot_mm: float = 0.0, x: float = 14, y: float = 9, z: float = 20
) -> cq.Workplane:
    tool = cq.Workplane().box(x, y, depth, centered=(True, True, False)).translate((0, 0, z - depth))
    if radius_mm:
        tool = tool.edges("|Z").fillet(radius_mm)
    if foot_mm:
        tool = tool.faces("<Z").edges().fillet(foot_mm)
    return block(z=z).cut(tool)


def test_a_cutter_stays_a_margin_under_the_corner_it_finishes() -> None:
    for diameter, workable in ((2.9, True), (2.92, False), (3.0, False)):
        job = job_of(pocket(1.5), shop_with(cutters=(Cutter("flat", diameter, 0.02, 29.0),)))
        verdict = asked(job, the(job, Kind.POCKET), "mill")
        assert verdict.workable is workable, (diameter, verdict.reason)
    none = replace(owned("milling"), corner_margin_mm=0.0)
    job = job_of(pocket(1.5), shop_with(cutters=(Cutter("flat", 3.0, 0.02, 29.0),), milling=none))
    assert asked(job, the(job, Kind.POCKET), "mill").workable


def test_a_corner_under_every_cutter_is_refused_with_what_would_stay() -> None:
    job = job_of(pocket(1.4), shop_with(cutters=CUTTERS[:1]))
    verdict = asked(job, the(job, Kind.POCKET), "mill")
    assert verdict.reason == "inside corner R 1.4 is under the smallest cutter radius 1.45"
    # Closed form: four square corners.
    assert verdict.shortfall_mm3 == pytest.approx(4 * (1 - math.pi / 4) * (1.45**2 - 1.4**2) * 4, rel=1e-3)


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
    # Depth 6 is over 10 diameters of 0.495 and within 8 of 0.895: the smallest that reaches leaves that.
    radius = min(c.radius_mm for c in owned("cutters") if c.diameter_mm > 0.5)
    assert rest.words == f"4 inside corners left at R {radius:.3g}"
    assert rest.volume_mm3 == pytest.approx((4 - math.pi) * radius**2 * 6, rel=1e-6)
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
    assert verdict.tool.form == "bull"  # the ball's R 1 is over the 0.5 fillet
    job = job_of(pocket(2.0, foot_mm=0.5), shop_with(cutters=(CUTTERS[1],)))
    assert "floor fillet R 0.5" in asked(job, the(job, Kind.POCKET), "mill").reason


@pytest.mark.parametrize(
    ("material", "depth", "workable"),
    # Corner R 0.5 wants a cutter under 0.9: 8 diameters in steel, 5 in carbide (common practice, no source).
    [
        ("steel-60hrc", 7.0, True),
        ("steel-60hrc", 7.3, False),
        ("carbide-12", 4.4, True),
        ("carbide-12", 4.6, False),
    ],
)
def test_reach_is_bounded_by_diameters(material: str, depth: float, workable: bool) -> None:
    long = tuple(replace(c, diameter_mm=0.9, neck_mm=12, kind=k) for c in CUTTERS[:1] for k in OF_BOTH)
    job = job_of(pocket(0.5, depth), shop_with(cutters=long), material=material)
    verdict = asked(job, the(job, Kind.POCKET), "mill")
    assert verdict.workable == workable, verdict.reason
    if not workable:
        assert "reach of the 0.9 flat" in verdict.reason


OF_BOTH = ("coated cutter", "diamond-coated cutter")


@pytest.mark.parametrize(("width", "workable"), [(3.0, True), (2.5, False)])
def test_a_gap_under_the_cutter_is_refused(width: float, workable: bool) -> None:
    # Open at both ends: no corner decides; the margin of 0.05 is kept off both walls.
    job = job_of(
        block().cut(cq.Workplane().box(60, width, 8).translate((0, 0, 20))), shop_with(cutters=CUTTERS[:1])
    )
    verdict = asked(job, the(job, Kind.SLOT), "mill")
    assert verdict.workable == workable, verdict.reason
    if not workable:
        assert "gap is under the 2.9 flat" in verdict.reason
        # All of the slot stays: width x depth x length; half a pitch on each wall.
        assert verdict.shortfall_mm3 == pytest.approx(width * 4 * 40, rel=0.15)


def test_an_undercut_is_named() -> None:
    tee = cq.Workplane().box(20, 4, 8).union(cq.Workplane().box(20, 10, 3).translate((0, 0, -2.5)))
    job = job_of(block().cut(tee.translate((0, 0, 16))))
    verdicts = [asked(job, f, "mill") for f in job.features if f.kind != Kind.OUTSIDE_FACE]
    # The slot's head stands (10 - 4) / 2 out of its neck; the shop's 6 cutter has a 3 neck.
    assert any("it reaches 1.5 sideways, the slot's head 3" in v.reason for v in verdicts), verdicts
    assert not all(v.workable for v in verdicts)


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


@pytest.mark.parametrize(
    ("shank", "neck", "least", "out"),
    [
        (3, 4, 50, 50),  # all clear
        (10, 4, 50, None),  # the shank is in the way
        (3, 4, 8, 15),  # pulled out until the holder stands over the tower, 14 high
        (3, 4, 16, 16),
        (1.4, 4, 8, None),  # ... but not by more than ten diameters of the shank
    ],
)
def test_shank_and_holder_pass_what_stands_beside(
    shank: float, neck: float, least: float, out: float | None
) -> None:
    """A pocket with corners of R 1 in a shelf, its wall 3 from a tower 14 high: the axis comes within 4."""
    shelf = block().cut(cq.Workplane().box(30, 30, 12, centered=(False, True, False)).translate((-10, 0, 8)))
    tool = cq.Workplane().box(8, 8, 2, centered=(False, True, False)).edges("|Z").fillet(1)
    solid = shelf.cut(tool.translate((-7, 0, 6)))
    cutter = Cutter("flat", 1.4, 0.02, neck, stick_out_mm=least)
    holding = replace(owned("holding"), shank_mm=shank)
    job = job_of(solid, shop_with(cutters=(cutter,), holding=holding))
    verdict = asked(job, the(job, Kind.POCKET), "mill")
    assert verdict.workable is (out is not None), verdict.reason
    if out is None:
        assert "shank or of the holder" in verdict.reason
    else:
        assert verdict.stick_out_mm == pytest.approx(out, abs=1e-3)


@pytest.mark.parametrize(
    ("under", "coating", "up", "workable"),
    [
        (0.03, 0.010, 5.0, True),
        (0.01, 0.010, 5.0, False),  # the coated neck is as thick as the cut is wide
        (0.01, 0.010, 2.0, True),  # coated no further than its flutes
        (0.0, 0.0, 0.0, True),  # not coated
    ],
)
def test_a_coated_neck_that_rubs_reaches_no_further_than_its_flutes(
    under: float, coating: float, up: float, workable: bool
) -> None:
    own = {"neck_under_mm": under, "coating_mm": coating, "coating_up_mm": up}
    cutter = Cutter("flat", 1.8, 0.02, 18.0, flute_mm=2.7, **own)
    job = job_of(pocket(1.0, 4), shop_with(cutters=(cutter,)))
    assert asked(job, the(job, Kind.POCKET), "mill").workable is workable
    shallow = job_of(pocket(1.0, 2.5), shop_with(cutters=(cutter,)))
    assert asked(shallow, the(shallow, Kind.POCKET), "mill").workable


@pytest.mark.parametrize(
    ("diameter", "neck", "out", "shank"),
    [(4.0, 35.0, 50.0, 6.0), (1.0, 5.0, 20.0, 6.0), (6.0, 18.0, 30.0, 6.0)],
)
def test_slenderness_is_that_of_a_bar_which_bends_as_much(
    diameter: float, neck: float, out: float, shank: float
) -> None:
    """Euler-Bernoulli beam, handbook: deflection under an end load is the integral of x^2 / EI over x."""
    xs = np.linspace(0, out, 200_001)
    across = np.where(xs <= neck, diameter, shank)
    bend = np.trapezoid(xs**2 / (np.pi * across**4 / 64), xs)
    even = (3 * bend * np.pi * diameter**4 / 64) ** (1 / 3) / diameter  # l^3 / 3 EI of a bar of its diameter
    assert slenderness(diameter, neck, out, shank) == pytest.approx(even, rel=1e-3)
    assert slenderness(6.0, 18.0, 30.0, 6.0) == pytest.approx(30 / 6)


def test_a_slender_cutter_is_slower_and_flagged() -> None:
    """Corners of R 2, 35 deep in carbide, with the default shop's 3.79 at some 9 diameters."""
    flat = tuple(c for c in owned("cutters") if c.form == "flat" and c.kind == "diamond-coated cutter")
    job = job_of(pocket(2.0, 35, x=24, y=18, z=40), shop_with(cutters=flat), material="carbide-12")
    verdict = asked(job, the(job, Kind.POCKET), "mill")
    assert verdict.workable, verdict.reason
    assert [f.code for f in verdict.flags] == ["slender-cutter"]
    way = verdict.way
    rule = job.shop.rule(job.material)
    assert way.slender > 2 * rule.stiff_ratio
    assert way.rate_share == pytest.approx(rule.stiff_ratio / way.slender)
    shallow = job_of(pocket(2.0, 6, x=24, y=18), shop_with(cutters=flat), material="carbide-12")
    assert not asked(shallow, the(shallow, Kind.POCKET), "mill").flags


@pytest.mark.parametrize("radius", [0.25, 1.0, 6.0])
@pytest.mark.parametrize("cusp", [0.001, 0.01, 0.1])
def test_rows_leave_the_cusp_they_were_reckoned_for(radius: float, cusp: float) -> None:
    """Handbook formula of the cusp between rows s apart: h = R - sqrt(R^2 - (s/2)^2)."""
    s = rows_mm(radius, cusp)
    assert radius - math.sqrt(radius**2 - (s / 2) ** 2) == pytest.approx(cusp, rel=1e-9)

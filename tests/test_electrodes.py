"""Electrodes: clearance to the cavity as the kernel measures it on the written file, and closed forms.

What is sampled here is sampled from the re-read STEP file, by the surfaces' own parameters, not by the code
that made or proved the body.
"""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cadquery as cq
import jsonschema
import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given
from hypothesis import strategies as st
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.BRepAlgoAPI import BRepAlgoAPI_Common
from OCP.BRepClass import BRepClass_FaceClassifier
from OCP.BRepExtrema import BRepExtrema_DistShapeShape
from OCP.BRepLProp import BRepLProp_SLProps
from OCP.BRepTools import BRepTools
from OCP.gp import gp_Dir, gp_Lin, gp_Pnt, gp_Pnt2d, gp_Trsf, gp_Vec
from OCP.IntCurvesFace import IntCurvesFace_ShapeIntersector
from OCP.TopAbs import TopAbs_Orientation, TopAbs_ShapeEnum, TopAbs_State
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS

from featurize import system
from featurize.brep.shapes import each
from featurize.brep.solids import KernelError, is_valid, solids_of, volume_of
from featurize.errors import StepError
from featurize.feature import Kind
from featurize.isolate import run_isolated
from featurize.step.read import read_step
from routing.export.solid_files import write_step
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs.job import run_job
from routing.processes.context import JobContext
from routing.processes.shop import Shop
from routing.processes.sink_erode import rules as plan
from routing.processes.sink_erode.body import ElectrodeBody, bodies_of, electrode_body
from routing.processes.sink_erode.cavity import Cavity, cavity_of, vertex
from routing.processes.sink_erode.forecast import size_mm
from routing.processes.sink_erode.reach import leaves_mm
from routing.processes.sink_erode.stages import BurnRegion, burns_of, material_for, number_for, stages_of
from routing.processes.sink_erode.zones import Zone, zones_of
from tests.support.routed import UP, asked, block, job_of, owned, the
from tests.support.sampled import few

ROOT = Path(__file__).resolve().parents[1]
SHOP = load_shop()
OWNED = owned("electrodes", SHOP)
FINISH, ROUGH = OWNED.finish_gap_mm, OWNED.rough_gap_mm
# What the clearance may miss: a thousandth, what a toolroom measures.
CLEARANCE_MM = 1e-3


def electrodes_of(solid: cq.Workplane) -> Cavity:
    """The void over the first feature that is no outside face, from above."""
    job = job_of(solid)
    feature = next(f for f in job.features if f.kind != Kind.OUTSIDE_FACE)
    return cavity_of(job.part, feature, UP, margin_mm=FINISH / 2)


def samples(solid: Any, count: int = 5) -> list[tuple[np.ndarray, np.ndarray]]:
    """Points of a solid's faces and the outward normals there, on a grid of each face's parameters."""
    found = []
    for shape in each(solid, TopAbs_ShapeEnum.TopAbs_FACE):
        face = TopoDS.Face_s(shape)
        surface = BRepAdaptor_Surface(face)
        u0, u1, v0, v1 = BRepTools.UVBounds_s(face)
        for s in (np.arange(count) + 0.5) / count:
            for t in (np.arange(count) + 0.5) / count:
                u, v = u0 + s * (u1 - u0), v0 + t * (v1 - v0)
                if BRepClass_FaceClassifier(face, gp_Pnt2d(u, v), 1e-9).State() != TopAbs_State.TopAbs_IN:
                    continue
                local = BRepLProp_SLProps(surface, u, v, 1, 1e-9)
                p, n = local.Value(), local.Normal()
                sign = -1.0 if face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED else 1.0
                found.append((np.array([p.X(), p.Y(), p.Z()]), sign * np.array([n.X(), n.Y(), n.Z()])))
    return found


def check_clearance(electrode: Any, part: Any, gap: float) -> int:
    """Every point of the electrode that faces the part closely stands the gap from it, and none is nearer."""
    rays = IntCurvesFace_ShapeIntersector()
    rays.Load(part, 1e-9)
    facing = 0
    for p, n in samples(electrode):
        clear = BRepExtrema_DistShapeShape(vertex(p), part).Value()
        assert clear > gap - CLEARANCE_MM, (p, clear)
        rays.Perform(gp_Lin(gp_Pnt(*p), gp_Dir(*n)), 0.0, 1.5 * gap)
        if rays.NbPnt():
            facing += 1
            assert clear == pytest.approx(gap, abs=CLEARANCE_MM), p
    return facing


def check_filled(electrode: Any, cavity: Cavity, gap: float) -> None:
    """From every point of the cavity's own faces the electrode is found no further than a corner may be.

    In a right corner of three walls the corner itself is sqrt(3) gaps away; points are tried inside faces.
    """
    for i in cavity.feature.faces:
        face = cavity.part.faces[i]
        for p in face.points[:: max(1, len(face.points) // 6)]:
            off = BRepExtrema_DistShapeShape(vertex(p), electrode).Value()
            assert gap - CLEARANCE_MM < off < math.sqrt(3) * gap + CLEARANCE_MM, p


def reread(body: ElectrodeBody, folder: Path) -> Any:
    path = write_step(body.solid, folder / "electrode.step", name="electrode")
    (part,) = read_step(path, isolate=False).parts
    assert is_valid(part.solid)
    assert len(solids_of(part.solid)) == 1
    return part.solid


def check_whole(body: ElectrodeBody, folder: Path, least_facing: int = 5) -> Any:
    solid, part = reread(body, folder), body.cavity.part.solid
    assert check_clearance(solid, part, body.gap_mm) >= least_facing
    check_filled(solid, body.cavity, body.gap_mm)
    # What was measured to the faces beside it is the distance from the whole part, as near as the kernel
    # finds distances between tori: by steps, to some 1e-7.
    assert BRepExtrema_DistShapeShape(solid, part).Value() == pytest.approx(body.clearance.least_mm, abs=1e-6)
    shared = BRepAlgoAPI_Common(solid, part).Shape()
    assert sum(volume_of(s) for s in solids_of(shared)) < 1e-6
    return solid


def test_the_check_itself_sees_two_hundredths() -> None:
    body = electrode_body(
        electrodes_of(block().faces(">Z").workplane().rect(14, 9).cutBlind(-4)), ROUGH, OWNED
    )
    for wrong in (-0.02, 0.02):
        with pytest.raises(AssertionError):
            check_clearance(body.solid.Moved(_shift(wrong)), body.cavity.part.solid, ROUGH)
        with pytest.raises(AssertionError):
            check_filled(body.solid.Moved(_shift(wrong)), body.cavity, ROUGH)


def _shift(x: float) -> TopLoc_Location:
    move = gp_Trsf()
    move.SetTranslation(gp_Vec(x, 0, 0))
    return TopLoc_Location(move)


def corner_volume(radius: float) -> float:
    """What a fillet of an upright right corner fills, per height: (1 - pi/4) R^2."""
    return (1 - math.pi / 4) * radius**2


@pytest.mark.parametrize("gap", [FINISH, ROUGH])
def test_a_rectangular_pocket_in_closed_form(gap: float, tmp_path: Path) -> None:
    body = electrode_body(electrodes_of(block().faces(">Z").workplane().rect(14, 9).cutBlind(-4)), gap, OWNED)
    solid = check_whole(body, tmp_path, 25)
    form = (14 - 2 * gap) * (9 - 2 * gap) * (4 - gap + OWNED.overrun_mm)
    # Whole millimetres round the form: 13.x + 6 and 8.x + 6; one corner is off.
    base = (20 * 15 - OWNED.base_chamfer_mm**2 / 2) * OWNED.base_height_mm
    shank = body.shank_mm[0] ** 2 * OWNED.shank_height_mm
    assert body.base_size_mm == pytest.approx((15, 20, OWNED.base_height_mm))
    assert volume_of(solid) == pytest.approx(form + base + shank, rel=1e-9)
    assert body.method == "plane"
    # The touched face is the block's top: the tip ends a gap above the floor.
    assert body.cavity.top_mm - body.tip_mm == pytest.approx(4 - gap, abs=1e-9)
    assert body.base_mm - body.cavity.top_mm == pytest.approx(OWNED.overrun_mm)


def test_a_round_corner_keeps_its_centre(tmp_path: Path) -> None:
    # An inside radius R becomes R - gap on the electrode; one under the gap becomes a sharp edge.
    for radius, left in ((2.0, 2.0 - ROUGH), (0.08, 0.0)):
        pocket = cq.Workplane().box(14, 9, 8).edges("|Z").fillet(radius).translate((0, 0, 20))
        body = electrode_body(electrodes_of(block().cut(pocket)), ROUGH, OWNED)
        check_whole(body, tmp_path)
        area = (14 - 2 * ROUGH) * (9 - 2 * ROUGH) - 4 * corner_volume(left)
        height = 4 - ROUGH + OWNED.overrun_mm
        assert sum(map(volume_of, body.form)) == pytest.approx(area * height, rel=1e-9)


def test_round_about_an_upright_edge_that_stands_out(tmp_path: Path) -> None:
    # An L: one edge stands into the void; round it by the gap the clearance is the gap there too.
    ring = [(0, 0), (12, 0), (12, 4), (5, 4), (5, 10), (0, 10)]
    body = electrode_body(
        electrodes_of(block().faces(">Z").workplane().polyline(ring).close().cutBlind(-4)), ROUGH, OWNED
    )
    check_whole(body, tmp_path)
    # The outline less the gap by shapely, arcs as chords: as another's opinion.
    inner = shapely.Polygon(ring).buffer(-ROUGH, quad_segs=200)
    expected = inner.area * (4 - ROUGH + OWNED.overrun_mm)
    assert sum(map(volume_of, body.form)) == pytest.approx(expected, rel=1e-6)


def test_open_sides_are_overrun(tmp_path: Path) -> None:
    step = electrodes_of(block().cut(cq.Workplane().box(14, 9, 8).translate((20, 15, 20))))
    assert step.open_sides == ("+x", "+y")
    body = electrode_body(step, FINISH, OWNED)
    check_whole(body, tmp_path, 3)
    more = OWNED.overrun_mm - FINISH
    expected = (7 + more) * (4.5 + more) * (4 + more)
    assert sum(map(volume_of, body.form)) == pytest.approx(expected, rel=1e-9)


def test_a_pocket_that_is_left_by_an_island(tmp_path: Path) -> None:
    pocket = block().faces(">Z").workplane().rect(14, 9).cutBlind(-4)
    body = electrode_body(
        electrodes_of(pocket.union(cq.Workplane().box(4, 3, 4).translate((0, 0, 16)))), ROUGH, OWNED
    )
    solid = check_whole(body, tmp_path)
    assert body.method == "space"
    # Steiner: the island (4 x 3 x 2) less the void, plus its gap: sides, 8 edges' quarter rounds, 4 corners.
    grown = 4 * 3 * 2 + ROUGH * (4 * 3 + 2 * 2 * (4 + 3)) + math.pi * ROUGH**2 / 4 * (2 * (4 + 3) + 4 * 2)
    grown += 4 / 8 * 4 / 3 * math.pi * ROUGH**3
    # What the floor's own gap takes of the island's foot.
    grown -= ROUGH * (4 * 3 + 2 * ROUGH * (4 + 3) + math.pi * ROUGH**2)
    whole = (14 - 2 * ROUGH) * (9 - 2 * ROUGH) * (4 - ROUGH + OWNED.overrun_mm)
    assert sum(map(volume_of, body.form)) == pytest.approx(whole - grown, rel=1e-6)
    assert is_valid(solid)


def test_a_ball_and_a_round_that_the_gap_swallows(tmp_path: Path) -> None:
    ball = electrode_body(
        electrodes_of(block().cut(cq.Workplane().sphere(4).translate((0, 0, 20)))), ROUGH, OWNED
    )
    check_whole(ball, tmp_path)
    r = 4 - ROUGH
    # The upright part runs from the equator, the mouth, to the base.
    expected = 2 / 3 * math.pi * r**3 + math.pi * r**2 * OWNED.overrun_mm
    assert sum(map(volume_of, ball.form)) == pytest.approx(expected, rel=1e-6)
    foot = cq.Workplane().box(14, 9, 8).faces("<Z").edges().fillet(0.08).translate((0, 0, 20))
    check_whole(electrode_body(electrodes_of(block().cut(foot)), ROUGH, OWNED), tmp_path)


def _random_pocket(kind: str, seed: int) -> cq.Workplane:
    """A pocket somewhere in the block, turned about the upright."""
    rng = np.random.default_rng(seed)
    a, b, d = rng.uniform(6, 14), rng.uniform(5, 9), rng.uniform(2, 7)
    low = cq.Workplane("XY", origin=(0, 0, 20 - d))
    if kind == "prismatic":
        sides = int(rng.integers(3, 8))
        body = low.polygon(sides, b).extrude(d + 1)
    elif kind == "filleted":
        body = low.rect(a, b).extrude(d + 1).edges("|Z").fillet(rng.uniform(0.3, 2))
        body = body.faces("<Z").edges().fillet(rng.uniform(0.12, 0.28))
    elif kind == "drafted":
        lean = math.tan(math.radians(rng.uniform(1, 6))) * d
        body = low.rect(a - 2 * lean, b - 2 * lean).workplane(offset=d).rect(a, b).loft(ruled=True)
    else:
        lean = math.tan(math.radians(rng.uniform(1, 6))) * d
        body = low.circle(b / 2 - lean).workplane(offset=d).circle(b / 2).loft(ruled=True)
    turned = body.rotate((0, 0, 0), (0, 0, 1), rng.uniform(0, 90))
    return block().cut(turned.translate((rng.uniform(-8, 8), rng.uniform(-5, 5), 0)))


@pytest.mark.parametrize("seed", few(range(3), 1))
@pytest.mark.parametrize("kind", ["prismatic", "filleted", "drafted", "conical"])
def test_random_pockets_keep_the_gap(kind: str, seed: int, tmp_path: Path) -> None:
    gap = ROUGH if seed % 2 else FINISH
    body = electrode_body(electrodes_of(_random_pocket(kind, seed)), gap, OWNED)
    # None of them needs the kernel's own offset in space, which may crash or not end.
    assert body.method == {"prismatic": "plane", "filleted": "foot"}.get(kind, "faces")
    check_whole(body, tmp_path)


@pytest.mark.parametrize("gap", [FINISH, ROUGH])
def test_a_round_foot_in_closed_form(gap: float, tmp_path: Path) -> None:
    a, b, d, corner, foot = 14.0, 9.0, 4.0, 2.0, 0.5
    low = cq.Workplane("XY", origin=(0, 0, 20 - d)).rect(a, b).extrude(d + 1)
    low = low.edges("|Z").fillet(corner).faces("<Z").edges().fillet(foot)
    body = electrode_body(electrodes_of(block().cut(low)), gap, OWNED)
    check_whole(body, tmp_path)
    assert body.method == "foot"
    # Less the gap every length is shorter by two, every radius by one. A foot of radius r takes off along the
    # straights (1 - pi/4) r^2 of area; about corners of radius R by Pappus that area on the circle of its
    # centroid, which lies r (10 - 3 pi) / (12 - 3 pi) from the wall.
    a, b, r, big = a - 2 * gap, b - 2 * gap, foot - gap, corner - gap
    area = corner_volume(r)
    around = 2 * (a + b - 4 * big) + 2 * math.pi * (big - r * (10 - 3 * math.pi) / (12 - 3 * math.pi))
    whole = (a * b - 4 * corner_volume(big)) * (d - gap + OWNED.overrun_mm)
    assert sum(map(volume_of, body.form)) == pytest.approx(whole - area * around, rel=1e-7)


def test_an_offset_that_does_not_end_is_ended() -> None:
    """By the time of the processor that it used, not by the clock of a busy machine."""
    with pytest.raises(StepError, match="processor"):
        run_isolated(_endless, time_limit_s=60)


def _endless() -> None:
    system.limit_cpu(1)
    while True:
        pass


def test_no_body_where_the_gap_fills_the_cavity() -> None:
    cavity = electrodes_of(block().faces(">Z").workplane().rect(8, 0.15).cutBlind(-1))
    rough, finish = bodies_of(cavity, (ROUGH, FINISH), OWNED)
    assert isinstance(rough, str)
    assert "twice the 0.1 gap" in rough
    assert isinstance(finish, ElectrodeBody)


def test_the_base_clears_what_stands_higher(tmp_path: Path) -> None:
    # The pocket is in the floor of a wide step: the form goes on up to the block's own top and past it.
    solid = block().cut(cq.Workplane().box(60, 30, 10).translate((0, 10, 20)))
    cavity = electrodes_of(solid)
    job = job_of(solid.cut(cq.Workplane().box(6, 5, 8).translate((0, 3, 15))))
    pocket = next(f for f in job.features if f.kind == Kind.POCKET)
    cavity = cavity_of(job.part, pocket, UP, margin_mm=FINISH / 2)
    body = electrode_body(cavity, FINISH, OWNED)
    check_whole(body, tmp_path)
    assert cavity.top_mm - cavity.mouth_mm == pytest.approx(5)
    assert body.base_mm == pytest.approx(cavity.top_mm + OWNED.overrun_mm)


# --- the numbers beside the bodies


def test_the_corner_reached_is_edge_and_gap() -> None:
    assert plan.reached_mm(FINISH, OWNED) == leaves_mm(OWNED) == pytest.approx(0.04)


@pytest.mark.parametrize(
    ("ring", "width"),
    [
        ([(0, 0), (20, 0), (20, 3), (0, 3)], 3.0),
        # An L of arms 2 and 5 wide: the narrower counts.
        ([(0, 0), (20, 0), (20, 2), (5, 2), (5, 12), (0, 12)], 2.0),
        # A 3-4-5 triangle's inscribed circle has radius 1 (area 6 over half the perimeter 6).
        ([(0, 0), (4, 0), (0, 3)], 2.0),
    ],
)
def test_the_smallest_width(ring: list[tuple[float, float]], width: float) -> None:
    assert plan.smallest_width_mm(shapely.Polygon(ring)) == pytest.approx(width, rel=1e-3)


def test_flushing_is_doubtful_when_deep_and_closed() -> None:
    at = OWNED.flush_ratio * 2
    how = {"closed": True, "through": False}
    assert "flush through" not in plan.flushing(at, 2.0, OWNED, **how)
    assert "flush through" in plan.flushing(at + 0.1, 2.0, OWNED, **how)
    assert "open side" in plan.flushing(at + 0.1, 2.0, OWNED, closed=False, through=False)
    assert "from below" in plan.flushing(at + 0.1, 2.0, OWNED, closed=True, through=True)


# A pocket 20 x 10 and 5 deep: floor and walls 200 + 300 mm2.
WHOLE = BurnRegion(
    volume_mm3=1000.0,
    area_mm2=500.0,
    front_mm2=200.0,
    width_mm=10.0,
    corner_mm=math.inf,
    through=False,
    ra_um=1.0,
    fine_steps=1,
    workpiece="steel",
    wear_scale=1.0,
)


def test_stages_go_by_the_layer_and_by_what_is_asked() -> None:
    """Common practice, no source: rough what is thick, semi-finish for fine walls, finish always."""

    def stages(**changes: float) -> tuple[str, ...]:
        return stages_of(replace(WHOLE, **changes), OWNED)

    assert stages() == ("rough", "finish")
    assert stages(ra_um=OWNED.semi_ra_um) == ("rough", "semi", "finish")
    assert stages(fine_steps=3) == ("rough", "semi", "finish")
    # A layer at the limit is not over it: 500 mm2 of it.
    assert stages(volume_mm3=500 * OWNED.rough_from_mm) == ("finish",)
    assert stages(volume_mm3=500 * OWNED.rough_from_mm + 1) == ("rough", "finish")
    assert stages(volume_mm3=500 * OWNED.rough_from_mm, fine_steps=2) == ("semi", "finish")
    assert stages(volume_mm3=500 * OWNED.semi_from_mm, fine_steps=2) == ("finish",)
    # Too narrow for a roughing electrode that stands: its gap and what it leaves, either side.
    narrow = OWNED.min_width_mm + 2 * (OWNED.rough_gap_mm + OWNED.rough_leave_mm)
    assert stages(width_mm=narrow + 1e-6)[0] == "rough"
    assert stages(width_mm=narrow - 1e-6) == ("finish",)


def test_undersize_is_gap_and_orbit_and_what_is_left() -> None:
    rough, semi, finish = burns_of(replace(WHOLE, fine_steps=2), OWNED)
    assert rough.undersize_mm == pytest.approx(0.10 + 0.10 + 0.05)
    assert semi.undersize_mm == pytest.approx(0.05 + 0.05 + 0.015)
    assert finish.undersize_mm == pytest.approx(0.02 + 0.03)
    # The orbit yields to a thin place: 0.8 less 0.3 is 0.25 a side, of which gap and rest take 0.15 ...
    assert burns_of(replace(WHOLE, width_mm=0.8), OWNED)[0].orbit_mm == pytest.approx(0.1)
    assert burns_of(replace(WHOLE, width_mm=0.7), OWNED)[0].orbit_mm == pytest.approx(0.05)
    # ... and the last one's to a tight corner: R 0.05 less edge and gap of 0.02 each; a sharp one has none.
    assert burns_of(replace(WHOLE, corner_mm=0.05), OWNED)[-1].orbit_mm == pytest.approx(0.01)
    assert burns_of(replace(WHOLE, corner_mm=0.0), OWNED)[-1].orbit_mm == 0


@given(
    st.floats(0.01, 1e5),
    st.floats(1, 1e5),
    st.floats(0.3, 30),
    st.integers(1, 4),
    st.sampled_from([0.35, 1.0]),
)
def test_stages_share_the_volume_and_each_leaves_what_the_next_takes(
    volume: float, area: float, width: float, fine: int, scale: float
) -> None:
    region = replace(
        WHOLE, volume_mm3=volume, area_mm2=area, width_mm=width, fine_steps=fine, wear_scale=scale
    )
    burns = burns_of(region, OWNED)
    assert burns[-1].leaves_mm == 0
    assert sum(b.removes_mm3 for b in burns) == pytest.approx(volume, rel=1e-9)
    assert all(a.undersize_mm > b.undersize_mm for a, b in zip(burns, burns[1:], strict=False))
    # What is left behind a stage is its layer over the area, but for what was never there.
    for n, burn in enumerate(burns):
        left = volume - sum(b.removes_mm3 for b in burns[: n + 1])
        assert left == pytest.approx(min(volume, area * burn.leaves_mm), rel=1e-9, abs=1e-9 * volume)
    more = burns_of(replace(region, volume_mm3=2 * volume), OWNED)
    if [b.stage for b in more] == [b.stage for b in burns]:  # another stage may spare finishing electrodes
        assert all(b.number >= a.number for a, b in zip(burns, more, strict=True))


def test_wear_in_closed_form() -> None:
    stuff = replace(OWNED.materials[0], wear_share=0.1)
    wearing = replace(OWNED, materials=(stuff,), rough_wear_mm=0.3, finish_wear_mm=0.03)
    rough, finish = burns_of(replace(WHOLE, wear_scale=0.5), wearing)
    # 500 mm2 keep 0.05: 975 go. A tenth of that, twice for the scale, off 200 mm2 of end is 0.975 in all,
    # which at 0.3 each takes four.
    assert rough.removes_mm3 == pytest.approx(975)
    assert rough.number == 4
    assert rough.wear_mm == pytest.approx(0.975 / 4)
    assert rough.wear_mm3 == pytest.approx(195 / 4)
    # Finishing takes the 25: 5 mm3 off the end, 0.025 of the 0.03 allowed.
    assert finish.share == pytest.approx(0.025 / 0.03)
    assert finish.number == 1
    # Right through, the worn end goes out below: 0.975 of the overrun of 2.
    assert burns_of(replace(WHOLE, wear_scale=0.5, through=True), wearing)[0].number == 1
    # Exactly two are two.
    assert number_for(2 + 1e-9) == 2
    # An end of three times the spark area that one bears has three, worn or not.
    wide = replace(WHOLE, front_mm2=3 * OWNED.spark_area_mm2, volume_mm3=1.0)
    assert burns_of(wide, OWNED)[-1].number == 3


def test_material_goes_by_the_workpiece_and_the_finest_wall() -> None:
    """Common practice, no source: graphite for steel, copper for fine walls, copper-tungsten for carbide."""
    assert material_for("steel", 1.0, OWNED).name == "graphite"
    assert material_for("steel", 0.2, OWNED).name == "copper"
    assert material_for("carbide", 1.0, OWNED).name == "copper-tungsten"
    # A shop without the latter takes the best of what it has.
    poor = replace(OWNED, materials=OWNED.materials[:2])
    assert material_for("carbide", 0.05, poor).name == "copper"


def test_the_blank_is_the_next_size_up() -> None:
    owned = replace(OWNED, blank_allowance_mm=1.0, blank_step_mm=5.0)
    blank = plan.blank((13.1, 18.0, 30.9), owned, 2.0)
    assert blank.size_mm == (20.0, 20.0, 35.0)
    assert blank.cost == pytest.approx(20 * 20 * 35 / 1000 * 2)


# --- corners alone


def corners_of(
    solid: cq.Workplane, shop: Shop = SHOP
) -> tuple[JobContext, Cavity, tuple[tuple[Zone, ...], ...]]:
    job = job_of(solid, shop)
    feature = the(job, Kind.POCKET)
    mill = asked(job, feature, "mill")
    assert mill.rest is not None
    cavity = cavity_of(job.part, feature, UP, margin_mm=FINISH / 2)
    return job, cavity, zones_of(job, feature, UP, mill)


@pytest.mark.parametrize("gap", [FINISH, ROUGH])
def test_legs_keep_the_gap_in_corners_and_stand_back_elsewhere(gap: float, tmp_path: Path) -> None:
    _, cavity, groups = corners_of(block().faces(">Z").workplane().rect(12, 8).cutBlind(-4))
    (zones,) = groups
    assert len(zones) == 4
    # A cutter touches the walls of a square corner its radius away: here the default shop's of 0.895.
    assert [z.touch_mm for z in zones] == pytest.approx([0.895 / 2] * 4)
    body = electrode_body(cavity, gap, OWNED, zones)
    solid, part = reread(body, tmp_path), cavity.part.solid
    assert volume_of(BRepAlgoAPI_Common(solid, part).Shape()) < 1e-6
    assert BRepExtrema_DistShapeShape(solid, part).Value() == pytest.approx(gap, abs=CLEARANCE_MM)
    for x, y in [(sx, sy) for sx in (-1, 1) for sy in (-1, 1)]:
        for depth in (0.5, 2.0, 3.5):
            for along in (0.1, 0.2, 0.25):
                for p in ((x * (6 - along), y * 4, 20 - depth), (x * 6, y * (4 - along), 20 - depth)):
                    off = BRepExtrema_DistShapeShape(vertex(p), solid).Value()
                    assert off == pytest.approx(gap, abs=CLEARANCE_MM), p
    # In the middle of the walls and of the floor it is away.
    for p in ((0, 4, 18), (6, 0, 18), (0, 0, 16), (4, 4, 18)):
        assert (
            BRepExtrema_DistShapeShape(vertex(p), solid).Value() > gap + OWNED.corner_relief_mm - CLEARANCE_MM
        )
    whole = electrode_body(cavity, gap, OWNED)
    assert sum(map(volume_of, body.form)) < 0.3 * sum(map(volume_of, whole.form))


def test_far_corners_have_electrodes_of_their_own() -> None:
    solid = block(80, 60).faces(">Z").workplane().rect(60, 8).cutBlind(-4)
    job, cavity, groups = corners_of(solid)
    assert [len(g) for g in groups] == [2, 2]
    for zones in groups:
        body = electrode_body(cavity, FINISH, OWNED, zones)
        assert body.form_mm[0] == pytest.approx(8 - 2 * FINISH) or body.form_mm[1] == pytest.approx(
            8 - 2 * FINISH
        )
        # The blank that the estimate priced is of its size.
        forecast = size_mm(job, cavity.feature, UP, zones, FINISH)
        assert forecast == pytest.approx(body.size_mm, abs=1e-6)


@pytest.mark.parametrize(("where", "deep"), [((0, 0), 8), ((20, 0), 8), ((0, 0), 50)])
def test_the_size_is_foretold(where: tuple[float, float], deep: float) -> None:
    """A closed pocket, one that opens to a side, and an opening right through."""
    job = job_of(block().cut(cq.Workplane().box(12, 8, deep).translate((*where, 20))))
    feature = next(f for f in job.features if f.kind != Kind.OUTSIDE_FACE)
    cavity = cavity_of(job.part, feature, UP, margin_mm=FINISH / 2)
    for gap in (FINISH, ROUGH):
        body = electrode_body(cavity, gap, OWNED)
        assert size_mm(job, feature, UP, (), gap) == pytest.approx(body.size_mm, abs=1e-6)


# --- the job


def _eroded_demos() -> list[str]:
    keys = sorted((ROOT / "demo_models").glob("*.key.toml"))
    return [
        k.name.removesuffix(".key.toml")
        for k in keys
        if any(f.get("process") == "sink-erode" for f in tomllib.loads(k.read_text()).get("feature", ()))
    ]


@pytest.fixture(scope="module", params=_eroded_demos())
def job(request: pytest.FixtureRequest, routed_demo: Callable[[str], Path]) -> tuple[str, Path]:
    return request.param, routed_demo(request.param)


def test_demos_have_their_electrodes(job: tuple[str, Path]) -> None:
    name, folder = job
    route = json.loads((folder / "route.json").read_text())
    schema = json.loads((ROOT / "docs" / "route.schema.json").read_text())
    jsonschema.validate(
        route["electrodes"], {"$schema": schema["$schema"], **schema["properties"]["electrodes"]}
    )
    eroded = [f["id"] for f in route["features"] if f["process"] == "sink-erode"]
    assert list(dict.fromkeys(e["feature"] for e in route["electrodes"])) == eroded
    part = ROOT / "demo_models" / f"{name}.step"
    for entry in route["electrodes"]:
        check_entry(entry, route, folder, part)
        assert entry["material"] == "copper-tungsten"
    check_one_figure(route)


def check_entry(entry: dict[str, Any], route: dict[str, Any], folder: Path, model: Path) -> None:
    """One electrode's files by what is written of it, with nothing of ours but the reader."""
    (part,) = read_step(model, isolate=False).parts
    (burnt,) = read_step(folder / entry["burn_file"], isolate=False).parts
    assert f"electrode {entry['name']}" in burnt.name
    assert is_valid(burnt.solid)
    size = entry["undersize_mm"]
    assert size == pytest.approx(entry["gap_mm"] + entry["orbit_mm"] + entry["leaves_mm"])
    assert check_clearance(burnt.solid, part.solid, size) >= 5
    shared = BRepAlgoAPI_Common(burnt.solid, part.solid).Shape()
    assert sum(volume_of(s) for s in solids_of(shared)) < 1e-6
    assert volume_of(burnt.solid) == pytest.approx(entry["volume_mm3"], abs=1e-3)
    assert any("manual" in note for note in entry["notes"])
    assert entry["burn_from_top_mm"] == pytest.approx(entry["depth_mm"] - size, abs=2e-4)
    rate, cm3 = owned("rates.erode", SHOP), math.prod(entry["blank_mm"]) / 1000
    (stuff,) = [m for m in OWNED.materials if m.name == entry["material"]]
    assert entry["material_cost_each"] == pytest.approx(
        cm3 * stuff.cost_per_cm3 + rate.electrode_cost, abs=0.006
    )
    # Setup, step and pass are the plan's, and about this feature.
    setup = next(s for s in route["setups"] if s["number"] == entry["setup"])
    step = next(s for s in setup["steps"] if s["number"] == entry["step"])
    assert step["stage"] == "erode"
    assert step["passes"][entry["pass"] - 1]["feature"] == entry["feature"]
    # The electrode put where the list says stands where the other file has it, point by point.
    zero, turn = setup["zero"], math.radians(entry["c_deg"])
    cos, sin = math.cos(turn), math.sin(turn)
    own = points_of(folder / entry["file"]) @ np.array([[cos, sin, 0], [-sin, cos, 0], [0, 0, 1]])
    axes = np.array([zero[k] for k in "xyz"])
    placed = (own + np.array(entry["position_mm"])) @ axes + np.array(zero["origin_mm"])
    there = points_of(folder / entry["burn_file"])
    assert len(placed) == len(there)
    assert max(np.linalg.norm(there - p, axis=1).min() for p in placed) < 2e-4
    # Its reference face: level through the origin, the form below.
    assert points_of(folder / entry["file"])[:, 2].min() == pytest.approx(-(entry["form_mm"][2]), abs=2e-4)


def points_of(path: Path) -> np.ndarray:
    """Corners (n, 3) of a STEP file's body, read by a general library."""
    return np.array([v.toTuple() for v in cq.importers.importStep(str(path)).vertices().vals()])


MODELS = {
    # Upright walls, a round foot, draft, a ball, an island: sunk whole, each stage.
    "foot": lambda: _pocketed(
        cq.Workplane().box(14, 9, 8).edges("|Z").fillet(2).faces("<Z").edges().fillet(0.5)
    ),
    "draft": lambda: _random_pocket("drafted", 4),
    "ball": lambda: block().cut(cq.Workplane().sphere(6).translate((2, 1, 22))),
    "hexagon": lambda: _random_pocket("prismatic", 4),
    "island": lambda: _pocketed(cq.Workplane().box(14, 9, 8)).union(
        cq.Workplane().box(4, 3, 4).translate((5, 3, 16))
    ),
}


def _pocketed(body: cq.Workplane) -> cq.Workplane:
    return block().cut(body.translate((5, 3, 20)))


@pytest.mark.parametrize("name", few(sorted(MODELS, key=lambda name: name[-1]), 1))
def test_electrodes_stand_their_undersize_off_the_walls_as_another_library_measures(
    name: str, tmp_path: Path
) -> None:
    """Distances by trimesh between meshes of the two files; chords within 0.001, so the check is at 0.005."""
    model = tmp_path / "part.step"
    cq.exporters.export(MODELS[name](), str(model))
    kinds = ("pocket", "contoured surface", "hole")
    choices = Choices(material="carbide-12", processes=dict.fromkeys(kinds, "sink-erode"))
    run_job(model, tmp_path / "out", choices, SHOP)
    route = json.loads((tmp_path / "out" / "route.json").read_text())
    listed = [e for e in route["electrodes"] if e["file"]]
    assert [e["stage"] for e in listed][-3:] == ["rough", "semi", "finish"]
    part = meshed(model)
    for entry in listed:
        check_entry(entry, route, tmp_path / "out", model)
        electrode = meshed(tmp_path / "out" / entry["burn_file"])
        points, _ = trimesh.sample.sample_surface_even(electrode, 4000, seed=1)
        # In the cavity: all that is as deep below the block's top, at 20, as the gap to it is wide.
        points = points[points[:, 2] < 20 - entry["undersize_mm"] - 0.01]
        assert len(points) > 200
        _, off, _ = trimesh.proximity.closest_point(part, points)
        assert off == pytest.approx(entry["undersize_mm"], abs=0.005)
        assert not part.contains(points).any()
    check_one_figure(route)


def test_only_the_rest_of_a_wired_opening_is_sunk(tmp_path: Path) -> None:
    """One wall of a flare of 25 degrees over an opening that the wire makes: a wedge, not the whole."""
    deep, long, wide = 4.0, 16.0, 12.0
    out = deep * math.tan(math.radians(25))
    wedge = (
        cq.Workplane("XZ")
        .polyline([(0, 0), (out, deep), (-1, deep), (-1, 0)])
        .close()
        .extrude(wide / 2, both=True)
    )
    solid = block(60).cut(cq.Workplane().box(long, wide, 60)).cut(wedge.translate((long / 2, 0, 20 - deep)))
    cq.exporters.export(solid, str(tmp_path / "part.step"))
    choices = Choices(material="carbide-12", processes={"chamfer": "sink-erode"}, working_side="+z")
    run_job(tmp_path / "part.step", tmp_path / "out", choices, SHOP)
    route = json.loads((tmp_path / "out" / "route.json").read_text())
    listed = route["electrodes"]
    assert [e["stage"] for e in listed] == ["rough", "semi", "finish"]
    assert len({e["feature"] for e in listed}) == 1
    assert sum(e["removes_mm3"] for e in listed) == pytest.approx(out * deep / 2 * wide, abs=0.01)
    part = meshed(tmp_path / "part.step")
    for entry in listed:
        assert entry["spark_area_mm2"] == pytest.approx(out * wide, abs=0.01)
        assert entry["depth_mm"] == pytest.approx(deep, abs=1e-4)
        electrode = meshed(tmp_path / "out" / entry["burn_file"])
        assert not part.contains(electrode.vertices).any()
        leans = np.abs(part.face_normals[:, 2] - math.sin(math.radians(25))) < 1e-6
        walls = part.submesh([np.flatnonzero(leans)], append=True)
        points, _ = trimesh.sample.sample_surface_even(walls, 2000, seed=1)
        _, off, _ = trimesh.proximity.closest_point(electrode, points)
        assert off.min() == pytest.approx(entry["undersize_mm"], abs=0.005)


def meshed(path: Path) -> trimesh.Trimesh:
    """A STEP file's body as facets within 0.001 mm."""
    points, corners = cq.importers.importStep(str(path)).val().tessellate(0.001, 0.1)
    return trimesh.Trimesh([p.toTuple() for p in points], corners, process=True)


def check_one_figure(route: dict[str, Any]) -> None:
    """The list's money is what the estimate's lines have beyond minutes, to the cents of the list."""
    lines = [line for line in route["estimate"]["lines"] if line["what"] == "electrodes"]
    beyond = sum(line["cost"] - line["minutes"] / 60 * SHOP.rates.per_hour["mill"] for line in lines)
    listed = sum(e["material_cost"] for e in route["electrodes"])
    assert beyond == pytest.approx(listed, abs=0.006 * len(route["electrodes"]) + 1e-3)


@pytest.mark.thorough
def test_no_body_is_told_by_a_flag_with_the_feature(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The kernel's offset fails on a shaped cavity: nothing is written, the list and the feature tell."""
    import routing.processes.sink_erode.shrink as shrink

    solid = (
        block()
        .cut(cq.Workplane().sphere(6).translate((0, 0, 22)))
        .cut(cq.Workplane().box(5, 5, 4).edges().fillet(1.5).translate((4, 0, 20)))
    )
    cq.exporters.export(solid, str(tmp_path / "part.step"))

    def lost(solid: object, gap_mm: float) -> list[object]:
        raise KernelError("the kernel's offset of the cavity does not end")

    monkeypatch.setattr(shrink, "offset_in_space", lost)
    choices = Choices(processes={"contoured surface": "sink-erode", "pocket": "sink-erode"})
    run_job(tmp_path / "part.step", tmp_path / "out", choices, SHOP)
    route = json.loads((tmp_path / "out" / "route.json").read_text())
    missing = [e for e in route["electrodes"] if e["file"] is None]
    assert missing
    assert all("does not end" in e["reason"] for e in missing)
    for entry in missing:
        feature = next(f for f in route["features"] if f["id"] == entry["feature"])
        assert "no-electrode" in feature["flags"]
        assert any(f["code"] == "no-electrode" and "by hand" in f["message"] for f in route["flags"])
        assert not list((tmp_path / "out").glob(f"electrode_{entry['feature']}_*"))

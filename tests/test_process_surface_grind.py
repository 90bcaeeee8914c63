"""What a wheel can and cannot make, on solids whose answer is plain to see."""

from __future__ import annotations

import math
from dataclasses import replace

import cadquery as cq
import numpy as np
import pytest

from featurize.brep.build import build_part
from featurize.brep.planar_path import Segment, area_of, polygon_of, rolled
from featurize.brep.surfaces import Plane
from featurize.feature import Feature, Kind, Role
from featurize.recognise import recognise
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.processes.context import JobContext
from routing.processes.protocol import Verdict
from routing.processes.surface_grind.process import SurfaceGrind
from routing.processes.tools import Wheel
from tests.support.routed import shop_with

WHEELS = (Wheel(1.0, 200.0, 0.05, 4.0), Wheel(6.0, 200.0, 0.05, 12.0))


def job(work: cq.Workplane, wheels: tuple[Wheel, ...] = WHEELS, leave_mm: float = 0.05) -> JobContext:
    found = recognise(build_part(work.val().wrapped))
    shop = load_shop()
    shop = shop_with(shop, wheels=wheels, general=replace(shop.general, sharp_corner_leave_mm=leave_mm))
    return JobContext(found.part, found.features, shop, Choices())


def verdict(
    work: cq.Workplane, *kinds: Kind, wheels: tuple[Wheel, ...] = WHEELS, leave_mm: float = 0.05
) -> Verdict:
    context = job(work, wheels, leave_mm)
    (feature,) = [f for f in context.features if f.kind in kinds]
    return SurfaceGrind().judge(context, feature)


def block() -> cq.Workplane:
    return cq.Workplane().box(40, 30, 20)


def channel(width: float, depth: float) -> cq.Workplane:
    return block().cut(cq.Workplane().box(60, width, 2 * depth).translate((0, 0, 10)))


def test_channel_takes_the_widest_wheel_that_fits() -> None:
    found = verdict(channel(8, 5), Kind.SLOT)
    assert found.workable
    assert (found.approach.side, found.approach.traverse) == ("+z", (1.0, 0.0, 0.0))
    assert found.wheel.width_mm == 6
    assert found.depth_mm == pytest.approx(5)
    assert found.run_mm == pytest.approx(40)
    assert verdict(channel(5, 3), Kind.SLOT).wheel.width_mm == 1


def test_too_narrow() -> None:
    found = verdict(channel(0.9, 2), Kind.SLOT)
    assert not found.workable
    assert "width 0.900 is under the narrowest wheel 1" in found.reason
    assert found.shortfall_mm3 == pytest.approx(0.9 * 2 * 40)


def test_too_deep_for_the_wheel_that_passes() -> None:
    found = verdict(channel(3, 6), Kind.SLOT)
    assert not found.workable
    assert "depth 6.000 is over the 4 of the wheel 1 wide that passes 3.000" in found.reason


def test_wheel_corner_in_a_sharp_foot() -> None:
    found = verdict(channel(8, 5), Kind.SLOT, wheels=(Wheel(6.0, 200.0, 0.3, 12.0),))
    assert not found.workable
    assert "corner R 0.3 is over the 0.05" in found.reason
    # Two square feet, each left (1 - pi/4) r^2 (elementary geometry).
    assert found.shortfall_mm3 == pytest.approx(2 * 0.3**2 * (1 - math.pi / 4) * 40, rel=1e-9)


@pytest.mark.parametrize(("corner", "workable"), [(0.5, True), (0.6, False)])
def test_wheel_corner_in_a_modelled_foot(corner: float, workable: bool) -> None:
    tool = cq.Workplane().box(60, 8, 10).edges("|X and <Z").fillet(0.5).translate((0, 0, 10))
    found = verdict(block().cut(tool), Kind.SLOT, wheels=(Wheel(6.0, 200.0, corner, 12.0),))
    assert found.workable is workable
    if not workable:
        assert "foot radius 0.500 is under the wheel's corner R 0.6" in found.reason


def test_end_wall_closes_the_run() -> None:
    found = verdict(block().cut(cq.Workplane().box(40, 8, 10).translate((5, 0, 10))), Kind.BLIND_SLOT)
    assert not found.workable
    assert "closes the run along x" in found.reason
    assert found.place is not None
    assert abs(found.place[0]) == pytest.approx(15)


def test_pin_in_the_way_is_named_with_its_height() -> None:
    body = channel(8, 5).union(cq.Workplane().circle(1.5).extrude(4).translate((0, 0, 5)))
    context = job(body)
    (slot,) = [f for f in context.features if f.kind == Kind.SLOT]
    flats = tuple(f for f in slot.faces if isinstance(context.part.faces[f].surface, Plane))
    lower = tuple(f for f in flats if context.part.frame.local(context.part.faces[f].centroid)[2] < 18)
    found = SurfaceGrind().judge(context, slot.but(faces=lower))
    assert not found.workable
    assert "stands 4.000 in the way of the wheel along x" in found.reason


def test_undercut() -> None:
    outline = [(0, 0), (30, 0), (30, 20), (18, 20), (21, 14), (9, 14), (12, 20), (0, 20)]
    context = job(cq.Workplane("YZ").polyline(outline).close().extrude(40))
    dovetail = next(f for f in context.features if f.kind == Kind.SLOT)
    found = SurfaceGrind().judge(context, dovetail)
    assert not found.workable
    assert "undercut" in found.reason


def test_slanted_face_states_its_angle() -> None:
    outline = [(0, 0), (30, 0), (30, 15), (22, 20), (0, 20)]
    context = job(cq.Workplane("YZ").polyline(outline).close().extrude(40))
    (slant,) = [f for f in context.features if f.kind == Kind.CHAMFER]
    found = SurfaceGrind().judge(context, slant)
    assert found.workable
    angle = math.degrees(math.atan2(5, 8))
    assert f"{angle:.3f} deg" in found.reason or f"{90 - angle:.3f} deg" in found.reason


def test_slanted_traverse() -> None:
    tool = cq.Workplane().box(90, 8, 10).translate((0, 0, 10)).rotate((0, 0, 0), (0, 0, 1), 20)
    found = verdict(block().cut(tool), Kind.SLOT)
    assert found.workable
    assert "20.000 deg" in found.reason or "160.000 deg" in found.reason


def test_bore_pocket_and_outside_are_refused() -> None:
    body = block().faces(">Z").workplane().pushPoints([(10, 5)]).hole(6, 8)
    body = body.cut(cq.Workplane().box(8, 6, 8).edges("|Z").fillet(1).translate((-8, 0, 10)))
    context = job(body)
    assert {Kind.HOLE, Kind.POCKET, Kind.OUTSIDE_FACE} <= {f.kind for f in context.features}
    for feature in context.features:
        found = SurfaceGrind().judge(context, feature)
        assert not found.workable, feature
        assert found.reason
        assert not found.reason.endswith(".")


def test_every_kind_gets_an_answer() -> None:
    context = job(channel(8, 5))
    floor = next(f for f in context.features if f.kind == Kind.SLOT)
    for kind in Kind:
        made = Feature("F99", kind, floor.faces, dict.fromkeys(floor.faces, Role.WALL))
        assert SurfaceGrind().judge(context, made).reason


def test_faces_of_a_rib_are_refused_from_above_but_a_channel_beside_it_is_not() -> None:
    body = block()
    for aside in (-8, 8):
        body = body.cut(cq.Workplane().box(60, 10, 6).translate((0, aside, 10)))
    context = job(body)
    slots = [f for f in context.features if f.kind in (Kind.SLOT, Kind.STEP, Kind.FLOOR)]
    assert slots
    assert all(SurfaceGrind().judge(context, f).workable for f in slots)


def walls_only(context: JobContext, *, both: bool = True) -> Feature:
    """The upright walls of a channel, without the floor between them."""
    (slot,) = [f for f in context.features if f.kind == Kind.SLOT]
    walls = slot.faces_with(Role.WALL)
    return slot.but(faces=walls if both else walls[:1])


def test_walls_alone_are_made_by_the_wheels_side() -> None:
    for both in (True, False):
        context = job(channel(8, 5))
        found = SurfaceGrind().judge(context, walls_only(context, both=both))
        assert found.workable
        assert found.wheel.width_mm == 6
        assert found.depth_mm == pytest.approx(5)
    context = job(channel(5, 3))
    assert SurfaceGrind().judge(context, walls_only(context)).wheel.width_mm == 1


@pytest.mark.parametrize(
    ("width", "depth", "leave_mm", "said"),
    [
        (0.9, 2, 0.05, "width 0.900 is under the narrowest wheel 1"),
        (5, 4.5, 0.05, "depth 4.500 is over the 4 of the wheel 1 wide"),
        (8, 5, 0.01, "the wheel's corner R 0.05 is over the 0.01"),
    ],
)
def test_walls_alone_have_the_limits_of_a_channel(
    width: float, depth: float, leave_mm: float, said: str
) -> None:
    context = job(channel(width, depth), leave_mm=leave_mm)
    found = SurfaceGrind().judge(context, walls_only(context))
    assert not found.workable
    assert said in found.reason


def test_a_wall_that_stands_on_a_slant_wants_a_dressed_wheel() -> None:
    # The floor beside the wall falls away from it by 2 over 12.
    outline = [(0, 0), (30, 0), (30, 13), (18, 15), (18, 20), (0, 20)]
    context = job(cq.Workplane("YZ").polyline(outline).close().extrude(40))
    whole = next(f for f in context.features if f.kind == Kind.STEP)
    upright = [
        i
        for i in whole.faces
        if isinstance(s := context.part.faces[i].surface, Plane)
        and abs(s.normal @ context.part.frame.axes[2]) < 1e-9
    ]
    found = SurfaceGrind().judge(context, whole.but(faces=tuple(upright), axis=None, opens_to=("+z",)))
    assert found.workable
    assert f"{math.degrees(math.atan2(2, 12)):.3f} deg" in found.reason


@pytest.mark.parametrize("lean_deg", [0.0, 20.0, 45.0])
def test_rolled_corner_has_the_area_of_plane_geometry(lean_deg: float) -> None:
    # Between two tangents that turn by a, a circle leaves r^2 (tan(a/2) - a/2).
    r, turn = 0.7, math.radians(90 - lean_deg)
    top = np.array([-10 * math.tan(math.radians(lean_deg)), 10.0])
    bottom = [
        Segment(top, np.array([0.0, 0.0])),
        Segment(np.array([0.0, 0.0]), np.array([8.0, 0.0])),
        Segment(np.array([8.0, 0.0]), np.array([8.0, 10.0])),
    ]
    lid = Segment(bottom[-1].end, top)
    path = rolled(bottom, [r, 0.0])
    assert path is not None
    left = area_of([*bottom, lid]) - area_of([*path, lid])
    assert left == pytest.approx(r**2 * (math.tan(turn / 2) - turn / 2), rel=1e-12)
    assert polygon_of([*path, lid]).area == pytest.approx(area_of([*path, lid]), rel=1e-6)


def test_a_corner_too_big_for_its_floor_is_not_rolled() -> None:
    points = np.array([[0.0, 5.0], [0, 0], [1, 0], [1, 5]])
    bottom = [Segment(a, b) for a, b in zip(points, points[1:], strict=False)]
    assert rolled(bottom, [0.6, 0.6]) is None
    assert rolled(bottom, [0.5, 0.5]) is not None

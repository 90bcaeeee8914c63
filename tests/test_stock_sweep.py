"""The swept wheel against closed forms, and spoilt stocks that it has to find."""

from __future__ import annotations

from dataclasses import replace

import cadquery as cq
import numpy as np
import pytest
import trimesh

from featurize.brep.build import build_part
from featurize.brep.part import Mesh
from featurize.brep.silhouette import View
from featurize.brep.solids import cut, facets, prism
from featurize.recognise import Recognition, recognise
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.processes.context import JobContext
from routing.processes.surface_grind.process import SurfaceGrind
from routing.processes.surface_grind.reach import run_out_mm
from routing.stock.blank import blank_for
from routing.stock.ground import GroundStock
from routing.stock.proof import prove
from routing.stock.sweep import line_of, odd, outliers, reach, sweeps
from tests.support.grinding import ground_stock
from tests.support.sampled import few

PITCH = 0.005


def channel(floor: float = 0.010, wall: float = 0.0) -> tuple[Recognition, GroundStock]:
    body = (
        cq.Workplane()
        .box(40, 30, 20)
        .cut(cq.Workplane().box(60, 8, 10).translate((0, 0, 10)))
        .cut(cq.Workplane().box(60, 3, 6).translate((0, 10, 10)))
    )
    found = recognise(build_part(body.val().wrapped))
    job = JobContext(found.part, found.features, load_shop(), Choices())
    routed = [f for f in found.features if SurfaceGrind().judge(job, f).workable]
    stock = ground_stock(
        found.part,
        routed,
        blank_for(found.part),
        load_shop(),
        floor_allowance_mm=floor,
        wall_allowance_mm=wall,
    )
    return found, stock


def faults(found: Recognition, stock: GroundStock) -> list[str]:
    body = facets(stock.solid)
    told = [str(f) for s in sweeps(found.part, stock, body) for f in s.faults]
    return told + [str(f) for f in outliers(found.part, stock, body)]


@pytest.mark.parametrize("corner", [0.05, 0.2, 0.5])
def test_a_wheel_leaves_its_corner_in_a_square_foot(corner: float) -> None:
    # Elementary geometry: r^2 (1 - pi/4) at the foot of each wall.
    at = PITCH * np.arange(4000)
    walls = np.where((at > 5) & (at < 15), 0.0, 6.0)
    left = reach(walls, 4.0, corner, PITCH) - walls
    # Both walls' places are known to a column, so the area to a column of an arc's height.
    assert float(left.sum()) * PITCH == pytest.approx(2 * corner**2 * (1 - np.pi / 4), abs=2 * PITCH * corner)


def test_a_wheel_wider_than_the_gap_stays_over_it() -> None:
    at = PITCH * np.arange(4000)
    gap = np.where((at > 9) & (at < 11), 0.0, 6.0)
    assert reach(gap, 2.2, 0.05, PITCH).min() == pytest.approx(6.0)
    assert reach(gap, 1.9, 0.05, PITCH).min() == pytest.approx(0.0)


def test_a_line_of_heights_is_the_silhouette() -> None:
    # A cylinder across the view: a half circle of heights.
    body = facets(cq.Workplane("YZ").circle(5).extrude(20).val().wrapped, 1e-3)
    line = line_of(
        View.toward(np.zeros(3), np.array([1.0, 0, 0]), np.array([0, 0, 1.0])), body, -4.9, 0.1, 99
    )
    at = -4.9 + 0.1 * np.arange(99)
    assert np.allclose(line.height, np.sqrt(25 - at**2), atol=5e-3)


@pytest.mark.parametrize(("floor", "wall"), [(0.010, 0.0), (0.0, 0.0), (0.2, 0.1)])
def test_a_right_stock_has_no_faults(floor: float, wall: float) -> None:
    found, stock = channel(floor, wall)
    assert faults(found, stock) == []
    assert all(s.floor_worst_mm < 1e-6 for s in sweeps(found.part, stock, facets(stock.solid)))


def _moved(found: Recognition, stock: GroundStock, lower_mm: float) -> GroundStock:
    """The same cuts, all lowered; the stock made from them."""
    cuts = tuple(
        replace(c, view=replace(c.view, origin=c.view.origin - lower_mm * c.view.up)) for c in stock.removed
    )
    solid = cut(stock.blank.solid, [prism(c.view, c.path, -100, 100) for c in cuts])
    return replace(stock, solid=solid, removed=cuts)


def test_a_wheel_that_went_too_deep_is_told_with_place_and_size() -> None:
    found, stock = channel(0.0)
    spoilt = _moved(found, stock, 0.02)
    told = sweeps(found.part, spoilt, facets(spoilt.solid))[0].faults
    touch = [f for f in told if "touches" in f.what]
    assert sorted(round(f.width_mm) for f in touch) == [3, 8]
    assert all(f.size_mm == pytest.approx(0.02, abs=1e-9) for f in touch)
    assert {round(f.place[2], 6) for f in touch} == {5.0, 7.0}
    assert any("touches the part" in f for f in prove(found.part, spoilt).faults)


def test_a_wheel_that_stopped_short_is_told() -> None:
    found, stock = channel(0.0)
    told = faults(found, _moved(found, stock, -0.02))
    assert any("could go deeper by 0.0200" in f for f in told)
    assert any("misses its allowance by 0.0200" in f for f in told)


def test_a_channel_forgotten_is_told() -> None:
    found, stock = channel()
    least = min(stock.removed, key=lambda c: c.area_mm2)
    others = [c for c in stock.removed if c is not least]
    solid = cut(stock.blank.solid, [prism(c.view, c.path, -100, 100) for c in others])
    told = faults(found, replace(stock, solid=solid))
    assert any("left where a wheel went by 2.9900" in f for f in told)
    assert any("lie inside the stock" in f for f in told)


def test_a_lost_corner_is_found_by_points() -> None:
    found, stock = channel()
    solid = cut(stock.solid, [cq.Workplane().box(40, 40, 40).translate((30, 30, 0)).val().wrapped])
    assert any("part lie outside the stock" in f for f in faults(found, replace(stock, solid=solid)))


def test_parity_agrees_with_another_library() -> None:
    _, stock = channel()
    body = facets(stock.solid)
    mesh = Mesh(body.reshape(-1, 3), np.arange(3 * len(body)).reshape(-1, 3), np.zeros(len(body), int), 0.005)
    points = np.random.default_rng(3).uniform([-22, -17, -12], [22, 17, 12], (400, 3))
    other = trimesh.Trimesh(*trimesh.triangles.to_kwargs(body).values())
    assert other.is_watertight
    assert np.array_equal(odd(mesh, points), other.contains(points))


@pytest.mark.parametrize(("wheel_mm", "depth_mm"), few([(150.0, 0.8), (40.0, 12.0), (200.0, 5.0)], 2))
def test_run_out_of_a_wheel_at_an_end_wall(wheel_mm: float, depth_mm: float) -> None:
    # A circle R at height h over its lowest point is sqrt(2 R h - h^2) wide to each side (Pythagoras).
    chord = float(np.sqrt(wheel_mm * depth_mm - depth_mm**2))
    assert run_out_mm(wheel_mm, depth_mm) == pytest.approx(chord, rel=1e-12)
    # Swept: a step 60 long that a wall closes, seen from beside; the wheel is a disc rolled over its heights.
    body = (
        cq.Workplane()
        .box(60, 10, 20)
        .union(cq.Workplane().box(10, 10, depth_mm).translate((35, 0, 10 + depth_mm / 2)))
    )
    pitch = 0.01
    view = View.toward(np.zeros(3), np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0]))
    low = float(view.flat(np.array([[-30.0, 0, 0], [40.0, 0, 0]]))[:, 0].min()) + pitch / 2
    own = line_of(view, facets(body.val().wrapped), low, pitch, 7000).height
    left = reach(own, wheel_mm, wheel_mm / 2, pitch) - own
    swept = left > 1e-7
    assert int(swept.sum()) * pitch == pytest.approx(chord, abs=0.01 + np.sqrt(wheel_mm * 1e-7) + pitch)
    # What stays is the wedge under the arc: the strip beside the wall less the circle's segment.
    turn = np.arcsin(chord / (wheel_mm / 2))
    segment = (wheel_mm / 2) ** 2 * (2 * turn - np.sin(2 * turn)) / 4
    assert float(left.sum()) * pitch == pytest.approx(chord * depth_mm - segment, rel=5e-3)


def test_run_out_of_a_disc_in_the_kernel() -> None:
    # The wheel itself, a cylinder that has come up to the wall, taken off by the kernel.
    wheel_mm, depth_mm = 200.0, 5.0
    chord = run_out_mm(wheel_mm, depth_mm)
    centre = 20 - chord
    wheel = (
        cq.Workplane("XZ")
        .circle(wheel_mm / 2)
        .extrude(10)
        .translate((centre, 5, 10 - depth_mm + wheel_mm / 2))
    )
    swept = cq.Workplane().box(100 + centre, 10, 60).translate(((centre - 100) / 2, 0, 40 - depth_mm))
    body = cq.Workplane().box(60, 30, 20).cut(wheel).cut(swept)
    floor = [f for f in body.faces("|Z").vals() if abs(f.Center().z - (10 - depth_mm)) < 1e-6]
    assert len(floor) == 1
    assert floor[0].BoundingBox().xmax == pytest.approx(20 - chord, abs=1e-3)
    assert body.faces(">Z").val().BoundingBox().xmin == pytest.approx(-30, abs=1e-3)
    arc = [f for f in body.faces().vals() if f.geomType() == "CYLINDER"]
    assert arc[0].BoundingBox().xmax == pytest.approx(20, abs=1e-3)


def test_past_its_middle_a_wheel_stops_a_radius_before_the_wall() -> None:
    assert run_out_mm(40.0, 25.0) == pytest.approx(20.0)

"""Roughing against closed forms, and areas against an independent offset library."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from dataclasses import replace

import cadquery as cq
import numpy as np
import pyclipper
import pytest
import shapely

from featurize.brep.build import build_part
from featurize.brep.part import Part
from featurize.brep.sections import Sections
from featurize.brep.solids import facets
from featurize.feature import Feature, Kind, Role
from routing.inputs.shop import load_shop
from routing.processes.mill.levels import Sides
from routing.processes.tools import Cutter
from routing.stock.roughing import Cutting, drawing, rings, rough
from tests.support.routed import shop_with

UP = np.array([0.0, 0.0, 1.0])
R, WALL, FLOOR = 2.0, 0.1, 0.1  # a 4 mm cutter and what it leaves


def block() -> cq.Workplane:
    return cq.Workplane().box(40, 30, 20)


def floor_of(part: Part, level: float) -> Feature:
    """The floors at a level, as one feature."""
    ids = tuple(f.id for f in part.faces if abs(f.low[2] - level) < 1e-6 and abs(f.high[2] - level) < 1e-6)
    return Feature("F01", Kind.POCKET, ids, dict.fromkeys(ids, Role.FLOOR))


def estimate(body: cq.Workplane, level: float, how: Cutting, ground: cq.Workplane | None = None):
    part = build_part(body.val().wrapped)
    part = replace(part, frame=replace(part.frame, origin=np.zeros(3), axes=np.eye(3)))
    shop = shop_with(load_shop(), cutters=(Cutter("flat", 2 * R, 0.0, 50.0),))
    whole = facets(block().val().wrapped)
    less = whole if ground is None else facets(ground.val().wrapped)
    found = rough(part, [("+z", floor_of(part, level))], whole, less, shop, shop.materials["steel"], how)
    assert found is not None
    return found


def _closed_form(length: float, width: float, step: float) -> tuple[float, int]:
    """Rings of a rectangle, each a step within the last: sum of 2(l + w) - 8ks."""
    count = math.ceil(min(length, width) / 2 / step - 1e-9)
    return sum(2 * (length + width) - 8 * k * step for k in range(count)), count


def test_rectangular_pocket() -> None:
    body = block().cut(cq.Workplane().box(24, 16, 10).translate((0, 0, 10)))  # 5 deep
    how = Cutting(step_over=0.4, step_down=0.25)
    result, *_ = estimate(body, 5.0, how)
    levels = result.block.levels
    assert result.step_down_mm == pytest.approx(4.9 / levels, abs=1e-4)
    ring, count = _closed_form(24 - 2 * (R + WALL), 16 - 2 * (R + WALL), 1.6)
    ramp = result.step_down_mm / math.sin(math.radians(3))
    assert result.block.cutting_mm == pytest.approx(levels * (ring + (count - 1) * 1.6 + ramp), rel=1e-3)
    assert result.block.entries == levels
    depths = [result.step_down_mm * k for k in range(1, levels + 1)]
    at_least = sum(2 * (d + how.clearance_mm) for d in depths)
    assert at_least <= result.block.air_mm <= at_least + levels * 40
    feed = 60 / (1.6 * result.step_down_mm)  # the default shop's mm3 per minute over step-over and step-down
    slow = levels * (ramp + count * 2 * R)
    minutes = (result.block.cutting_mm + slow) / feed + result.block.air_mm / 5000
    assert result.block.minutes == pytest.approx(minutes, rel=1e-3)


def test_straight_channel_is_entered_from_outside_and_gone_when_ground() -> None:
    body = block().cut(cq.Workplane().box(60, 10, 8).translate((0, 0, 10)))  # 4 deep
    how = Cutting(step_over=0.4, step_down=0.25)
    result, *_ = estimate(body, 6.0, how, ground=body)
    # The axis goes a radius past both ends, where it may swing out about the block's corners; no ramp.
    ring = 0.0
    for inward in (0.0, 1.6):
        round_, past = R + WALL + inward, R - inward
        turn = math.asin(past / round_)
        ring += 2 * 40 + 4 * round_ * turn + 2 * 2 * (5 - round_ * math.cos(turn))
    assert result.block.cutting_mm == pytest.approx(result.block.levels * (ring + 1.6), rel=2e-3)
    assert result.ground.path_mm == 0
    assert result.path_saved == 1
    assert result.block.volume_mm3 == pytest.approx(40 * (10 - 2 * WALL) * (4 - FLOOR), rel=1e-3)


def _clipper(region: shapely.Polygon, distance: float) -> list[list[tuple[int, int]]]:
    scale = 1e5
    offset = pyclipper.PyclipperOffset(2.0, 0.001 * scale)
    for ring in (region.exterior, *region.interiors):
        path = [(round(x * scale), round(y * scale)) for x, y in ring.coords[:-1]]
        offset.AddPath(path, pyclipper.JT_ROUND, pyclipper.ET_CLOSEDPOLYGON)
    return offset.Execute(distance * scale)


def test_nothing_to_rough_is_said() -> None:
    """A cutter at the floor already has no level to clear."""
    body = block()
    part = build_part(body.val().wrapped)
    part = replace(part, frame=replace(part.frame, origin=np.zeros(3), axes=np.eye(3)))
    whole, shop = facets(body.val().wrapped), load_shop()
    made = [("+z", floor_of(part, 10.0))]
    assert rough(part, made, whole, whole, shop, shop.materials["steel"]) is None


def test_an_opening_of_upright_walls_is_what_they_fence_in() -> None:
    """Walls seen on edge cast no silhouette; a pocket's floor of the same plan gives the closed form."""
    body = block().cut(cq.Workplane().box(24, 16, 40))
    part = build_part(body.val().wrapped)
    walls = tuple(f.id for f in part.faces if f.area_mm2 < 500)  # the block's own faces are larger
    opening = Feature("F01", Kind.THROUGH_PROFILE, walls, dict.fromkeys(walls, Role.WALL))
    (view,) = Sides(part).grounds(UP, [opening], 10.0, 1.0, R)
    assert {round(mask.area, 6) for mask in view.masks} == {24.0 * 16.0}


def test_area_of_every_level_agrees_with_another_library() -> None:
    body = (
        block()
        .cut(cq.Workplane().polyline([(-15, -9), (14, -11), (9, 10), (-2, 3), (-12, 9)]).close().extrude(20))
        .union(cq.Workplane().circle(2.5).extrude(8).translate((-4, -3, 0)))
    )
    part = build_part(body.val().wrapped)
    part = replace(part, frame=replace(part.frame, origin=np.zeros(3), axes=np.eye(3)))
    (view,) = Sides(part).grounds(UP, [floor_of(part, 0.0)], 10.0, 1.0, R)
    for level, blocked in zip(view.levels(R, WALL), view.blocked, strict=True):
        void = max(shapely.get_parts(shapely.box(-19, -14, 19, 14).difference(blocked)), key=shapely.area)
        inward = _clipper(void, -(R + WALL))
        back = pyclipper.PyclipperOffset(2.0, 100.0)
        back.AddPaths(inward, pyclipper.JT_ROUND, pyclipper.ET_CLOSEDPOLYGON)
        area = sum(pyclipper.Area(p) for p in back.Execute(R * 1e5)) / 1e10
        assert level.cleared.area == pytest.approx(area, rel=0.01)


def test_sections_of_a_ball_with_a_bore() -> None:
    body = cq.Workplane().sphere(10).cut(cq.Workplane().circle(3).extrude(30).translate((0, 0, -15)))
    part = build_part(body.val().wrapped)
    from featurize.brep.silhouette import View

    view = View.toward(np.zeros(3), UP, np.array([0.0, 1.0, 0.0]))
    for z in (-6.0, 0.1, 5.0):
        area = math.pi * (100 - z**2 - 9)
        assert Sections(view, facets(part.solid)).at(z).area == pytest.approx(area, rel=3e-3)


def test_a_section_in_a_window_is_its_part_of_the_whole() -> None:
    """Closed forms: a quarter of the ring that a bored ball shows, and nothing inside its bore."""
    body = cq.Workplane().sphere(10).cut(cq.Workplane().circle(3).extrude(30).translate((0, 0, -15)))
    from featurize.brep.silhouette import View

    whole = Sections(View.toward(np.zeros(3), UP, np.array([0.0, 1.0, 0.0])), facets(body.val().wrapped))
    quarter = math.pi * (100 - 0.1**2 - 9) / 4
    assert whole.near((0.0, 0.0, 20.0, 20.0)).at(0.1).area == pytest.approx(quarter, rel=3e-3)
    assert whole.near((-1.0, -1.0, 1.0, 1.0)).at(0.1).area == 0
    assert whole.near((5.0, -1.0, 7.0, 1.0)).at(0.1).area == pytest.approx(4.0)


def test_sections_between_upright_walls_are_one() -> None:
    """A pocket 6 deep with a boss 2 high on its floor, a cone below: closed forms of each storey's area."""
    from featurize.brep.silhouette import View

    body = block().cut(cq.Workplane().box(24, 16, 6).translate((0, 0, 7)))
    body = body.union(cq.Workplane().box(4, 4, 2).translate((6, 0, 5)))
    body = body.cut(cq.Workplane(obj=cq.Solid.makeCone(0, 3, 4, pnt=cq.Vector(-6, 0, 0))))
    whole = Sections(View.toward(np.zeros(3), UP, np.array([0.0, 1.0, 0.0])), facets(body.val().wrapped))
    assert whole.same(9.5, 6.5)
    assert whole.same(5.5, 4.5)
    assert not whole.same(6.5, 5.5)  # the boss ends between
    assert not whole.same(4.5, 3.5)  # the floor lies between
    assert not whole.same(3.0, 2.0)  # a cone leans
    assert whole.near((3.0, -4.0, 9.0, 4.0)).same(3.0, 2.0)  # the cone is not there
    assert whole.at(9.5).area == pytest.approx(40 * 30 - 24 * 16)
    assert whole.at(5.5).area == pytest.approx(40 * 30 - 24 * 16 + 16)
    assert whole.at(3.0).area == pytest.approx(40 * 30 - math.pi * 2.25**2, rel=1e-4)


def test_recesses_that_are_apart_have_levels_of_their_own() -> None:
    """Of two pockets each goes to its own floor in even steps; one that touches both makes them one."""
    body = block()
    for x, low in ((-12, 6.0), (12, 3.0)):
        body = body.cut(cq.Workplane().box(12, 16, 10 - low).translate((x, 0, (10 + low) / 2)))
    part = build_part(body.val().wrapped)
    part = replace(part, frame=replace(part.frame, origin=np.zeros(3), axes=np.eye(3)))
    pockets = [replace(floor_of(part, low), id=f"F0{k}") for k, low in enumerate((6.0, 3.0), 1)]
    apart = list(Sides(part).grounds(UP, pockets, 10.0, 1.0, R))
    assert [len(g.steps) for g in apart] == [4, 7]
    assert [g.steps[-1][0] for g in apart] == pytest.approx([6 + FLOOR, 3 + FLOOR], abs=1e-4)
    assert [{round(m.area, 6) for m in g.masks} for g in apart] == [{192.0}, {192.0}]

    body = body.cut(cq.Workplane().box(20, 4, 2).translate((0, 0, 9)))
    part = build_part(body.val().wrapped)
    part = replace(part, frame=replace(part.frame, origin=np.zeros(3), axes=np.eye(3)))
    pockets = [replace(floor_of(part, low), id=f"F0{k}") for k, low in enumerate((6.0, 3.0, 8.0), 1)]
    (joined,) = Sides(part).grounds(UP, pockets, 10.0, 1.0, R)
    assert joined.steps[-1][0] == pytest.approx(3 + FLOOR, abs=1e-4)


def test_a_cutter_stays_where_the_part_is_known() -> None:
    """A larger cutter than was told of does not reach past what was looked at."""
    body = block().cut(cq.Workplane().box(24, 16, 10).translate((0, 0, 10)))
    part = build_part(body.val().wrapped)
    part = replace(part, frame=replace(part.frame, origin=np.zeros(3), axes=np.eye(3)))
    (view,) = Sides(part).grounds(UP, [floor_of(part, 5.0)], 10.0, 1.0, 0.1)
    for level in view.levels(3.0, WALL):
        assert level.cleared.intersection(shapely.box(-20, -15, 20, 15).difference(view.masks[0])).area < 1e-6


def test_rings_part_at_a_neck() -> None:
    dumb = shapely.union_all(
        [shapely.box(0, 0, 10, 10), shapely.box(10, 4, 20, 6), shapely.box(20, 0, 30, 10)]
    )
    assert len(rings(dumb, 1.5)) == 1 + 2 + 2 + 2  # one ring, then two until each square of 10 is gone


def test_drawing_is_well_formed() -> None:
    body = block().cut(cq.Workplane().box(60, 10, 8).translate((0, 0, 10)))
    _, before, after = estimate(body, 6.0, Cutting())
    root = ET.fromstring(drawing(before, after, "A <part>"))
    assert root.tag.endswith("svg")
    assert len(root.findall(".//{*}g")) == 2


@pytest.mark.parametrize("under_mm", [0.0006, 0.05, 0.0999, 0.1001, 0.5])
def test_a_level_keeps_off_a_neighbours_floor(under_mm: float) -> None:
    """A slot beside the pocket ends so far under the pocket's last level: over it stays what floors keep."""
    pocket = cq.Workplane().box(20, 12, 12).translate((0, 0, 10))  # 6 deep, its last level 5.9
    slot = cq.Workplane().box(10, 40, 2 * (6 - FLOOR + under_mm)).translate((15, 0, 10))  # open to the pocket
    part = build_part(block().cut(pocket).cut(slot).val().wrapped)
    part = replace(part, frame=replace(part.frame, origin=np.zeros(3), axes=np.eye(3)))
    (ground,) = Sides(part).grounds(UP, [floor_of(part, 4.0)], 10.0, 10.0, R)
    level = ground.levels(R)[-1]
    assert level.bottom_mm == pytest.approx(4.0 + FLOOR, abs=1e-4)
    over = ground.view.flat(np.array([[11.0, 0.0, 0.0]]))[0]  # over the slot, within the cutter's reach
    assert bool(shapely.contains_xy(level.cleared, *over)) is (under_mm > FLOOR)

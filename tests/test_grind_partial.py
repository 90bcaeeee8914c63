"""A wheel ahead of the cutter: up to its run-out before an end wall or a boss, against closed forms."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import cadquery as cq
import numpy as np
import pytest
from scipy import ndimage

from featurize.brep.build import build_part
from featurize.brep.silhouette import View
from featurize.brep.solids import facets, volume_of
from featurize.feature import Kind
from featurize.recognise import recognise
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs.job import ground_tasks
from routing.plan.make import make_plan
from routing.plan.plan import Plan
from routing.processes.protocol import Stage
from routing.processes.shop import Shop
from routing.processes.surface_grind.reach import run_out_mm
from routing.processes.surface_grind.shop import GrindShop
from routing.processes.surface_grind.verdict import GrindVerdict
from routing.processes.tools import Wheel
from routing.stock.grid import Columns, columns
from routing.stock.ground import GroundStock, ground_stock
from routing.stock.proof import prove
from tests.support.routed import block, owned, shop_with

UP = np.array([0.0, 0.0, 1.0])
STOP = 0.5  # of the default shop: a table's stops turn it so far before the mark at worst


def planned(body: cq.Workplane, shop: Shop | None = None, **choices: object) -> Plan:
    found = recognise(build_part(body.val().wrapped), working_side=UP)
    asked = Choices(**{"material": "steel-60hrc", **choices})  # type: ignore[arg-type]
    return make_plan(found, shop or load_shop(), asked)


def stock_of(plan: Plan) -> GroundStock:
    assert plan.job.blanks is not None
    wheels = plan.job.shop[GrindShop].wheels
    return ground_stock(plan.job.part, ground_tasks(plan), plan.job.blanks.squared, wheels)


def blind(width: float = 8, depth: float = 5, end: float = 20) -> cq.Workplane:
    """A slot from the left end of a block 80 long to ``end``, its far corners round."""
    slot = cq.Workplane().box(60 + end, width, 2 * depth).edges("|Z").fillet(width / 2 - 0.1)
    return block(80, 40, 20).cut(slot.translate(((end - 60) / 2, 0, 20)))


def wedge_mm2(radius: float, depth: float) -> float:
    """Between a floor's level, a circle that stands on it and the level ``depth`` above (an integral)."""
    x = math.sqrt(2 * radius * depth - depth**2)
    half = (x * math.sqrt(radius**2 - x**2) + radius**2 * math.asin(x / radius)) / 2
    return (depth - radius) * x + half


@pytest.mark.parametrize(("depth", "turn"), [(5.0, 0), (2.0, 0), (5.0, 90), (8.0, 180)])
def test_a_blind_slot_is_ground_up_to_the_run_out(depth: float, turn: float) -> None:
    body = blind(depth=depth).rotate((0, 0, 0), (0, 0, 1), turn)
    plan = planned(body, allowance_floor_mm=0.0)
    (routed,) = [r for r in plan.features if r.feature.kind == Kind.BLIND_SLOT]
    (ahead,) = routed.ahead
    assert isinstance(ahead, GrindVerdict)
    assert routed.process == "mill"
    stock = stock_of(plan)
    assert prove(plan.job.part, stock).faults == ()
    (cut,) = stock.removed
    (stop,) = [s for s in cut.stops if np.isfinite(s)]
    walls = plan.job.part.mesh.vertices[plan.job.part.mesh.corners(routed.feature.faces)] - cut.view.origin
    low, high = (float(f(walls @ cut.view.along)) for f in (np.min, np.max))
    length, room = (stop - low, high - stop) if np.isinf(cut.stops[0]) else (high - stop, stop - low)
    corner, run_out = 8 / 2 - 0.1, run_out_mm(200, depth)
    # The far end is round: what of that stands in the way is told to where it begins, less a hair's chord.
    assert run_out + STOP + corner - math.sqrt(2 * corner * 0.011) < room <= run_out + STOP + corner
    taken = volume_of(stock.blank.solid) - volume_of(stock.solid)
    feet = 2 * 0.05**2 * (1 - math.pi / 4) * (length + run_out)
    assert taken == pytest.approx(8 * (depth * length + wedge_mm2(100, depth)) - feet, rel=1e-6)


def boss_in_a_slot() -> cq.Workplane:
    body = block(100, 40, 20).cut(cq.Workplane().box(120, 26, 6).translate((0, 0, 20)))
    return body.union(cq.Workplane().circle(4).extrude(2.5).translate((10, 3, 17)))


def island_on_a_step() -> cq.Workplane:
    body = block(100, 40, 20).cut(cq.Workplane().box(120, 30, 6).translate((0, 10, 20)))
    return body.union(cq.Workplane().box(10, 10, 3).edges("|Z").fillet(2).translate((20, 4, 18.5)))


def blind_step() -> cq.Workplane:
    return block(80, 40, 20).cut(cq.Workplane().box(80, 30, 8).edges("|Z").fillet(3).translate((-20, 20, 20)))


def long_pocket() -> cq.Workplane:
    return block(140, 40, 20).cut(cq.Workplane().box(120, 14, 4).edges("|Z").fillet(3).translate((0, 0, 20)))


SMALL = tuple(Wheel(w, 60.0, 0.05, 20.0) for w in (2.0, 5.0, 10.0))


@pytest.mark.parametrize(
    ("make", "least"),
    [(blind, 0.5), (boss_in_a_slot, 0.85), (island_on_a_step, 0.85), (blind_step, 0.5), (long_pocket, 0.6)],
)
def test_a_stock_is_never_smaller_than_a_real_wheel_leaves(make: object, least: float) -> None:
    """Against the part's height map closed by a wheel, that is a short cylinder, in numpy alone."""
    shop = shop_with(load_shop(), wheels=SMALL)
    plan = planned(make(), shop, allowance_floor_mm=0.0)  # type: ignore[operator]
    stock = stock_of(plan)
    assert stock.in_part
    assert prove(plan.job.part, stock).faults == ()
    part = plan.job.part
    along = np.array([1.0, 0.0, 0.0])
    mine, body = part.mesh.vertices[part.mesh.triangles], facets(stock.solid)
    grid = Columns.over(View.toward(part.frame.origin, UP, along), facets(stock.blank.solid), 500)
    own, left = columns(grid, mine).top, columns(grid, body).top
    # Columns of the grid run across (along -y) and up (along x).
    t, u = float(grid.up[1] - grid.up[0]), float(grid.across[1] - grid.across[0])
    wide, reach = int(SMALL[0].width_mm / u) - 1, int(30 / t)
    rim = np.sqrt(np.maximum(30.0**2 - (np.arange(-reach, reach + 1) * t) ** 2, 0)) - 30.0
    high = np.pad(own, ((0, 0), (2 * reach, 2 * reach)), constant_values=own.min() - 50)
    tip = ndimage.maximum_filter1d(high, wide, axis=0)
    tip = ndimage.grey_dilation(tip, footprint=np.ones((1, 2 * reach + 1)), structure=rim[None])
    tip = ndimage.grey_erosion(tip, footprint=np.ones((1, 2 * reach + 1)), structure=rim[None])
    may = ndimage.minimum_filter1d(tip, wide, axis=0)[:, 2 * reach : -2 * reach]
    under = may - left
    # A column's doubt at every wall.
    under = ndimage.minimum_filter(under, 3)
    assert float(under.max()) < 0.02
    gone, could = float((own.max() - left).sum()), float((own.max() - may).sum())
    assert least * could < gone


def test_who_takes_what_is_told_and_priced() -> None:
    plan = planned(blind())
    grind = next(s for s in plan.steps if s.stage == Stage.GRIND)
    rough = next(s for s in plan.steps if s.stage == Stage.ROUGH)
    assert grind.number < rough.number
    assert any("stops" in note and "before the" in note for note in grind.notes)
    by_wheel, by_mill = (sum(p.task.volume_mm3 or 0.0 for p in s.passes) for s in (grind, rough))
    whole = by_wheel + by_mill
    cut = plan.job.blank_mm3 - plan.job.part.volume_mm3
    assert whole == pytest.approx(cut, rel=0.05)  # the grid's pitch
    assert by_wheel > by_mill
    alone = planned(blind(), processes={"blind slot": "mill"})
    roughed = next(s for s in alone.steps if s.stage == Stage.ROUGH)
    assert roughed.minutes > rough.minutes


def test_sharp_corners_are_eroded_behind_wheel_and_cutter() -> None:
    body = block(80, 40, 20).cut(cq.Workplane().box(80, 8, 10).translate((-20, 0, 20)))
    (routed,) = [r for r in planned(body).features if r.feature.kind == Kind.BLIND_SLOT]
    assert [v.process for v in routed.ahead] == ["surface grind", "mill"]
    assert routed.process == "sink-erode"


def test_a_little_is_not_worth_a_setup_but_shares_one() -> None:
    small = cq.Workplane().box(80, 4, 2).edges("|Z").fillet(1.9).translate((-25, 0, 20))  # 55 x 4 x 1
    plan = planned(block(80, 40, 20).cut(small))
    assert not [s for s in plan.steps if s.stage == Stage.GRIND]
    beside = block(80, 40, 20).cut(small).cut(cq.Workplane().box(100, 6, 10).translate((0, 12, 20)))
    plan = planned(beside)
    (routed,) = [r for r in plan.features if r.feature.kind == Kind.BLIND_SLOT]
    assert [v.process for v in routed.ahead] == ["surface grind"]
    assert len([s for s in plan.steps if s.stage == Stage.GRIND]) == 1


def test_a_pocket_too_short_for_the_wheel_is_not_ground() -> None:
    pocket = cq.Workplane().box(38, 12, 4).edges("|Z").fillet(3).translate((0, 0, 20))
    assert run_out_mm(200, 2) * 2 > 38
    plan = planned(block(80, 40, 20).cut(pocket))
    assert not [s for s in plan.steps if s.stage == Stage.GRIND]


@pytest.mark.parametrize("by", [-4e-7, 0.0, 4e-7, -5e-5, 5e-5])
def test_the_wheel_does_not_change_with_the_last_digit(by: float) -> None:
    body = block(60, 40, 20).cut(cq.Workplane().box(80, 5.0 + by, 10).translate((0, 0, 20)))
    (task,) = ground_tasks(planned(body))
    assert isinstance(task.tool, Wheel)
    assert task.tool.width_mm == 5


def _mouth(size: float, *, rounded: bool, walls: bool) -> cq.Workplane:
    """A slot right through whose mouth is broken at one end: at its floor alone, or at its walls too."""
    body = block(60, 40, 20).cut(cq.Workplane().box(80, 8, 10).translate((0, 0, 20)))
    wide = 4.5 if walls else 3.5
    edges = body.faces(">X").edges(cq.selectors.BoxSelector((29, -wide, 14), (31, wide, 19 if walls else 16)))
    return edges.fillet(size) if rounded else edges.chamfer(size)


@pytest.mark.parametrize("size", [0.3, 1.5])
@pytest.mark.parametrize("rounded", [False, True])
@pytest.mark.parametrize("walls", [False, True])
def test_a_broken_mouth_does_not_close_a_run(size: float, rounded: bool, walls: bool) -> None:
    plan = planned(_mouth(size, rounded=rounded, walls=walls))
    slot = max(
        (r for r in plan.features if r.feature.kind == Kind.SLOT), key=lambda r: r.feature.dims["length_mm"]
    )
    assert slot.process == "surface grind"
    assert prove(plan.job.part, stock_of(plan)).faults == ()


def _crossing() -> cq.Workplane:
    body = block(60, 60, 20).cut(cq.Workplane().box(80, 8, 10).translate((0, 0, 20)))
    return body.cut(cq.Workplane().box(6, 80, 6).translate((10, 0, 20)))


def test_two_traverses_are_two_setups_unless_the_chuck_turns() -> None:
    fixed = planned(_crossing())
    grinds = [s for s in fixed.steps if s.stage == Stage.GRIND]
    assert len(grinds) == 2
    assert {s.from_side for s in grinds} == {"+z"}
    assert len({s.setup for s in grinds}) == 2
    table = replace(owned("grinding"), rotating_chuck=True)
    turned = planned(_crossing(), shop_with(load_shop(), grinding=table))
    assert len({s.setup for s in turned.steps if s.stage == Stage.GRIND}) == 1
    assert turned.estimate.setups == fixed.estimate.setups - 1


def _random_body(rng: random.Random) -> cq.Workplane:
    """A block with blind slots and steps, pockets, bosses and channels that cross one another."""
    x, y, z = rng.uniform(60, 140), rng.uniform(30, 70), rng.uniform(15, 30)
    body = cq.Workplane().box(x, y, z)
    for _ in range(rng.randint(1, 4)):
        wide, deep = rng.uniform(3, 12), rng.uniform(1, z / 3)
        at, end = rng.uniform(6 - y / 2, y / 2 - 6), rng.uniform(-x / 4, x / 2 - 5)
        r = rng.choice([0.0, wide / 3])
        low = cq.Workplane().box(x, wide, 2 * deep)
        low = low.edges("|Z").fillet(r) if r else low
        tool = rng.choice(
            [
                low.translate((end - x / 2, at, z / 2)),
                cq.Workplane().box(3 * x, 2 * wide, 2 * deep).translate((0, at, z / 2)),
                cq.Workplane().box(x, y, 2 * deep).translate((end - x / 2, at + y / 2, z / 2)),
                cq.Workplane().box(0.8 * x, wide, 2 * deep).translate((0, at, z / 2)),
                cq.Workplane().box(wide, 3 * y, deep).translate((end, 0, z / 2)),
            ]
        )
        kept = body.cut(tool)
        if rng.random() < 0.5:
            pin = cq.Workplane().circle(rng.uniform(1, 4)).extrude(z / 2 - 0.3).translate((end / 2, at, 0))
            kept = kept.union(pin)
        if kept.solids().size() == 1:
            body = kept
    return body


@pytest.mark.parametrize("seed", range(8))
def test_random_bodies_prove_themselves(seed: int) -> None:
    assert proven(seed)[1] == ()


def proven(seed: int) -> tuple[GroundStock, tuple[str, ...]]:
    rng = random.Random(seed)
    plan = planned(_random_body(rng), allowance_wall_mm=rng.choice([0.0, 0.03]))
    stock = stock_of(plan)
    return stock, prove(plan.job.part, stock).faults

"""Ground stock against closed forms of simple solids."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from pathlib import Path

import cadquery as cq
import numpy as np
import pytest
import trimesh

from featurize.brep.build import build_part
from featurize.brep.solids import is_closed, is_valid, prism, volume_of
from featurize.brep.surfaces import Cylinder
from featurize.feature import Feature, Kind, Role
from featurize.recognise import Recognition, recognise
from routing.export.solid_files import WriteError, write_step, write_stl
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.processes.context import JobContext
from routing.processes.shop import Shop
from routing.processes.surface_grind.process import SurfaceGrind
from routing.processes.tools import Wheel
from routing.stock.blank import Blank, Shape, blank_for, given_blank
from routing.stock.ground import GroundStock
from routing.stock.proof import prove
from tests.support.grinding import ground_stock
from tests.support.routed import shop_with

R = 0.2  # the wheel's corner in these tests
CORNER = R**2 * (1 - math.pi / 4)  # area it leaves in a square foot (elementary geometry)


def shop(*wheels: Wheel) -> Shop:
    base = load_shop()
    mine = wheels or (Wheel(1.0, 200.0, R, 15.0), Wheel(6.0, 200.0, R, 15.0))
    return shop_with(base, wheels=mine, general=replace(base.general, sharp_corner_leave_mm=R))


def seen(work: cq.Workplane) -> Recognition:
    return recognise(build_part(work.val().wrapped))


def ground(
    work: cq.Workplane, shop_: Shop | None = None, blank: Blank | None = None, **allowances: float
) -> tuple[Recognition, GroundStock]:
    found, shop_ = seen(work), shop_ or shop()
    job = JobContext(found.part, found.features, shop_, Choices())
    routed = [f for f in found.features if SurfaceGrind().judge(job, f).workable]
    return found, ground_stock(found.part, routed, blank or blank_for(found.part), shop_, **allowances)


def check(found: Recognition, stock: GroundStock, volume_mm3: float) -> None:
    assert volume_of(stock.solid) == pytest.approx(volume_mm3, rel=1e-9)
    assert is_valid(stock.solid)
    assert is_closed(stock.solid)
    proof = prove(found.part, stock)
    assert proof.faults == ()
    assert proof.missing_mm3 < 1e-6 * found.part.volume_mm3


def block() -> cq.Workplane:
    return cq.Workplane().box(40, 30, 20)


def channel(
    work: cq.Workplane, along: str = "x", width: float = 8, depth: float = 5, aside: float = 0
) -> cq.Workplane:
    size = (60, width, 2 * depth) if along == "x" else (width, 60, 2 * depth)
    at = (0, aside, 10) if along == "x" else (aside, 0, 10)
    return work.cut(cq.Workplane().box(*size).translate(at))


@pytest.mark.parametrize(("floor", "wall"), [(0.010, 0.0), (0.0, 0.0), (0.0, 0.02), (0.25, 0.1)])
def test_channel(floor: float, wall: float) -> None:
    found, stock = ground(channel(block()), floor_allowance_mm=floor, wall_allowance_mm=wall)
    check(found, stock, 24000 - 40 * ((8 - 2 * wall) * (5 - floor) - 2 * CORNER))
    assert [f.offset_mm for f in stock.floors] == [floor]


def test_a_wall_alone_is_ground_two_wheels_wide_at_most() -> None:
    """The wheel's width beside the wall, and as the air goes on, once more: no channel's floor is claimed."""
    found = seen(channel(block(), width=20))
    (slot,) = [f for f in found.features if f.kind == Kind.SLOT]
    wall = slot.but(faces=slot.faces_with(Role.WALL)[:1])
    stock = ground_stock(found.part, [wall], blank_for(found.part), shop(Wheel(6.0, 200.0, R, 15.0)))
    check(found, stock, 24000 - 40 * (12 * (5 - 0.010) - 2 * CORNER))


def test_floor_stands_at_the_allowance_exactly() -> None:
    found, stock = ground(channel(block()))
    (floor,) = prove(found.part, stock).floors
    assert floor.measured_mm == pytest.approx(0.010, abs=1e-9)
    assert floor.worst_mm < 1e-9


def test_wheel_corners_are_true_arcs() -> None:
    _, stock = ground(channel(block()))
    (cut,) = stock.removed
    arcs = [s for s in cut.path if s.mid is not None]
    assert len(arcs) == 2
    assert cut.exact
    for arc in arcs:
        assert np.linalg.norm(arc.start - arc.centre()) == pytest.approx(R, abs=1e-12)
    assert sum(f.geomType() == "CYLINDER" for f in cq.Shape.cast(stock.solid).Faces()) == 2


def test_blind_channel_is_left_to_others() -> None:
    body = block().cut(cq.Workplane().box(40, 8, 10).translate((5, 0, 10)))
    found, stock = ground(body)
    assert "no feature" in stock.note
    assert not stock.removed
    assert volume_of(stock.solid) == pytest.approx(24000, rel=1e-12)
    assert prove(found.part, stock).rough_saved == 0


def test_nothing_to_grind_is_told_with_the_reasons() -> None:
    part = seen(block()).part
    reasons = {"F01": "has an end wall", "F02": "is wired", "F03": "has an end wall"}
    stock = ground_stock(part, [], blank_for(part), shop(), not_ground=reasons)
    assert stock.note == (
        "no feature is ground, the stock is the blank: F01, F03 has an end wall; F02 is wired"
    )


def test_a_feature_routed_by_force_is_left_out_with_the_reason() -> None:
    body = block().cut(cq.Workplane().box(40, 8, 10).translate((5, 0, 10)))
    found = seen(body)
    stock = ground_stock(found.part, found.features, blank_for(found.part), shop())
    assert any("closes the run" in reason for _, reason in stock.left_out)
    assert volume_of(stock.solid) == pytest.approx(24000, rel=1e-12)


def test_two_traverses() -> None:
    found, stock = ground(channel(channel(block()), "y", 6, 3))
    deep, shallow = 8 * 4.99 - 2 * CORNER, 6 * 2.99 - 2 * CORNER
    # Common part of the two prisms: over the shallow floor the deep channel has its full width.
    common = 8 * (6 * 2.99 - 2 * CORNER)
    check(found, stock, 24000 - 40 * deep - 30 * shallow + common)
    assert len(stock.floors) == 3


def test_step_runs_out_of_the_blank() -> None:
    body = block().cut(cq.Workplane().box(60, 8, 10).translate((0, 15, 10)))
    found = seen(body)
    blank = blank_for(found.part, margin_mm=0.5)
    found, stock = ground(body, blank=blank)
    # The wheel goes on over the blank's margin beside and at the ends, down to the floor's level.
    check(found, stock, 41 * 31 * 21 - 41 * (4.5 * 5.49 - CORNER))


def test_slanted_face() -> None:
    # A wedge cut 30 deg off the long edge: leaves no foot, takes the floor's allowance square to itself.
    rise = 6 * math.tan(math.radians(30))
    body = (
        cq.Workplane("YZ").polyline([(0, 0), (30, 0), (30, 20 - rise), (24, 20), (0, 20)]).close().extrude(40)
    )
    found, stock = ground(body)
    lifted = rise - 0.010 / math.cos(math.radians(30))
    check(found, stock, 24000 - 40 * lifted**2 / math.tan(math.radians(30)) / 2)
    verdict = SurfaceGrind().judge(
        JobContext(found.part, found.features, shop(), Choices()),
        next(
            f
            for f in found.features
            if len(f.faces) == 1
            and found.part.frame.side_of(found.part.faces[f.faces[0]].surface.normal) is None
        ),
    )
    assert "30.000 deg" in verdict.reason


@pytest.mark.parametrize("angle_deg", [15.0, 30.0, 40.0])
def test_v_channel_on_the_sine_plate(angle_deg: float) -> None:
    # Two floors that lean to each other: each keeps 0.010 square to itself, so the foot rises by
    # 0.010 / cos a; a corner R between lines that turn by 2 a leaves R^2 (tan a - a) (elementary geometry).
    a, depth = math.radians(angle_deg), 4.0
    wide = depth / math.tan(a)
    vee = cq.Workplane("YZ").polyline([(-wide, 10), (0, 10 - depth), (wide, 10)]).close().extrude(60)
    found, stock = ground(block().cut(vee.translate((-30, 0, 0))))
    lower = depth - 0.010 / math.cos(a)
    check(found, stock, 24000 - 40 * (lower**2 / math.tan(a) - R**2 * (math.tan(a) - a)))
    assert len(stock.floors) == 2


def test_ramp_beside_a_land() -> None:
    # Most of the top leans 5 deg, ground along y: 30 long and 30 tan 5 high at its end.
    slope = math.tan(math.radians(5))
    outline = [(0, 0), (40, 0), (40, 20 - 30 * slope), (10, 20), (0, 20)]
    found, stock = ground(cq.Workplane("XZ").polyline(outline).close().extrude(30))
    lower = 30 * slope - 0.010 / math.cos(math.radians(5))
    check(found, stock, 24000 - 30 * lower**2 / slope / 2)


def _two_channels() -> tuple[Recognition, list[Feature]]:
    found = seen(channel(channel(block(), aside=8, width=6), aside=-8, width=6, depth=3))
    slots = [f for f in found.features if f.kind == Kind.SLOT]
    depth = {f.id: 10 - min(found.part.faces[i].low[2] for i in f.faces) for f in slots}
    return found, sorted(slots, key=lambda f: -depth[f.id])


def test_allowances_of_one_feature_differ_from_the_others() -> None:
    found, (deep, shallow) = _two_channels()
    own = {deep.id: (0.05, 0.2)}
    stock = ground_stock(found.part, [deep, shallow], blank_for(found.part), shop(), own_allowances=own)
    check(found, stock, 24000 - 40 * (5.6 * 4.95 - 2 * CORNER + 6 * 2.99 - 2 * CORNER))
    assert {f.feature: f.offset_mm for f in stock.floors} == {deep.id: 0.05, shallow.id: 0.010}
    measured = {f.feature: f.measured_mm for f in prove(found.part, stock).floors}
    assert measured == {deep.id: pytest.approx(0.05, abs=1e-9), shallow.id: pytest.approx(0.010, abs=1e-9)}


def test_the_proof_holds_each_feature_to_its_own_allowance() -> None:
    found, (deep, shallow) = _two_channels()
    own = {deep.id: (0.05, 0.0)}
    stock = ground_stock(found.part, [deep, shallow], blank_for(found.part), shop(), own_allowances=own)
    other = {f: stock.allowances[b.faces[0]] for a, b in ((deep, shallow), (shallow, deep)) for f in a.faces}
    mixed = replace(stock, allowances=other)
    told = prove(found.part, mixed).faults
    assert any("could go deeper by 0.04" in f for f in told)
    assert sum("misses its allowance by 0.04" in f for f in told) == 2


@pytest.mark.parametrize(("upper", "lower"), [((0.05, 0.0), (0.0, 0.0)), ((0.0, 0.1), (0.02, 0.3))])
def test_a_wall_between_two_features_keeps_what_the_lower_one_says(
    upper: tuple[float, float], lower: tuple[float, float]
) -> None:
    body = channel(channel(block(), width=14, depth=2), width=5, depth=6)
    part = seen(body).part
    flats = {
        level: tuple(f.id for f in part.faces if abs(f.low[2] - level) < 1e-6 and f.high[2] < 9 + level / 4)
        for level in (8, 4)
    }
    wide = Feature("F01", Kind.SLOT, flats[8], dict.fromkeys(flats[8], Role.FLOOR), run=(1.0, 0.0, 0.0))
    deep = Feature("F02", Kind.SLOT, flats[4], dict.fromkeys(flats[4], Role.FLOOR), run=(1.0, 0.0, 0.0))
    own = {"F01": upper, "F02": lower}
    stock = ground_stock(part, [wide, deep], blank_for(part), shop(), own_allowances=own)
    steps = (14 - 2 * upper[1]) * (2 - upper[0]) + (5 - 2 * lower[1]) * (4 + upper[0] - lower[0])
    assert volume_of(stock.solid) == pytest.approx(24000 - 40 * (steps - 4 * CORNER), rel=1e-9)
    assert prove(part, stock).faults == ()


@pytest.mark.parametrize("more", [0, 1])
def test_level_floors_one_behind_the_other_keep_the_larger_allowance(more: int) -> None:
    # A deeper channel across parts a channel's floor; the wheel runs over both ends in one pass.
    body = channel(channel(block(), width=8, depth=3), "y", 6, 6)
    part = seen(body).part
    ends = [f.id for f in part.faces if f.surface.normal[2] > 0.9 and abs(f.low[2] - 7) < 1e-6]
    assert len(ends) == 2
    both = [
        Feature(f"F0{k}", Kind.SLOT, (f,), {f: Role.FLOOR}, run=(1.0, 0.0, 0.0)) for k, f in enumerate(ends)
    ]
    own = {"F00": (0.0, 0.0), "F01": (0.0, 0.0)} | {f"F0{more}": (0.05, 0.0)}
    stock = ground_stock(part, both, blank_for(part), shop(), own_allowances=own)
    assert volume_of(stock.solid) == pytest.approx(24000 - 40 * (8 * 2.95 - 2 * CORNER), rel=1e-9)
    assert prove(part, stock).faults == ()


def test_a_chamfer_to_size_goes_on_through_what_the_floor_keeps() -> None:
    # A step with a chamfer of 1 x tan 60 at its rim: the floor keeps 0.05, the chamfer nothing.
    steep = math.tan(math.radians(60))
    outline = [(0, 0), (30, 0), (30, 12 - steep), (29, 12), (18, 12), (18, 20), (0, 20)]
    found, stock = ground(cq.Workplane("YZ").polyline(outline).close().extrude(40), floor_allowance_mm=0.05)
    kept = 0.05 * (11 - 0.05 / steep / 2)  # 11 wide, its end leaning in at 60 deg
    check(found, stock, 40 * (30 * 20 - 12 * 8 - steep / 2 + kept + CORNER))


@pytest.mark.parametrize("corner", [0.1, 0.5, 1.5])
def test_coarse_wheel_corners_are_proven_too(corner: float) -> None:
    coarse = replace(
        shop(Wheel(6.0, 200.0, corner, 15.0)),
        general=replace(load_shop().general, sharp_corner_leave_mm=corner),
    )
    found, stock = ground(channel(block()), coarse)
    check(found, stock, 24000 - 40 * (8 * 4.99 - 2 * corner**2 * (1 - math.pi / 4)))


@pytest.mark.parametrize(("corner", "workable"), [(0.5, True), (0.6, False)])
def test_a_corner_that_runs_out_beside_the_part_is_no_foot(corner: float, workable: bool) -> None:
    # A step whose only foot has a modelled R 0.5: the wheel's other corner is in the air.
    tool = cq.Workplane("YZ").rect(24, 10).extrude(60).edges("|X and <Z and <Y").fillet(0.5)
    found = seen(block().cut(tool.translate((-30, 15, 10))))
    coarse = replace(shop(Wheel(6.0, 200.0, corner, 15.0)), general=load_shop().general)
    job = JobContext(found.part, found.features, coarse, Choices())
    step = next(f for f in found.features if f.kind == Kind.STEP)
    assert SurfaceGrind().judge(job, step).workable is workable


def test_a_wall_that_keeps_more_than_its_ledge_is_wide_stands_over_the_next_channel() -> None:
    # Ledges of 0.05 beside a channel 5 wide; the upper walls keep 0.2: all is ground down beside those.
    body = channel(channel(block(), width=5.1, depth=2), width=5, depth=6)
    part = seen(body).part
    flats = {
        level: tuple(f.id for f in part.faces if abs(f.low[2] - level) < 1e-6 and f.high[2] < 9 + level / 4)
        for level in (8, 4)
    }
    both = [
        Feature(f"F0{k}", Kind.SLOT, flats[z], dict.fromkeys(flats[z], Role.FLOOR), run=(1.0, 0.0, 0.0))
        for k, z in enumerate((8, 4))
    ]
    own = {"F00": (0.0, 0.2), "F01": (0.01, 0.02)}
    stock = ground_stock(part, both, blank_for(part), shop(), own_allowances=own)
    assert volume_of(stock.solid) == pytest.approx(24000 - 40 * (4.7 * 5.99 - 2 * CORNER), rel=1e-9)
    assert prove(part, stock).faults == ()


def test_a_negative_allowance_is_a_mistake() -> None:
    found, (deep, _) = _two_channels()
    with pytest.raises(ValueError, match="cannot be negative"):
        ground_stock(found.part, [deep], blank_for(found.part), shop(), own_allowances={deep.id: (-0.01, 0)})


def test_foot_fillet_takes_a_dressed_corner() -> None:
    body = cq.Workplane("YZ").rect(30, 20).extrude(40)
    tool = cq.Workplane("YZ").rect(8, 10).extrude(60).edges("|X and <Z").fillet(1.0).translate((-10, 0, 10))
    found, stock = ground(body.cut(tool))
    check(found, stock, 24000 - 40 * (8 * 4.99 - 2 * (1 - math.pi / 4)))


def test_half_round_channel() -> None:
    part = build_part(
        block().cut(cq.Workplane("YZ").circle(4).extrude(60).translate((-30, 0, 10))).val().wrapped
    )
    (round_,) = [f.id for f in part.faces if isinstance(f.surface, Cylinder)]
    feature = Feature("F01", Kind.SLOT, (round_,), {round_: Role.FLOOR}, run=(1.0, 0.0, 0.0))
    stock = ground_stock(part, [feature], blank_for(part), shop())
    # Its bottom is a floor: 0.010 stays on.
    assert volume_of(stock.solid) == pytest.approx(24000 - 40 * math.pi * 3.99**2 / 2, rel=1e-9)
    assert prove(part, stock).faults == ()


def test_edge_round_is_formed_and_exact() -> None:
    part = build_part(block().edges("|X and >Z and >Y").fillet(3).val().wrapped)
    (round_,) = [f.id for f in part.faces if isinstance(f.surface, Cylinder)]
    feature = Feature("F01", Kind.EDGE_ROUND, (round_,), {round_: Role.FACE}, run=(1.0, 0.0, 0.0))
    stock = ground_stock(part, [feature], blank_for(part), shop(), floor_allowance_mm=0.0)
    assert [c.exact for c in stock.removed] == [True]
    assert volume_of(stock.solid) == pytest.approx(24000 - 40 * 9 * (1 - math.pi / 4), rel=1e-9)
    assert prove(part, stock).faults == ()


def test_ribbed_floor() -> None:
    body = block()
    for aside in (-8, 0, 8):
        body = channel(body, width=5, depth=3, aside=aside)
    found, stock = ground(body)
    check(found, stock, 24000 - 3 * 40 * (5 * 2.99 - 2 * CORNER))


def test_two_level_channel() -> None:
    found, stock = ground(channel(channel(block(), width=14, depth=2), width=5, depth=6))
    check(found, stock, 24000 - 40 * (14 * 1.99 - 2 * CORNER + 5 * 4 - 2 * CORNER))


def test_pocket_in_a_channel_floor_stays_full() -> None:
    body = channel(block()).cut(cq.Workplane().box(6, 4, 6).translate((0, 0, 5)))
    found, stock = ground(body)
    check(found, stock, 24000 - 40 * (8 * 4.99 - 2 * CORNER))


def test_wheel_wider_than_the_gap_leaves_it() -> None:
    _, stock = ground(channel(block(), width=0.8, depth=1))
    assert not stock.removed
    assert volume_of(stock.solid) == pytest.approx(24000, rel=1e-12)


def test_a_lane_too_narrow_stays_full_and_the_rest_is_ground() -> None:
    found = seen(channel(channel(block(), width=14, depth=2), width=0.9, depth=6))
    slots = [f for f in found.features if f.kind in (Kind.SLOT, Kind.FLOOR, Kind.STEP)]
    flats = [f for f in found.part.faces if any(f.id in s.faces for s in slots)]
    shallow = Feature(
        "F90", Kind.SLOT, tuple(f.id for f in flats), {f.id: Role.FLOOR for f in flats}, run=(1, 0, 0)
    )
    stock = ground_stock(found.part, [shallow], blank_for(found.part), shop())
    # As one feature it is refused: the narrow lane is part of what was asked.
    assert "width 0.900 is under the narrowest wheel 1" in stock.left_out[0][1]
    assert volume_of(stock.solid) == pytest.approx(24000, rel=1e-12)


def _insert(rng: random.Random) -> cq.Workplane:
    """A block with channels, steps, pockets, holes and slants at random."""
    x, y, z = (rng.uniform(*r) for r in ((25, 60), (20, 50), (12, 30)))
    body = cq.Workplane().box(x, y, z)
    for _ in range(rng.randint(1, 5)):
        at, deep, wide = rng.uniform(4 - y / 2, y / 2 - 4), rng.uniform(1, z / 2 - 1), rng.uniform(1.5, 8)
        lean = [(y / 2, z / 2 - deep), (y / 2 - wide, z / 2), (y / 2, z / 2)]
        tool = rng.choice(
            [
                cq.Workplane().box(3 * x, wide, 2 * deep).translate((0, at, z / 2)),
                cq.Workplane().box(wide, 3 * y, 2 * deep).translate((at / y * x, 0, z / 2)),
                cq.Workplane().box(3 * x, 2 * wide, 2 * deep).translate((0, y / 2, z / 2)),
                cq.Workplane().box(3 * x, wide, deep).translate((0, at, -z / 2)),
                cq.Workplane().box(wide, wide, 2 * deep).translate((0, at, z / 2)),
                cq.Workplane().circle(wide / 2).extrude(3 * z).translate((0, at, -z)),
                cq.Workplane("YZ").polyline(lean).close().extrude(3 * x).translate((-1.5 * x, 0, 0)),
            ]
        )
        rest = body.cut(tool)
        if rest.solids().size() == 1:
            body = rest
    return body


@pytest.mark.parametrize("seed", range(16))
def test_random_inserts_prove_themselves(seed: int) -> None:
    rng = random.Random(seed)
    floor, wall = rng.choice([0.0, 0.010]), rng.choice([0.0, 0.02])
    found, stock = ground(_insert(rng), load_shop(), floor_allowance_mm=floor, wall_allowance_mm=wall)
    proof = prove(found.part, stock)
    assert proof.faults == ()
    assert proof.part_mm3 - 1e-6 <= proof.ground_mm3 <= proof.blank_mm3 + 1e-6


def test_turned_part() -> None:
    body = channel(block()).rotate((0, 0, 0), (1, 2, 3), 37).translate((110, -40, 7))
    found, stock = ground(body)
    check(found, stock, 24000 - 40 * (8 * 4.99 - 2 * CORNER))


def test_slanted_traverse() -> None:
    angle = 20.0
    body = block().cut(
        cq.Workplane().box(90, 8, 10).translate((0, 0, 10)).rotate((0, 0, 0), (0, 0, 1), angle)
    )
    found, stock = ground(body)
    length = 40 / math.cos(math.radians(angle))  # through both short ends, measured along the run
    check(found, stock, 24000 - length * (8 * 4.99 - 2 * CORNER))


def test_disc_blank() -> None:
    body = channel(cq.Workplane().circle(20).extrude(20).translate((0, 0, -10)))
    found = seen(body)
    blank = blank_for(found.part)
    assert blank.shape == Shape.DISC
    assert blank.volume_mm3 == pytest.approx(math.pi * 400 * 20, rel=1e-9)
    found, stock = ground(body)
    proof = prove(found.part, stock)
    assert proof.faults == ()
    assert len(stock.removed) == 1


def test_given_blank_gives_the_same_stock() -> None:
    body = channel(block())
    found, stock = ground(body, blank=given_blank(block().val().wrapped))
    check(found, stock, 24000 - 40 * (8 * 4.99 - 2 * CORNER))


def test_proof_finds_a_stock_that_is_too_small() -> None:
    found, stock = ground(channel(block()))
    low = cq.Workplane().box(40, 30, 19.9).translate((0, 0, -0.05)).val().wrapped
    from featurize.brep.solids import cut

    spoilt = replace(stock, solid=cut(low, [prism(c.view, c.path, -100, 100) for c in stock.removed]))
    proof = prove(found.part, spoilt)
    assert proof.missing_mm3 == pytest.approx(40 * 22 * 0.1, rel=1e-6)
    assert any("outside the stock" in f for f in proof.faults)
    assert any("grid" in f for f in proof.faults)


def test_proof_finds_a_floor_at_the_wrong_level() -> None:
    found, stock = ground(channel(block()), floor_allowance_mm=0.05)
    wrong = replace(stock, floors=tuple(replace(f, offset_mm=0.010) for f in stock.floors))
    assert any("not 0.0100" in f for f in prove(found.part, wrong).faults)


def test_files_read_back(tmp_path: Path) -> None:
    _, stock = ground(channel(block()))
    step = write_step(stock.solid, tmp_path / "ground_stock.step", name="A-17 ground stock")
    text = step.read_text()
    assert "AUTOMOTIVE_DESIGN" in text  # the schema name of ISO 10303-214
    assert "A-17 ground stock" in text
    assert "SI_UNIT(.MILLI.,.METRE.)" in text
    back = cq.importers.importStep(str(step)).val()
    assert back.Volume() == pytest.approx(volume_of(stock.solid), rel=1e-9)
    stl = write_stl(stock.solid, tmp_path / "ground_stock.stl", name="A-17 ground stock", deviation_mm=0.002)
    mesh = trimesh.load(stl, force="mesh")
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(volume_of(stock.solid), rel=1e-5)
    assert stl.read_bytes()[:80].rstrip() == b"A-17 ground stock mm deviation 0.002"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["ground_stock.step", "ground_stock.stl"]


def test_a_failed_write_leaves_nothing(tmp_path: Path) -> None:
    pieces = cq.Compound.makeCompound(
        [cq.Solid.makeBox(1, 1, 1), cq.Solid.makeBox(1, 1, 1).moved(cq.Location((5, 0, 0)))]
    )
    with pytest.raises(WriteError):
        write_step(pieces.wrapped, tmp_path / "two.step", name="two")
    assert list(tmp_path.iterdir()) == []

"""T-slot and dovetail cutters: slots, and grooves in bores, shafts and walls, against closed forms.

``docs/reach.md`` derives them: a head D on a neck e reaches (D - e) / 2 sideways; it needs a mouth for e, a
way in for D and a neck as long as what stands over its head.
"""

from __future__ import annotations

import math
from dataclasses import replace

import cadquery as cq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from featurize.feature import Kind
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.plan.make import make_plan
from routing.processes.protocol import Verdict
from routing.processes.tools import SideCutter
from routing.processes.undercut import cut_mm3
from tests.support import undercut_parts as parts
from tests.support.routed import asked, job_of, owned, recognised, shop_with, the

STEP = 0.05  # under and over a limit: over what a mesh and the rays' slack blur


def tee_cutter(
    head: float = 12, width: float = 4, neck: float = 5.5, reach: float = 25
) -> tuple[SideCutter, ...]:
    return (SideCutter("t-slot", head, width, neck, reach),)


def milled(body: cq.Workplane, kind: Kind, *cutters: SideCutter, material: str = "steel-60hrc") -> Verdict:
    job = job_of(body, shop_with(side_cutters=cutters), material=material)
    return asked(job, the(job, kind), "mill")


def along(*cutters: SideCutter, ends: tuple[float, float] = parts.THROUGH, **sizes: float) -> Verdict:
    kind = {parts.THROUGH: Kind.SLOT, parts.ONE_END: Kind.BLIND_SLOT, parts.CLOSED: Kind.POCKET}[ends]
    return milled(parts.tee(ends, **sizes), kind, *cutters)


@settings(max_examples=8, deadline=None)
@given(n=st.floats(6.2, 8), u=st.floats(1, 3), e=st.floats(2.5, 6))
def test_a_tee_is_reached_as_far_as_half_of_head_less_neck(n: float, u: float, e: float) -> None:
    # u = (D - e) / 2: the neck touches the slot's neck while the head touches the slot's head.
    least = e + 2 * u
    for head, fits in ((least + STEP, True), (least - STEP, False)):
        if head < n + 2 * u:  # a head over the slot's own is another matter
            verdict = along(*tee_cutter(head, 2, e), n=n, h=n + 2 * u)
            assert verdict.workable == fits, (verdict.reason, head, n, u, e)


@pytest.mark.parametrize(
    ("cutters", "reason"),
    [
        (tee_cutter(neck=6 + STEP), "does not pass the slot's 6"),
        (tee_cutter(head=12 + STEP), "wider than the slot's head 12"),
        (tee_cutter(width=4 + STEP), "over the head's height 4"),
        (tee_cutter(reach=5 - STEP), "over its width and 4.95 reach"),  # depth 9 less width 4
        ((), "owns no t-slot cutter"),
        ((SideCutter("dovetail", 12, 5, 5.5, 25, 60),), "owns no t-slot cutter"),
    ],
)
def test_what_stops_a_tee_cutter(cutters: tuple[SideCutter, ...], reason: str) -> None:
    verdict = along(*cutters)
    assert not verdict.workable
    assert reason in verdict.reason


def test_just_inside_every_limit() -> None:
    verdict = along(*tee_cutter(12 - STEP, 4 - STEP, 6 - STEP - 2 * STEP, 5 + 2 * STEP))
    assert verdict.workable, verdict.reason
    # The shop's largest that leaves 0.05 beside it in the neck of 6.
    assert verdict.reason.startswith("5.74 flat coated cutter for the neck")
    assert verdict.way is not None
    neck, head = verdict.way.rough
    assert (neck.tool.diameter_mm, head.tool) == (5.74, verdict.tool)
    # By hand: 6 x 9 of the section is neck, 2 x 3 x 4 beside it head.
    assert neck.volume_mm3 / (neck.volume_mm3 + head.volume_mm3) == pytest.approx(54 / 78)


def test_the_way_in() -> None:
    assert along(*tee_cutter(), ends=parts.ONE_END).workable
    closed = along(*tee_cutter(), ends=parts.CLOSED)
    assert not closed.workable
    assert "no way in" in closed.reason
    assert milled(parts.plunged(), Kind.POCKET, *tee_cutter()).workable
    # Square ends are left round by the head and by the flat cutter in the neck, two corners each.
    square = milled(parts.tee(parts.ONE_END, square=True), Kind.BLIND_SLOT, *tee_cutter())
    assert not square.workable
    assert square.rest is not None
    assert len(square.rest.places) == 4
    # Each square corner keeps (1 - pi / 4) R^2: head R 6, 4 high; neck R 2.87, 9 deep.
    left = 2 * (1 - math.pi / 4) * (36 * 4 + 2.87**2 * 9)
    assert square.rest.volume_mm3 == pytest.approx(left, rel=1e-3)


@pytest.mark.parametrize("angle", [45, 60])
def test_a_dovetail_wants_a_cutter_of_its_angle(angle: float) -> None:
    body = parts.dovetail(parts.THROUGH, angle_deg=angle)
    lean = 5 / math.tan(math.radians(angle))  # each flank's foot beyond its top

    def of(neck: float = 4, height: float = 5, at: float = angle) -> Verdict:
        return milled(body, Kind.SLOT, SideCutter("dovetail", neck + 2 * (lean + STEP), height, neck, 15, at))

    assert of(3).workable
    assert not of(3, at=angle + 1).workable
    assert "under the flank's height" in of(3, height=4.9).reason
    too_thick = SideCutter("dovetail", 8, 5, 8 - 2 * (lean - STEP), 15, angle)
    assert not milled(body, Kind.SLOT, too_thick).workable


@pytest.mark.parametrize(
    ("cutter", "workable"),
    [
        (SideCutter("t-slot", 20, 3, 16 - STEP, 25), True),  # fills the bore of 20; 2 deep
        (SideCutter("t-slot", 20 + STEP, 3, 10, 25), False),
        (SideCutter("t-slot", 10, 3, 6 - STEP, 25), True),  # (10 - 6) / 2 = 2
        (SideCutter("t-slot", 10, 3, 6 + STEP, 25), False),
        (SideCutter("t-slot", 10, 3 + STEP, 4, 25), False),
    ],
)
def test_a_groove_in_a_bore(cutter: SideCutter, workable: bool) -> None:
    verdict = milled(parts.bored(20, 2, 3), Kind.GROOVE, cutter)
    assert verdict.workable == workable, verdict.reason


def test_the_neck_is_as_long_as_the_bore_over_the_groove() -> None:
    # A shank as wide as the bore less what the head is off its middle would pass: this one does not.
    for body, over in ((parts.bored(14, 2, 3, at_mm=1), 16.0), (parts.bored(14, 2, 3, at_mm=9), 8.0)):
        shop = shop_with(holding=replace(owned("holding"), shank_mm=12))
        for reach, fits in ((over + 2 * STEP, True), (over - 2 * STEP, False)):
            job = job_of(body, shop_with(shop, side_cutters=(SideCutter("t-slot", 9, 3, 4, reach),)))
            groove = the(job, Kind.GROOVE)
            verdict = asked(job, groove, "mill")
            # The mounting side is nearer to the lower groove: there it takes 1 mm, and 8 to the other.
            near = min(over, 20 - over - 3)
            assert verdict.workable == (reach > near), (over, reach, verdict.reason)
            if over == 8.0:
                assert verdict.workable == fits


def test_a_groove_in_a_shaft() -> None:
    body = parts.shaft(20, 2, 3, over_mm=4)  # 5 of shaft stand over it
    assert milled(body, Kind.GROOVE, SideCutter("t-slot", 10, 3, 6 - STEP, 10)).workable
    assert not milled(body, Kind.GROOVE, SideCutter("t-slot", 10, 3, 6 + STEP, 10)).workable
    # The shank of 6 runs over the shaft: centre at 8 + 5, shank from 10 outward, just beside it.
    assert milled(body, Kind.GROOVE, SideCutter("t-slot", 10.2, 3, 5, 2)).workable
    assert not milled(body, Kind.GROOVE, SideCutter("t-slot", 9.6, 3, 5, 2)).workable


def test_a_groove_in_the_walls_of_a_pocket() -> None:
    ring = parts.ring_groove()  # pocket 30 x 20, groove 2 deep, back corners R 6
    assert milled(ring, Kind.GROOVE, SideCutter("t-slot", 12, 3, 8 - STEP, 10)).workable
    assert not milled(ring, Kind.GROOVE, SideCutter("t-slot", 12, 3, 8 + STEP, 10)).workable
    tight = milled(ring, Kind.GROOVE, SideCutter("t-slot", 12.5, 3, 4, 10))
    assert not tight.workable
    assert tight.rest is not None
    assert len(tight.rest.places) == 4
    wide = milled(ring, Kind.GROOVE, SideCutter("t-slot", 20.5, 3, 8, 10))
    assert "no room for its head" in wide.reason


def test_a_smaller_head_where_a_larger_would_leave_corners() -> None:
    both = (SideCutter("t-slot", 14, 3, 5, 10), SideCutter("t-slot", 10, 3, 5, 10))
    verdict = milled(parts.ring_groove(), Kind.GROOVE, *both)
    assert verdict.workable
    assert verdict.tool.diameter_mm == 10


def eroded(body: cq.Workplane, kind: Kind) -> Verdict:
    job = job_of(body)
    return asked(job, the(job, kind), "sink-erode")


def test_an_electrode_moved_sideways_below_its_mouth() -> None:
    # Head 2 t + s passes a bore of 10, so t <= (10 - s) / 2; the stem, 11 long from the nearer side, is an
    # eighth of that thick, and a gap of 0.02 a side comes on top.
    most = (10 - (11 / 8 + 2 * 0.02)) / 2
    assert eroded(parts.bored(10, most - STEP, 3, at_mm=8), Kind.GROOVE).workable
    deeper = eroded(parts.bored(10, most + STEP, 3, at_mm=8), Kind.GROOVE)
    assert not deeper.workable
    assert "does not pass the bore of 10" in deeper.reason
    # In a closed T-slot it passes the neck n, and h - n is at most n less the stem: 9 / 8 and the gaps.
    stem = 9 / 8 + 2 * 0.02
    for n, fits in ((4 + stem + STEP, True), (4 + stem - STEP, False)):
        verdict = eroded(parts.tee(parts.CLOSED, n=n, h=n + 4), Kind.POCKET)
        assert verdict.workable == fits, verdict.reason
    # A square-ended groove in one wall: the electrode is as long as it and burns its corners.
    wall = eroded(parts.wall_groove(), Kind.GROOVE)
    assert wall.workable
    assert wall.sideways_mm == pytest.approx(2, abs=1e-3)


@pytest.mark.parametrize(
    ("body", "kind", "volume"),
    [
        # 60 long: head 12 x 4 and neck 6 x 5; a trapezium of 8 and 8 + 10 / tan 60 by 5; a ring, 10 to 12.
        (parts.tee(parts.THROUGH), Kind.SLOT, 60 * (12 * 4 + 6 * 5)),
        (parts.dovetail(parts.THROUGH), Kind.SLOT, 60 * 5 * (8 + 5 / math.tan(math.radians(60)))),
        (parts.bored(20, 2, 3), Kind.GROOVE, math.pi * (12**2 - 10**2) * 3),
        (parts.wall_groove(), Kind.GROOVE, 14 * 3 * 2),
    ],
)
def test_the_volume_of_an_undercut(body: cq.Workplane, kind: Kind, volume: float) -> None:
    job = job_of(body)
    assert cut_mm3(job, the(job, kind)) == pytest.approx(volume, rel=2e-3)  # round ones by chords


def test_operations_follow_the_bore_and_are_priced() -> None:
    found = recognised(parts.bored())
    route = make_plan(found, load_shop(), Choices())
    groove = next(f for f in found.features if f.kind == Kind.GROOVE)
    hole = next(f for f in found.features if f.kind == Kind.HOLE)
    assert str(route.process_of(groove.id)) == "mill"
    cuts = [o for o in route.steps if groove.id in o.features]
    bored = [o for o in route.steps if hole.id in o.features and o.process == route.process_of(hole.id)]
    assert max(o.number for o in bored) < min(o.number for o in cuts)
    assert any("comes in through the bore" in why for o in cuts for why in o.because)
    assert all(o.minutes > 0 for o in cuts)

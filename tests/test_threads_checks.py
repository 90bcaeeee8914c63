"""Thread checks on solids with faults built in; limits are common practice, no source."""

from __future__ import annotations

import math
from collections.abc import Callable

import cadquery as cq
import pytest

from featurize.brep.build import build_part
from featurize.recognise import recognise
from routing.plan.threads import check_threads
from routing.processes.flags import Flag, Severity


def tool(
    drill: float = 4.2,
    depth: float = 10,
    relief: tuple[float, float] | None = (5.3, 1.4),
    at: tuple[float, float] = (0, 0),
    pointed: bool = True,
) -> cq.Workplane:
    """A drill with its counterbore, from the top (z = 0) down."""
    r = drill / 2
    points = [(0.0, 0.0)]
    if relief:
        points += [(relief[0] / 2, 0.0), (relief[0] / 2, -relief[1]), (r, -relief[1])]
    else:
        points += [(r, 0.0)]
    points += [(r, -depth), (0.0, -depth - (r / math.tan(math.radians(59)) if pointed else 0.0))]
    turned = cq.Workplane("XZ").polyline(points).close().revolve(360, (0, 0, 0), (0, 1, 0))
    return turned.translate((*at, 0))


def flags(*tools: cq.Workplane, carbide: bool = False, turn: bool = False, **threads: str) -> list[Flag]:
    work = cq.Workplane(origin=(0, 0, -20)).box(40, 30, 20, centered=(True, True, False))
    for t in tools:
        work = work.cut(t)
    if turn:
        work = work.rotate((0, 0, 0), (1, 2, 3), 77).translate((5, -8, 13))
    (solid,) = work.solids().vals()
    # The threads open to the mounting side.
    r = recognise(build_part(solid.wrapped), threads=threads or {"4.2": "M5"})
    return check_threads(r.part, r.features, carbide=carbide)


def codes(found: list[Flag]) -> list[str]:
    return [f.code for f in found]


def test_a_good_thread_has_no_flag() -> None:
    assert flags(tool()) == []


@pytest.mark.parametrize("turn", [False, True])
@pytest.mark.parametrize(
    ("make", "code", "number"),
    [
        (lambda: tool(relief=None), "thread-relief-missing", "5.20 to 5.50 mm, 1.20 to 1.60 mm deep"),
        (lambda: tool(relief=(9.0, 4.0), depth=14), "thread-relief-missing", "5.20 to 5.50"),
        (lambda: tool(relief=(5.3, 0.6)), "thread-relief-shallow", "0.6 mm deep"),
        (lambda: tool(relief=(5.3, 2.6)), "thread-relief-deep", "2.6 mm deep"),
        (lambda: tool(relief=(5.05, 1.4)), "thread-relief-narrow", "5.05 mm in diameter"),
        # 6 - 1.4 - 0.8 of run-out leaves 3.8, under 1 x d = 5.
        (lambda: tool(depth=6), "thread-short", "3.8 mm of full thread"),
        # 15 - 10.5 - 2.5 = 2.0 under the limit of half the diameter.
        (lambda: tool(at=(0, 10.5)), "thread-wall-thin", "a wall of 2 mm"),
        # Point of 2.1 / tan 59 = 1.262 under 17.5: 20 - 18.762.
        (lambda: tool(depth=17.5), "thread-drill-point-thin", "1.238 mm under its drill point"),
        (lambda: tool(depth=18.5, pointed=False), "thread-drill-point-thin", "1.5 mm under its bottom"),
    ],
)
def test_each_fault_has_its_flag_and_numbers(
    make: Callable[[], cq.Workplane], code: str, number: str, turn: bool
) -> None:
    (flag,) = flags(make(), turn=turn)
    assert flag.code == code
    assert number in flag.message
    assert flag.severity == Severity.WARNING


def test_walls_between_two_threads_count_both_majors() -> None:
    # 7.2 apart: 7.2 - 2 x 2.5 = 2.2 between major diameters, though 3.0 between the drilled bores.
    found = flags(tool(at=(-3.6, 0)), tool(at=(3.6, 0)))
    assert codes(found) == ["thread-wall-thin"] * 2
    assert all("a wall of 2.2 mm" in f.message for f in found)
    assert flags(tool(at=(-3.8, 0)), tool(at=(3.8, 0))) == []


def test_wall_to_a_crossing_hole_below_and_beside() -> None:
    across = cq.Workplane("YZ", origin=(0, 4, -6)).circle(1.5).extrude(25, both=True)
    # Axis to axis 4; less 1.5 and 2.5 leaves nothing.
    found = flags(tool(), across, **{"4.2": "M5", "3": "plain"})
    assert codes(found) == ["thread-wall-thin"]
    assert "breaks into" in found[0].message


def test_a_slanted_mouth_is_no_thin_wall() -> None:
    slope = cq.Workplane("XZ").polyline([(-20, 0), (20, 0), (20, -6)]).close().extrude(15, both=True)
    found = flags(slope, tool(depth=16, relief=None))
    assert "thread-wall-thin" not in codes(found)


def test_carbide_asks_for_more() -> None:
    assert {f.severity for f in flags(tool(relief=None), carbide=True)} == {Severity.BLOCKING}
    # 8 - 1.4 - 0.8 = 5.8: enough for steel (5), short of 7.5 in carbide.
    assert flags(tool(depth=8)) == []
    assert codes(flags(tool(depth=8), carbide=True)) == ["thread-short"]


def test_ambiguous_holes_block_and_say_how_to_settle() -> None:
    through = cq.Workplane().circle(2.5).extrude(-20)
    (flag,) = flags(through, **{"99": "plain"})
    assert (flag.code, flag.severity) == ("thread-ambiguous", Severity.BLOCKING)
    assert "M6" in flag.message
    assert f"{flag.feature}=plain" in flag.message


def test_through_threads_need_no_floor() -> None:
    assert flags(tool(depth=30, pointed=False)) == []

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


def through(relief: tuple[float, float] | None = (5.3, 1.4)) -> cq.Workplane:
    """A 4.2 hole right through a block of 20, relieved at the top, at the bottom where asked for."""
    far = [(2.1, -20.0)]
    if relief:
        far = [(2.1, -20 + relief[1]), (relief[0] / 2, -20 + relief[1]), (relief[0] / 2, -20.0)]
    points = [(0.0, 0.0), (2.65, 0.0), (2.65, -1.4), (2.1, -1.4), *far, (0.0, -20.0)]
    return cq.Workplane("XZ").polyline(points).close().revolve(360, (0, 0, 0), (0, 1, 0))


@pytest.mark.parametrize("turn", [False, True])
def test_a_through_thread_is_relieved_at_its_exit_too(turn: bool) -> None:
    assert flags(through(), turn=turn) == []  # nor does it need a floor
    (flag,) = flags(through(relief=None), turn=turn)
    assert flag.code == "thread-relief-missing"
    assert "at its exit on " in flag.message
    (deep,) = flags(through(relief=(5.3, 2.6)), carbide=True, turn=turn)
    assert (deep.code, deep.severity) == ("thread-relief-deep", Severity.BLOCKING)
    assert "2.6 mm deep" in deep.message


@pytest.mark.parametrize(
    ("asked", "suits"),
    # Minor diameters: M5 4.134 to 4.334 and M5x0.5 4.459 to 4.599 (ISO 965-1, 6H), 1/4-20 UNC 4.979 to 5.257
    # (ASME B1.1, 2B), all from published tables, see test_threads_sizes.
    [("M5", True), ("M5x0.5", False), ("1/4-20 UNC", False)],
)
def test_a_bore_that_does_not_suit_its_thread_is_flagged(asked: str, suits: bool) -> None:
    found = [f for f in flags(tool(), **{"4.2": asked}) if f.code == "thread-bore-misfit"]
    assert bool(found) is not suits
    if found:
        assert found[0].severity == Severity.BLOCKING
        assert "4.2 mm drawn" in found[0].message
        assert asked in found[0].message


@pytest.mark.parametrize("drawn", [4.134, 4.2, 4.3, 5.0])
def test_any_way_to_draw_a_thread_suits_it(drawn: float) -> None:
    """At its minor diameter or within the limits of that, at its tap drill, at its major diameter."""
    bore = tool(drill=drawn, relief=None)
    assert "thread-bore-misfit" not in codes(flags(bore, **{f"{drawn:g}": "M5"}))

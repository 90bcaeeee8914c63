"""What a person is asked about holes: equal ones once, screw seats never.

What a die maker would say of each is common practice, no source, unless a standard stands beside it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import cadquery as cq
import pytest

from featurize.brep.build import build_part
from featurize.feature import Kind
from featurize.placing import box_point, own_turns, places
from featurize.recognise import recognise
from featurize.recognise.thread_bores import screw_seat
from featurize.recognise.threads import questions
from featurize.standards.screws import SCREWS, seated
from featurize.step.read import read_step
from routing.export import route_json
from routing.inputs.choices import Choices, Settlement
from routing.inputs.overrides import BY_A_PERSON, Settled, settle
from routing.inputs.questions import Doubt, doubts
from routing.plan.threads import check_threads
from tests.support.transforms import mirrored, moved, write_step

# Heads: table of ISO 4762 at engineeringhardware.com/?p=12 and, for inches, of ASME B18.3-2003 at
# aftfasteners.com/socket-cap-screws-dimensions-and-mechanical-properties. Clearance holes: table of ISO 273
# at engineeringhardware.com/?p=50. All seen 2026-11-27.
HEADS_MM = {
    "M1.6": 3.0, "M2": 3.8, "M2.5": 4.5, "M3": 5.5, "M4": 7.0, "M5": 8.5, "M6": 10.0, "M8": 13.0, "M10": 16.0,
    "M12": 18.0, "M14": 21.0, "M16": 24.0, "M20": 30.0, "M24": 36.0, "#8": 0.270 * 25.4, "#10": 0.312 * 25.4,
    "1/4": 0.375 * 25.4, "5/16": 0.469 * 25.4, "3/8": 0.562 * 25.4, "1/2": 0.750 * 25.4,
}  # fmt: skip
CLEARANCE_MM = {
    "M1.6": (1.7, 1.8, 2.0), "M2": (2.2, 2.4, 2.6), "M2.5": (2.7, 2.9, 3.1), "M3": (3.2, 3.4, 3.6),
    "M3.5": (3.7, 3.9, 4.2), "M4": (4.3, 4.5, 4.8), "M5": (5.3, 5.5, 5.8), "M6": (6.4, 6.6, 7.0),
    "M7": (7.4, 7.6, 8.0), "M8": (8.4, 9.0, 10.0), "M10": (10.5, 11.0, 12.0), "M12": (13.0, 13.5, 14.5),
    "M14": (15.0, 15.5, 16.5), "M16": (17.0, 17.5, 18.5),
}  # fmt: skip


def bored(*stages: tuple[float, float], pointed: bool = False) -> cq.Workplane:
    """A tool of (diameter, depth below the mouth) from the widest on, its mouth at z = 0."""
    outline, last = [(0.0, 0.0)], 0.0
    for diameter, depth in stages:
        outline += [(diameter / 2, -last), (diameter / 2, -depth)]
        last = depth
    tip = stages[-1][0] / 2 / math.tan(math.radians(59)) if pointed else 0.0
    outline.append((0.0, -last - tip))
    return cq.Workplane("XZ").polyline(outline).close().revolve(360, (0, 0, 0), (0, 1, 0))


def plate(tools: dict[tuple[float, float], cq.Workplane]) -> Any:
    """100 x 80 x 20 with tools from above at their places."""
    work = cq.Workplane(origin=(0, 0, -20)).box(100, 80, 20, centered=(True, True, False))
    for (x, y), tool in tools.items():
        work = work.cut(tool.translate((x, y, 0)))
    return work.val().wrapped  # type: ignore[union-attr]


SIXTEEN = {(-36.0 + 24 * i, -30.0 + 20 * j): bored((4.2, 25)) for i in range(4) for j in range(4)}


def _find(shape: Any) -> Any:
    return partial(recognise, build_part(shape))


def asked(shape: Any) -> list[Doubt]:
    return [d for d in doubts(_find(shape)(working_side=None, threads={})) if d.key == "thread"]


def settled(shape: Any, *answers: Settlement) -> Settled:
    find = _find(shape)
    return settle(find(working_side=None, threads={}), Choices(settle=answers), find)


def answer(doubt: Doubt, thread: str) -> Settlement:
    return Settlement(doubt.at, doubt.kind, doubt.size_mm, thread=thread)


def test_sixteen_equal_holes_are_one_question() -> None:
    (question,) = asked(plate(SIXTEEN))
    assert len(question.features) == 16
    assert question.feature == question.features[0]
    assert question.answers == ("M5", "plain")
    assert question.question.startswith("are these 16 equal holes of 4.2 mm M5, or plain")
    assert "for M5: 4.2 mm is its tap drill diameter" in question.question
    assert "against M5: no relief counterbore" in question.question
    written = route_json.doubt(question)
    assert (written["feature"], written["features"]) == (question.feature, list(question.features))


@pytest.mark.parametrize("said", ["M5", "plain"])
@pytest.mark.parametrize(
    "dress",
    [
        lambda s: s,
        lambda s: moved(s, (1, 2, 3), 50, (7, 8, 9)),
        lambda s: mirrored(s, (1, 0, 0)),
    ],
)
def test_one_answer_settles_them_all(dress: Callable[[Any], Any], said: str) -> None:
    (question,) = asked(plate(SIXTEEN))
    done = settled(dress(plate(SIXTEEN)), answer(question, said))
    holes = [f for f in done.recognition.features if f.kind in (Kind.HOLE, Kind.THREADED_HOLE)]
    assert {(f.thread.designation if f.thread else "plain") for f in holes} == {said}
    assert len(holes) == 16
    assert all(f.confidence == 1 for f in holes)
    # One was answered for itself, the others for it.
    assert sum(f.evidence[-1] == BY_A_PERSON for f in holes) == 1
    assert sum(f.evidence[-1].startswith(f"{BY_A_PERSON} for its equal F") for f in holes) == 15


def test_in_a_file_in_inches_too(tmp_path: Path) -> None:
    (question,) = asked(plate(SIXTEEN))
    path = write_step(moved(plate(SIXTEEN), (1, 0, 0), 90), tmp_path / "plate.step", unit="INCH")
    again = read_step(path, isolate=False).parts[0].solid
    assert len(asked(again)[0].features) == 16
    done = settled(again, answer(question, "M5")).recognition
    assert sum(f.kind == Kind.THREADED_HOLE for f in done.features) == 16


def test_what_is_not_equal_is_asked_apart() -> None:
    tools = {
        (-30.0, 0.0): bored((4.2, 12)),
        (-10.0, 0.0): bored((4.2, 12)),
        (10.0, 0.0): bored((4.2, 10)),  # not as deep
        (30.0, 0.0): bored((4.2, 12)).rotate((0, 0, -10), (1, 0, -10), 180),  # from the other side
    }
    assert sorted(len(d.features) for d in asked(plate(tools))) == [1, 1, 2]


def test_a_holes_own_answer_stands() -> None:
    shape = plate(
        {(-30.0, 5.0): bored((4.2, 25)), (3.0, 9.0): bored((4.2, 25)), (31.0, -9.0): bored((4.2, 25))}
    )
    find = _find(shape)
    found = find(working_side=None, threads={})
    (group,) = questions(found.features)
    ids = [f.id for f in group]
    turn = own_turns(found.part, placed := places(found.part, found.features))[0][0]
    own = {}
    for p in placed:
        if p.feature.id in ids:
            x, y, z = (float(c) for c in box_point(found.part, turn, p.at))
            own[p.feature.id] = Settlement((x, y, z), "hole", 4.2, thread="plain")
    first, second, third = ids

    def said(*answers: Settlement) -> list[str]:
        by_id = {f.id: f for f in settled(shape, *answers).recognition.features}
        return [by_id[i].thread.designation or "asked" if by_id[i].thread else "plain" for i in ids]  # type: ignore[union-attr]

    def m5(id_: str) -> Settlement:
        return Settlement(own[id_].at, "hole", 4.2, thread="M5")

    assert said(m5(first), own[second]) == ["M5", "plain", "M5"]
    assert said(own[second]) == ["plain"] * 3
    assert said(own[first], m5(third)) == ["plain", "plain", "M5"]


SEAT = bored((6.8, 4.4), (4.5, 25))


@pytest.mark.parametrize(
    "dress",
    [
        lambda s: s,
        lambda s: moved(s, (1, 2, 3), 50, (7, 8, 9)),
        lambda s: moved(mirrored(s, (1, 1, 0)), (0, 1, 0), 90),
    ],
)
def test_a_screw_seat_is_not_asked_about(dress: Callable[[Any], Any]) -> None:
    shape = dress(plate({(x, y): SEAT for x in (-30.0, 30.0) for y in (-20.0, 20.0)}))
    assert asked(shape) == []
    holes = [f for f in recognise(build_part(shape)).features if f.kind == Kind.HOLE]
    assert len(holes) == 4
    for hole in holes:
        assert hole.thread is None
        (why,) = [e for e in hole.evidence if "screw seat" in e]
        assert "4.5 mm lets M4 pass (ISO 273)" in why
        # The head of M4 is 7.0 (ISO 4762): the seat is drawn a little narrow, and that is said.
        assert "7 mm (ISO 4762)" in why
        assert "turn the head down or widen it" in why


def test_a_screw_seat_of_inches(tmp_path: Path) -> None:
    inch = 25.4
    tool = bored((0.438 * inch, 0.25 * inch), (0.281 * inch, 25))
    path = write_step(plate({(9.0, 5.0): tool}), tmp_path / "seat.step", unit="INCH")
    shape = read_step(path, isolate=False).parts[0].solid
    assert asked(shape) == []
    (hole,) = [f for f in recognise(build_part(shape)).features if f.kind == Kind.HOLE]
    seat = screw_seat(hole)
    assert seat is not None
    assert seat.designation == "1/4"


def test_sizes_of_screws_are_those_of_the_standards() -> None:
    assert {s.designation: s.head_mm for s in SCREWS if s.head_mm} == pytest.approx(HEADS_MM)
    for screw in SCREWS:
        if screw.designation in CLEARANCE_MM:
            assert screw.clearance_mm == CLEARANCE_MM[screw.designation]


@pytest.mark.parametrize("screw", [s for s in SCREWS if s.head_mm], ids=lambda s: s.designation)
def test_every_screw_has_its_seat(screw: Any) -> None:
    for bore in screw.clearance_mm:
        found = seated(bore, screw.head_mm + 0.5)
        assert found is not None
        assert abs(found.major_mm - screw.major_mm) < 0.5  # an inch size may lie beside a metric one
    assert seated(screw.major_mm, screw.head_mm + 0.5) in (
        None,
        *(s for s in SCREWS if s.major_mm < screw.major_mm),
    )


@pytest.mark.parametrize(
    "stages",
    [
        ((9.0, 4.0), (4.2, 25)),  # M5's tap drill under a counterbore
        ((5.3, 1.4), (4.2, 25)),  # M5 with its relief
        ((8.0, 4.4), (4.5, 12)),  # blind: no screw passes
    ],
)
def test_what_seats_no_screw(stages: tuple[tuple[float, float], ...]) -> None:
    shape = plate({(9.0, 5.0): bored(*stages)})
    (hole,) = [f for f in recognise(build_part(shape)).features if f.bores]
    assert screw_seat(hole) is None


@pytest.mark.parametrize("turn", [0, 77])
def test_a_relief_too_narrow_is_in_the_question(turn: float) -> None:
    shape = moved(plate({(9.0, 5.0): bored((7.6, 2.2), (6.8, 16), pointed=True)}), (1, 2, 3), turn)
    (question,) = asked(shape)
    assert question.answers == ("M8", "plain")
    assert "is this 7.6 over 6.8 mm hole M8 in its 6.8 mm bore, or plain" in question.question
    assert (
        "against M8: a counterbore of 7.6 mm is under its 8 mm: too narrow for its relief"
        in question.question
    )


def test_equal_holes_have_one_flag() -> None:
    found = recognise(build_part(plate(SIXTEEN)))
    (flag,) = check_threads(found.part, found.features)
    (group,) = questions(found.features)
    assert (flag.code, flag.feature) == ("thread-ambiguous", group[0].id)
    assert all(f.id in flag.message for f in group)
    assert "4.2=plain" in flag.message

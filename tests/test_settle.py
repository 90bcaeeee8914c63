"""A person's answers find their features again in every export; doubts come in the right order."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from dataclasses import replace
from functools import cache, partial
from pathlib import Path
from typing import Any

import cadquery as cq
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from featurize.brep.build import build_part
from featurize.brep.frame import direction_name
from featurize.brep.runs import edge_runs
from featurize.feature import Feature, Kind
from featurize.placing import box_point, edge_places, own_turns, places
from featurize.recognise import Recognition, recognise
from featurize.step.read import read_step
from routing.cli import skeleton
from routing.export import route_json
from routing.inputs.choices import Choices, ChoicesError, Settlement, load_choices
from routing.inputs.overrides import BY_A_PERSON, Settled, settle, unmatched
from routing.inputs.questions import Doubt, doubts
from routing.inputs.shop import load_shop
from routing.jobs.staging import OutputError
from routing.plan.edges import edge_map
from routing.plan.make import make_plan
from routing.processes.flags import Severity
from tests.support.transforms import as_bsplines, mirrored, moved, with_split_faces, write_step

# 5 mm, blind and flat: M6's tap drill is 5.0 (ISO 2306, from memory), and so is a dowel: a fair doubt.
DOUBTFUL_MM = 5.0
HOLES = ((-15.0, -9.0), (15.0, 9.0), (14.0, -8.0))
DEPTHS_MM = (12.0, 11.0, 10.0)  # apart, or they are one question
motions = st.tuples(
    st.tuples(*[st.integers(-3, 3)] * 3).filter(any),
    st.integers(0, 359),
    st.tuples(*[st.integers(-50, 50)] * 3),
)
dresses = st.sampled_from([lambda s: s, with_split_faces, as_bsplines])


def _drilled(*places: tuple[float, float], depths: tuple[float, ...] = DEPTHS_MM) -> Any:
    work = cq.Workplane().box(40, 30, 20).faces(">Z").workplane()
    for place, depth in zip(places, depths, strict=True):
        work = work.moveTo(*place).hole(DOUBTFUL_MM, depth)
    return work.val().wrapped


def _threads(recognition: Recognition) -> list[Doubt]:
    return [d for d in doubts(recognition) if d.key == "thread"]


def _find(shape: Any) -> Any:
    return partial(recognise, build_part(shape))


def _recognised(shape: Any) -> Recognition:
    return _find(shape)(working_side=None, threads={})  # type: ignore[no-any-return]


def _settled(shape: Any, *answers: Settlement, **choices: Any) -> Settled:
    find = _find(shape)
    given = Choices(settle=answers, **choices)
    side = given.working_direction
    found = find(working_side=None if side is None else np.array(side), threads=given.threads)
    return settle(found, given, find)


def _answer(doubt: Doubt, **answer: str) -> Settlement:
    return Settlement(doubt.at, doubt.kind, doubt.size_mm, **answer)


def _middle(recognition: Recognition, feature: Feature) -> np.ndarray:
    """Middle of a feature's mouth in the model, from its axis: what the answers do not go by."""
    assert feature.axis is not None
    return np.array(feature.axis.origin)


@cache
def _plate() -> tuple[Any, Recognition, tuple[Doubt, ...]]:
    shape = _drilled(*HOLES)
    found = _recognised(shape)
    return shape, found, tuple(_threads(found))


def _hole_of(recognition: Recognition, doubt: Doubt) -> int:
    """Which of ``HOLES`` a doubt is about."""
    (feature,) = [f for f in recognition.features if f.id == doubt.feature]
    at = _middle(recognition, feature)[:2]
    return int(np.argmin([np.linalg.norm(at - h) for h in HOLES]))


@settings(max_examples=6, deadline=None)
@given(motions, dresses, st.permutations(["M6", "plain", None]))
def test_answers_outlive_every_export(motion: Any, dress: Any, sizes: list[str | None]) -> None:
    shape, found, asked = _plate()
    assert len(asked) == len(HOLES)
    answers = [_answer(d, thread=s) for d, s in zip(asked, sizes, strict=True) if s]
    wanted = {_hole_of(found, d): s for d, s in zip(asked, sizes, strict=True)}
    axis, angle, shift = motion
    # Dressed before it is moved: the splitter of the tests cuts along the model's axes.
    export = moved(dress(shape), axis, angle, shift)
    settled = _settled(export, *answers)
    assert not settled.flags
    assert settled.found == {0, 1}
    for n, place in enumerate(HOLES):
        spot = np.array(_vertex(moved(_point(*place, 10.0), axis, angle, shift)))
        (hole,) = [
            f
            for f in settled.recognition.features
            if f.kind in (Kind.HOLE, Kind.THREADED_HOLE)
            and np.linalg.norm(_middle(settled.recognition, f) - spot) < 0.01
        ]
        if wanted[n] is None:
            assert BY_A_PERSON not in hole.evidence
            continue
        assert BY_A_PERSON in hole.evidence
        assert hole.confidence == 1.0
        assert (hole.thread.designation if hole.thread else "plain") == wanted[n]


def _point(*xyz: float) -> Any:
    return cq.Vertex.makeVertex(*xyz).wrapped


def _vertex(shape: Any) -> tuple[float, float, float]:
    return cq.Vertex(shape).toTuple()  # type: ignore[no-any-return]


@settings(max_examples=5, deadline=None)
@given(motions)
def test_a_round_part_has_no_box_that_stands_one_way(motion: Any) -> None:
    top = cq.Workplane().circle(25).extrude(15).faces(">Z").workplane()
    shape = top.pushPoints([(10, 3), (-8, 9), (2, -12)]).hole(DOUBTFUL_MM, 9).val().wrapped
    (asked,) = _threads(_recognised(shape))
    settled = _settled(moved(shape, *motion), _answer(asked, thread="plain"))
    assert settled.found == {0}
    # Threads would have been for screws from below; plain, nothing speaks for that any more.
    assert [f.code for f in settled.flags] == ["side-turned"]
    (hole,) = [f for f in settled.recognition.features if BY_A_PERSON in f.evidence]
    (before,) = [f for f in _recognised(shape).features if f.id == asked.feature]
    spot = _vertex(moved(_point(*before.axis.origin), *motion))  # type: ignore[union-attr]
    assert np.allclose(_middle(settled.recognition, hole), spot, atol=0.01)


# An upright edge, one of the upper face, and the mouth of a hole: (middle in the model, length).
EDGES = (((20, 15, 0), 20.0), ((0, 15, 10), 40.0), ((*HOLES[0], 10), np.pi * DOUBTFUL_MM))


def _edge_answers(recognition: Recognition) -> list[Settlement]:
    """As the route file gives the keys of edges."""
    part = recognition.part
    turn = own_turns(part, places(part, recognition.features))[0][0]
    found = []
    for spot, length in EDGES:
        (edge,) = [e for e in edge_places(part) if np.linalg.norm(e.run.middle - spot) < 1e-3]
        assert edge.size_mm == pytest.approx(length, abs=1e-3)
        x, y, z = (round(float(c), 3) for c in box_point(part, turn, edge.at))
        found.append(Settlement((x, y, z), "edge", round(edge.size_mm, 4), edge="must break"))
    return found


@settings(max_examples=6, deadline=None)
@given(motions, dresses)
def test_a_choice_for_an_edge_outlives_every_export(motion: Any, dress: Any) -> None:
    shape, found, _ = _plate()
    axis, angle, shift = motion
    settled = _settled(moved(dress(shape), axis, angle, shift), *_edge_answers(found))
    assert settled.found == {0, 1, 2}
    part = settled.recognition.part
    for spot, length in EDGES:
        there = _vertex(moved(_point(*spot), axis, angle, shift))
        pieces = [e for r in edge_runs(part) if np.linalg.norm(r.middle - there) < 0.01 for e in r.edges]
        assert sum(e.length_mm for e in pieces) == pytest.approx(length, abs=0.01)
        chosen = {f"E{e.id}" for e in pieces} & settled.edges.keys()
        assert len(chosen) == 1
        mapped = {v.id: v for v in edge_map(part, settled.recognition.features, settled.edges)}
        assert {(mapped[f"E{e.id}"].verdict, mapped[f"E{e.id}"].asked) for e in pieces} == {
            ("must break", True)
        }
    assert len(settled.edges) == len(EDGES)


def test_an_answer_for_the_edges_of_a_feature() -> None:
    shape, _, asked = _plate()
    settled = _settled(shape, _answer(asked[0], edge="keep sharp"))
    assert settled.edges == {asked[0].feature: "keep sharp"}
    assert settled.added_to(Choices()).edges == settled.edges


@settings(max_examples=4, deadline=None)
@given(motions)
def test_an_allowance_of_a_feature_outlives_an_export(motion: Any) -> None:
    slot = cq.Workplane().box(40, 8, 5, centered=(True, True, False)).translate((0, 4, 15))
    shape = cq.Workplane().box(40, 30, 20, centered=(True, True, False)).cut(slot).val().wrapped
    found = _recognised(shape)
    turn = own_turns(found.part, placed := places(found.part, found.features))[0][0]
    (there,) = [p for p in placed if p.feature.kind == Kind.SLOT]
    x, y, z = (float(c) for c in box_point(found.part, turn, there.at))
    answer = Settlement((x, y, z), "slot", 8.0, allowance=(0.03, 0.005))
    settled = _settled(moved(shape, *motion), answer)
    (slot,) = [f for f in settled.recognition.features if f.kind == Kind.SLOT]
    choices = settled.added_to(Choices(allowances={"slot": (1.0, 1.0)}))
    assert choices.allowance_for(slot.id, "slot") == (0.03, 0.005)


def test_through_a_file_in_inches(tmp_path: Path) -> None:
    shape, _, asked = _plate()
    path = write_step(moved(shape, (1, 2, 3), 50), tmp_path / "again.step", unit="INCH", schema="AP242")
    again = read_step(path, isolate=False).parts[0].solid
    assert _settled(again, *[_answer(d, thread="M6") for d in asked]).found == {0, 1, 2}


@settings(max_examples=4, deadline=None)
@given(motions)
def test_of_two_holes_that_symmetry_cannot_tell_apart_one_is_settled(motion: Any) -> None:
    shape = _drilled(*HOLES[:2], depths=(12.0, 12.0))
    found = _recognised(shape)
    (both,) = _threads(found)
    turn = own_turns(found.part, placed := places(found.part, found.features))[0][0]
    (other,) = [p for p in placed if p.feature.id == both.features[1]]
    x, y, z = (float(c) for c in box_point(found.part, turn, other.at))
    second = Settlement((x, y, z), "hole", DOUBTFUL_MM, thread="plain")
    settled = _settled(moved(shape, *motion), _answer(both, thread="M6"), second)
    assert not settled.flags
    holes = [f for f in settled.recognition.features if f.kind in (Kind.HOLE, Kind.THREADED_HOLE)]
    assert sorted(str(f.thread and f.thread.designation) for f in holes) == ["M6", "None"]


@settings(max_examples=4, deadline=None)
@given(motions)
def test_a_mirror_image_takes_the_answers_and_says_so(motion: Any) -> None:
    shape, _, asked = _plate()
    settled = _settled(moved(mirrored(shape), *motion), *[_answer(d, thread="M6") for d in asked])
    assert settled.found == {0, 1, 2}
    assert [f.code for f in settled.flags] == ["settle-turned"]


def test_an_answer_that_finds_nothing_is_a_warning() -> None:
    shape, _, asked = _plate()
    away = Settlement((3.0, 3.0, 3.0), "hole", DOUBTFUL_MM, thread="M6")
    wide = Settlement(asked[0].at, "hole", DOUBTFUL_MM + 0.1, thread="M6")
    answers = [_answer(asked[0], thread="M6"), away, wide]
    settled = _settled(shape, *answers)
    flags = unmatched(answers, [settled])
    assert [f.code for f in flags] == ["settle-unmatched"] * 2
    assert "hole of 5 mm at [3, 3, 3]" in flags[0].message


@pytest.mark.parametrize(("off_mm", "found"), [(0.045, {0}), (0.06, set())])
def test_the_tolerance_of_a_place(off_mm: float, found: set[int]) -> None:
    shape, _, asked = _plate()
    x, y, z = asked[0].at
    near = Settlement((x + off_mm, y, z), "hole", DOUBTFUL_MM, thread="M6")
    assert _settled(shape, near).found == found


def test_a_place_that_may_be_two_is_an_error_with_both() -> None:
    shape, found, asked = _plate()
    pair = [d for d in asked if _hole_of(found, d) in (0, 1)]
    x, y, z = pair[0].at
    spans = found.part.high - found.part.low
    # The box on its back: a half-turn of the two holes that mirror each other fits either.
    back = Settlement((x, spans[1] - y, spans[2] - z), "hole", DOUBTFUL_MM, thread="M6")
    with pytest.raises(ChoicesError, match=" or ".join(sorted(d.feature for d in pair))):
        _settled(shape, back)


def test_a_settled_thread_speaks_for_its_equals() -> None:
    shape, _, asked = _plate()
    found = _settled(shape, _answer(asked[0], thread="M6")).recognition
    assert [f.thread.designation for f in found.features if f.thread] == ["M6"] * len(HOLES)


def test_two_answers_for_one_feature() -> None:
    shape, _, asked = _plate()
    with pytest.raises(ChoicesError, match="answered twice: M6 and plain"):
        _settled(shape, _answer(asked[0], thread="M6"), _answer(asked[0], thread="plain"))


def test_a_kind_is_overruled_and_a_process_taken() -> None:
    shape, _, asked = _plate()
    answers = [_answer(asked[0], process="sink-erode", thread="plain"), _answer(asked[1], is_kind="pocket")]
    settled = _settled(shape, *answers)
    by_id = {f.id: f for f in settled.recognition.features}
    assert settled.processes == {asked[0].feature: "sink-erode"}
    pocket = by_id[asked[1].feature]
    assert pocket.kind == Kind.POCKET
    assert pocket.evidence[-1] == f"{BY_A_PERSON} as pocket, found as hole"
    route = make_plan(settled.recognition, load_shop(), Choices(processes=settled.processes))
    assert route.process_of(asked[0].feature) == "sink-erode"


@pytest.mark.parametrize("kind", [k for k in Kind if k not in (Kind.UNASSIGNED, Kind.THREADED_HOLE)])
def test_any_kind_can_be_routed(kind: Kind) -> None:
    """A person may call a hole or a face anything; the program must answer, not fail."""
    shape, found, asked = _plate()
    called = _settled(shape, _answer(asked[0], is_kind=str(kind))).recognition
    face = next(f for f in found.features if f.kind == Kind.OUTSIDE_FACE)
    odd = [f.but(kind=kind) if f.id == face.id else f for f in called.features]
    make_plan(Recognition(called.part, tuple(odd), called.sides), load_shop(), Choices())


def test_sides_in_doubt_are_asked_last_and_settled_by_a_face() -> None:
    shape = cq.Workplane().box(40, 30, 20).faces(">Z").workplane().center(5, 3).hole(7.3).val().wrapped
    side = doubts(_recognised(shape))[-1]
    # Nothing tells the sides apart: each has half of what speaks for this thickness.
    assert side.key == "side"
    assert 0.3 < side.confidence <= 0.5
    up = _settled(shape, _answer(side, side="working")).recognition.part.frame.direction("+z")
    for motion in (((1, 0, 0), 180), ((1, 1, 0), 75)):
        for answer, sign in (("working", 1.0), ("mounting", -1.0)):
            export = moved(shape, *motion)
            found = _settled(export, _answer(side, side=answer)).recognition
            wanted = np.array(_vertex(moved(_point(*(sign * up)), *motion)))
            if answer == "working":
                # A hole through the box: the half-turns that carry it onto itself are all the same part.
                assert abs(found.part.frame.direction("+z") @ wanted) == pytest.approx(1)
            assert found.sides.confidence == 1.0
            assert not [d for d in doubts(found) if d.key == "side"]


def _trial() -> Any:
    """A step above, and two blind bores of M8's tap drill: as threads they are for screws from below."""
    work = cq.Workplane().box(60, 40, 22, centered=(True, True, False))
    work = work.cut(cq.Workplane(origin=(0, 20, 22)).rect(62, 20).extrude(-6))
    bores = cq.Workplane(origin=(0, 0, 22)).pushPoints([(-20, -8), (20, -8)]).circle(3.4).extrude(-14)
    return work.cut(bores).val().wrapped


LAID = [
    lambda s: s,
    lambda s: moved(s, (1, 2, 3), 50, (1, 2, 3)),
    lambda s: moved(mirrored(s), (1, 0, 0), 90),
]


@pytest.mark.parametrize("laid", LAID)
def test_the_side_that_an_answer_turns_is_asked_first(laid: Any) -> None:
    shape = laid(_trial())
    before = _recognised(shape)
    first, thread = doubts(before)
    assert (first.key, thread.key) == ("side", "thread")
    assert f"M8 for {', '.join(thread.features)} would turn the part over" in first.question
    up = before.part.frame.direction("+z")
    turned = _settled(shape, _answer(thread, thread="M8"))
    after = turned.recognition
    assert np.allclose(after.part.frame.direction("+z"), -up)
    (flag,) = turned.flags
    assert (flag.code, flag.severity) == ("side-turned", Severity.WARNING)
    for name in (direction_name(up), direction_name(-up), *thread.features, "M8"):
        assert name in flag.message
    (again,) = doubts(after)
    assert again.key == "side"
    assert again.question.startswith(f"M8 for {', '.join(thread.features)} turned the part over")
    assert again.confidence == after.sides.confidence < 1
    # Answered either way it is settled, and nothing is said any more.
    for side, sign in (("working", -1), ("mounting", 1)):
        done = _settled(shape, _answer(thread, thread="M8"), _answer(again, side=side))
        assert np.allclose(done.recognition.part.frame.direction("+z"), sign * up)
        assert (done.recognition.sides.confidence, done.flags, doubts(done.recognition)) == (1.0, (), [])
    chosen = _settled(shape, _answer(thread, thread="M8"), working_side=direction_name(up))
    assert np.allclose(chosen.recognition.part.frame.direction("+z"), up)
    assert not chosen.flags


def test_a_thread_by_diameter_turns_no_part_in_silence() -> None:
    assert [f.code for f in _settled(_trial(), threads={"6.8": "M8"}).flags] == ["side-turned"]
    assert not _settled(_trial(), threads={"6.8": "plain"}).flags


@pytest.mark.parametrize("laid", LAID)
def test_a_kind_that_turns_the_part_is_told(laid: Any) -> None:
    work = cq.Workplane().box(60, 40, 22, centered=(True, True, False))
    for level, at in ((22, (-12, 4)), (4, (12, -5))):
        work = work.cut(cq.Workplane(origin=(*at, level)).rect(12, 9).extrude(-4))
    shape = laid(work.val().wrapped)
    before = _recognised(shape)
    turn = own_turns(before.part, placed := places(before.part, before.features))[0][0]
    (under,) = [p for p in placed if p.feature.kind == Kind.POCKET and p.feature.opens_to == ("-z",)]
    x, y, z = (float(c) for c in box_point(before.part, turn, under.at))
    answer = Settlement((x, y, z), "pocket", under.size_mm, is_kind="contoured surface")
    turned = _settled(shape, answer)
    up = before.part.frame.direction("+z")
    assert np.allclose(turned.recognition.part.frame.direction("+z"), -up)
    (flag,) = turned.flags
    assert (flag.code, direction_name(up) in flag.message) == ("side-turned", True)
    assert f"contoured surface for {under.feature.id}" in flag.message
    (called,) = [f for f in turned.recognition.features if f.kind == Kind.CONTOURED_SURFACE]
    assert called.faces == under.feature.faces
    assert doubts(turned.recognition)[0].key == "side"


def test_doubts_come_in_order() -> None:
    _, found, _ = _plate()
    features = [
        f.but(confidence=0.6) if n == 0 else f.but(confidence=0.3) if n == 1 else f
        for n, f in enumerate(f for f in found.features if f.kind == Kind.OUTSIDE_FACE)
    ]
    others = [f for f in found.features if f.kind != Kind.OUTSIDE_FACE]
    unsure = Recognition(found.part, (*features, *others), replace(found.sides, confidence=0.6))
    listed = doubts(unsure)
    assert [d.key for d in listed] == ["thread", "thread", "thread", "is", "is", "side"]
    assert [d.confidence for d in listed[3:]] == [0.3, 0.6, 0.6]


def test_the_skeleton_is_toml_that_can_be_filled_in(tmp_path: Path) -> None:
    shape, _, asked = _plate()
    parts = [{"name": 'odd\n"name', "doubts": [route_json.doubt(d) for d in asked]}]
    content = skeleton.text(parts)
    assert tomllib.loads(content) == {}
    keys = ("[[settle]]", "at =", "kind =", "size_mm =", "thread =")
    filled = "\n".join(line[2:] if line[2:].startswith(keys) else line for line in content.splitlines())
    path = tmp_path / "a.choices.toml"
    skeleton.write(path, filled)
    choices = load_choices(path)
    assert len(choices.settle) == len(asked)
    assert _settled(shape, *choices.settle).found == {0, 1, 2}
    with pytest.raises(OutputError, match="left alone"):
        skeleton.write(path, "")
    assert path.read_text() == filled


@pytest.mark.parametrize(
    "entry",
    [
        "M6",
        {},
        {"at": [1, 2, 3], "kind": "hole", "size_mm": 5},
        {"at": [1, 2], "kind": "hole", "size_mm": 5, "thread": "M6"},
        {"at": [1, 2, "3"], "kind": "hole", "size_mm": 5, "thread": "M6"},
        {"at": [1, 2, float("nan")], "kind": "hole", "size_mm": 5, "thread": "M6"},
        {"at": [1, 2, 3], "kind": "crater", "size_mm": 5, "thread": "M6"},
        {"at": [1, 2, 3], "kind": "hole", "size_mm": True, "thread": "M6"},
        {"at": [1, 2, 3], "kind": "hole", "size_mm": 5, "thread": "M99"},
        {"at": [1, 2, 3], "kind": "hole", "size_mm": 5, "process": "laser"},
        {"at": [1, 2, 3], "kind": "hole", "size_mm": 5, "is": "threaded hole"},
        {"at": [1, 2, 3], "kind": "hole", "size_mm": 5, "side": "left"},
        {"at": [1, 2, 3], "kind": "hole", "size_mm": 5, "colour": "red"},
        {"at": [1, 2, 3], "kind": "hole", "size_mm": 5, "edge": "rounded"},
        {"at": [1, 2, 3], "kind": "edge", "size_mm": 5, "process": "mill"},
        {"at": [1, 2, 3], "kind": "edge", "size_mm": 5},
        {"at": [1, 2, 3], "kind": "slot", "size_mm": 5, "allowance": 0.02},
        {"at": [1, 2, 3], "kind": "slot", "size_mm": 5, "allowance": [0.02, 6]},
    ],
)
def test_a_wrong_entry_is_one_line(entry: object) -> None:
    with pytest.raises(ChoicesError) as caught:
        Choices(settle=(entry,))  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)
    assert "write" in str(caught.value)


def _run(*words: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "routing.cli", *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)


def test_the_command_asks_and_takes_the_answers(tmp_path: Path) -> None:
    shape, _, asked = _plate()
    model = write_step(shape, tmp_path / "plate.step")
    first = _run("doubts", model, "--json", "--write")
    assert first.returncode == 0, first.stderr
    (part,) = json.loads(first.stdout)
    threads = [d for d in part["doubts"] if d["settle"]["answer"] == "thread"]
    assert [d["feature"] for d in threads] == [d.feature for d in asked]
    file = tmp_path / "plate.choices.toml"
    refused = _run("doubts", model, "--write")
    assert (refused.returncode, refused.stderr.count("\n")) == (2, 1)
    entries = [
        f"[[settle]]\nat = {d['settle']['at']}\nkind = 'hole'\nsize_mm = 5.0\n{answer}\n"
        # A thread would speak for the third hole, which is to stay in doubt.
        for d, answer in zip(threads, ("thread = 'plain'", "is = 'pocket'"), strict=False)
    ]
    lost = "[[settle]]\nat = [1, 1, 1]\nkind = 'hole'\nsize_mm = 5.0\nprocess = 'mill'\n"
    file.write_text("".join([*entries, lost]))
    again = write_step(moved(shape, (1, 1, 0), 110, (9, 9, 9)), model, unit="INCH")
    done = _run("route", again, "-o", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    assert "settle-unmatched" in done.stdout
    assert done.stdout.index("settle F") < done.stdout.index("settle-unmatched")
    route = json.loads((tmp_path / "out" / "route.json").read_text())
    assert len([d for d in route["doubts"] if d["settle"]["answer"] == "thread"]) == 1
    assert [f["code"] for f in route["flags"]].count("settle-unmatched") == 1
    kinds = [f["kind"] for f in route["features"]]
    assert (kinds.count("hole"), kinds.count("pocket")) == (2, 1)

"""Which way up a part stands, and how sure that is: calibrated on inserts whose working side is known."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cadquery as cq
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from featurize.brep.build import build_part
from featurize.brep.frame import SIDES, opposite
from featurize.kinds import added as kind_added
from featurize.recognise import Recognition, recognise
from featurize.recognise import added as family_added
from featurize.recognise.sides import UNLIKE, log_odds, posterior
from featurize.step.read import read_step
from featurize.votes import FITTED, Clue
from tests import extra_kind
from tests.frame_calibration import answer
from tests.support.sided import sided
from tests.support.transforms import mirrored, moved, write_step

# Fitted on 0 to 1999, tabled on 5000 and up: these were in neither.
UNSEEN = range(20_000, 20_016)


def block(x: float, y: float, z: float) -> cq.Workplane:
    return cq.Workplane().box(x, y, z, centered=(True, True, False))


def slot(x: float, y: float, depth: float, at: tuple[float, float, float]) -> cq.Workplane:
    """A tool that hangs from the middle of its top."""
    return cq.Workplane(origin=at).rect(x, y).extrude(-depth)


def seen(work: cq.Workplane) -> Recognition:
    return recognise(build_part(work.val().Solids()[0].wrapped))  # type: ignore[union-attr]


def up(recognition: Recognition) -> np.ndarray:
    return recognition.part.frame.direction("+z")


def test_a_kind_from_outside_votes_as_it_declares() -> None:
    ball = cq.Workplane(origin=(8, 5, 24.8)).sphere(6)
    work = block(60, 40, 20).cut(ball)
    for weight in (-3.0, 3.0):
        part = build_part(work.val().wrapped)  # type: ignore[union-attr]
        vote = Clue("dimples from {}", 0.0, weight)
        traits = replace(extra_kind.TRAITS, vote=vote)
        with kind_added(extra_kind.NAME, traits), family_added(extra_kind):
            found = recognise(part)
            assert [str(f.kind) for f in found.features].count(extra_kind.NAME) == 1
            assert up(found)[2] == pytest.approx(np.sign(weight))
            assert any(e.startswith("dimples from ") for e in found.sides.evidence)


def test_sureness_is_calibrated_on_unseen_inserts() -> None:
    """The larger table is printed by frame_calibration.py and stands in docs/recognition.md."""
    answers = [a for a in map(answer, UNSEEN) if a is not None]
    assert len(answers) > 0.95 * len(UNSEEN)
    sure = [a for a in answers if a.confidence >= 0.9]
    assert len(sure) > 5
    assert np.mean([a.side for a in sure]) >= 0.85
    assert all(a.confidence < 1 for a in answers)
    # The mean of what is said is the share that is right, within three times its scatter.
    said, right = np.array([(a.confidence, a.side) for a in answers], dtype=float).T
    scatter = math.sqrt(float(np.sum(said * (1 - said)))) / len(said)
    assert abs(right.mean() - said.mean()) < 3 * scatter


@settings(max_examples=20, deadline=None)
@given(st.lists(st.floats(-8, 8), min_size=6, max_size=6))
def test_the_posterior_is_bayes_rule(odds: list[float]) -> None:
    found = posterior(np.array(odds))
    assert found.sum() == pytest.approx(1)
    for a in range(6):
        for b in range(6):
            ratio = (found[a] - UNLIKE / 6) / (found[b] - UNLIKE / 6)
            assert ratio == pytest.approx(math.exp(odds[a] - odds[b]), rel=1e-6)


@pytest.mark.parametrize("clue", FITTED.values(), ids=FITTED)
def test_a_clue_that_lies_the_other_way_says_the_opposite(clue: Clue) -> None:
    for side in SIDES:
        points_to = np.eye(6)[SIDES.index(side)]
        other = np.eye(6)[SIDES.index(opposite(side))]
        one, two = (log_odds({clue: p}) for p in (points_to, other))
        assert one[SIDES.index(side)] == pytest.approx(two[SIDES.index(opposite(side))])


def test_a_cube_is_honest_about_its_doubt() -> None:
    cube = seen(block(40, 40, 40))
    assert cube.sides.confidence <= 1 / 6 + 1e-3
    bored = block(40, 40, 40)
    for plane in ("XY", "XZ", "YZ"):
        bored = bored.cut(cq.Workplane(plane, origin=(0, 0, 20)).circle(6).extrude(50, both=True))
    assert seen(bored).sides.confidence <= 1 / 6 + 1e-3
    dimpled = block(40, 40, 40).cut(slot(9, 7, 3, (5, 4, 40))).cut(slot(9, 7, 3, (5, 4, 3)))
    # The same pocket from above and from below: one of these two, and which is open.
    assert seen(dimpled).sides.confidence <= 0.5


def test_what_tells_nothing_is_said_to_tell_nothing() -> None:
    plate = seen(block(60, 40, 20).faces(">Z").workplane().center(5, 3).hole(7.3))
    assert plate.sides.confidence <= 0.5
    assert plate.sides.evidence[0] == "nothing tells +z and -z apart"
    assert abs(up(plate)[2]) == pytest.approx(1)


def test_a_persons_word_alone_is_certain() -> None:
    part = build_part(block(60, 40, 20).val().wrapped)  # type: ignore[union-attr]
    for side in SIDES:
        given_ = recognise(part, working_side=side)
        assert (given_.sides.confidence, given_.sides.evidence) == (1.0, ("given",))
        assert np.allclose(up(given_), part.frame.direction(side))


def slots_on_both_faces() -> cq.Workplane:
    plate = block(54, 38, 13)
    for at in ((0, -9, 13), (0, 8, 13), (0, 2, 3)):
        plate = plate.cut(slot(56, 5, 3, at))
    for x in (-18, 18):  # right through the width, which is not the thickness for that
        plate = plate.cut(cq.Workplane("XZ", origin=(x, 0, 6.5)).circle(1.5).extrude(30, both=True))
    return plate


def disc_with_bores_across() -> cq.Workplane:
    disc = cq.Workplane().circle(25.9).extrude(33)
    for turn in (0, 120, 240):
        bore = cq.Workplane("YZ", origin=(0, 0, 16)).circle(3).extrude(40)
        disc = disc.cut(bore.rotate((0, 0, 0), (0, 0, 1), turn))
    return disc


def disc_with_a_flat() -> cq.Workplane:
    """A flat that keeps it from turning, and a slot in it; the round is no contoured surface for that."""
    disc = cq.Workplane().circle(33).extrude(58)
    disc = disc.cut(cq.Workplane(origin=(33, 0, 29)).rect(13, 132).extrude(58, both=True))
    return disc.cut(cq.Workplane(origin=(26.5, 0, 29)).rect(16, 5).extrude(58, both=True))


def ring_with_a_bore_across() -> cq.Workplane:
    ring = cq.Workplane().circle(30).circle(14).extrude(18)
    return ring.cut(cq.Workplane("YZ", origin=(0, 0, 9)).circle(2.1).extrude(40))


def threads_in_the_narrow_side() -> cq.Workplane:
    """M5 with its relief, to pull the plate or to push it: no screws from below."""
    plate = block(54, 38, 13).cut(slot(56, 6, 3, (0, 5, 13)))
    for y in (-12, 12):
        mouth = cq.Workplane("YZ", origin=(27, y, 6.5))
        plate = plate.cut(mouth.circle(2.1).extrude(-12)).cut(mouth.circle(2.7).extrude(-1.4))
    return plate


DRESSES: dict[str, Callable[[Any], Any]] = {
    "as it is": lambda s: s,
    "turned": lambda s: moved(s, (1, 2, 3), 77, (5, -8, 13)),
    "mirrored": lambda s: moved(mirrored(s, (1, 1, 2)), (1, 0, 0), 90),
}


@pytest.mark.parametrize("dress", DRESSES)
@pytest.mark.parametrize(
    ("make", "thick_mm"),
    [
        (slots_on_both_faces, 13),
        (disc_with_bores_across, 33),
        (disc_with_a_flat, 58),
        (ring_with_a_bore_across, 18),
        (threads_in_the_narrow_side, 13),
    ],
)
def test_thickness_is_not_taken_across(make: Callable[[], cq.Workplane], thick_mm: float, dress: str) -> None:
    found = recognise(build_part(DRESSES[dress](make().val().wrapped)))  # type: ignore[union-attr]
    assert (found.part.high - found.part.low)[2] == pytest.approx(thick_mm, abs=1e-6)
    assert found.sides.confidence < 0.9


def test_a_file_in_inches_stands_alike(tmp_path: Path) -> None:
    shape = moved(slots_on_both_faces().val().wrapped, (0, 1, 1), 120)  # type: ignore[union-attr]
    path = write_step(shape, tmp_path / "plate.step", unit="INCH")
    found = recognise(build_part(read_step(path, isolate=False).parts[0].solid))
    assert (found.part.high - found.part.low)[2] == pytest.approx(13, abs=1e-4)


def trial() -> cq.Workplane:
    """A step above, and two blind bores of a tap drill's size: M8 or a plain seat."""
    work = block(60, 40, 22).cut(slot(62, 20, 6, (0, 20, 22)))
    return work.cut(
        cq.Workplane(origin=(0, 0, 22)).pushPoints([(-20, -8), (20, -8)]).circle(3.4).extrude(-14)
    )


@settings(max_examples=6, deadline=None, derandomize=True)
@given(st.integers(0, 400), st.sampled_from([((1, 0, 0), 90), ((1, 1, 1), 120), ((2, 1, 0), 33)]))
def test_how_a_model_lies_tells_nothing(seed: int, turn: Any) -> None:
    insert = sided(30_000 + seed)
    axis, angle = turn
    here = recognise(build_part(insert.solid))
    there = recognise(build_part(moved(insert.solid, axis, angle, (3, 4, 5))))
    # A cut that another has crossed may have another name along another axis: a clue more or less.
    assert there.sides.confidence == pytest.approx(here.sides.confidence, abs=0.05)
    if here.sides.confidence > 0.55:
        turned = np.array(cq.Vertex(moved(cq.Vertex.makeVertex(*up(here)).wrapped, axis, angle)).toTuple())
        assert float(up(there) @ turned) > 0.999


@pytest.mark.parametrize("turn", [((1, 0, 0), 90), ((1, 1, 1), 120), ((2, 1, 0), 33), ((0, 1, 3), 71)])
def test_a_size_at_a_limit_tells_the_same_however_a_model_lies(turn: Any) -> None:
    """A counterbore of just 0.6 of its hole's depth, a bore of 12 that is 6 deep, a mark 0.6 deep."""
    plate = block(60, 40, 9.8).cut(cq.Workplane().center(-15, 0).circle(6.03).extrude(10))
    plate = plate.cut(cq.Workplane(origin=(-15, 0, 9.8 - 5.88)).circle(7.15).extrude(10))
    plate = plate.cut(cq.Workplane(origin=(15, 8, 3.8)).circle(6).extrude(10))
    solid = plate.cut(cq.Workplane(origin=(12, -12, 9.2)).rect(12, 2).extrude(1)).val().wrapped  # type: ignore[union-attr]
    axis, angle = turn
    here, there = (recognise(build_part(s)) for s in (solid, moved(solid, axis, angle, (3, 4, 5))))
    assert there.sides.confidence == pytest.approx(here.sides.confidence, abs=0.0015)
    assert [f.kind for f in there.features] == [f.kind for f in here.features]


def test_no_answer_gives_features_other_numbers() -> None:
    part = build_part(trial().val().wrapped)  # type: ignore[union-attr]
    plain = recognise(part)
    numbers = {f.id: f.faces for f in plain.features}
    told = recognise(part, threads={"6.8": "M8"})
    assert float(up(plain) @ up(told)) == pytest.approx(-1)
    ways = [told, recognise(part, threads={"F01": "M8"}), *(recognise(part, working_side=s) for s in SIDES)]
    for other in ways:
        assert {f.id: f.faces for f in other.features} == numbers


def test_an_answer_that_turns_the_part_is_named() -> None:
    part = build_part(trial().val().wrapped)  # type: ignore[union-attr]
    before = recognise(part)
    assert before.sides.turned is None
    after = recognise(part, threads={"6.8": "M8"})
    assert after.sides.turned is not None
    assert after.sides.turned.answers == ("M8 for F01, F02",)
    was = after.part.frame.direction(after.sides.turned.unanswered)
    assert np.allclose(was, up(before))
    assert recognise(part, threads={"6.8": "plain"}).sides.turned is None
    assert recognise(part, threads={"6.8": "M8"}, working_side="+z").sides.turned is None

"""Callouts find their holes by size, count and place, or are asked: on plates whose every hole is a question.

Drills and pitches are ISO 2306's and ISO 261's, from memory.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import pytest

from featurize.brep.build import build_part
from featurize.feature import Kind
from featurize.recognise import Recognition, recognise
from routing.inputs.choices import Choices, Settlement
from routing.inputs.overrides import Settled, settle
from routing.inputs.questions import doubts
from routing.inputs.sheet.apply import drawn, is_of, not_drawn
from routing.inputs.sheet.read import Sheet, read_here
from tests.support.sheets import Bench, Paper, Words, by_ezdxf, by_reportlab
from tests.support.transforms import mirrored, moved
from tests.test_threads_questions import SIXTEEN, bored, plate

Plate = dict[tuple[float, float], Any]


def _found(shape: Any) -> Recognition:
    return recognise(build_part(shape))


def _said(shape: Any, sheet: Sheet, **choices: Any) -> Settled:
    part, given = build_part(shape), Choices(**choices)
    find = partial(recognise, part)
    before = settle(find(working_side=None, threads=given.threads), given, find)
    return drawn(before, sheet, given, find, "plate")


def _sheet(paper: Paper, folder: Path) -> Sheet:
    return read_here(by_reportlab(paper, folder / "plate.pdf"), True)


def _noted(folder: Path, *texts: str) -> Sheet:
    return _sheet(Paper(tuple(Words(30, 250 - 12 * n, t) for n, t in enumerate(texts))), folder)


def _threads(done: Settled) -> list[str]:
    holes = [f for f in done.recognition.features if f.kind in (Kind.HOLE, Kind.THREADED_HOLE)]
    return sorted("plain" if not f.thread else f.thread.designation or "asked" for f in holes)


def _codes(done: Settled) -> list[str]:
    assert done.sheet is not None
    return [q.code for q in done.sheet.matched.questions]


@pytest.mark.parametrize(
    ("texts", "threads", "codes"),
    [
        (("16x M5",), ["M5"] * 16, []),
        (("16x Ø4.2 THRU",), ["plain"] * 16, []),
        (("12x M5",), ["asked"] * 16, ["drawing-count"]),
        (("8x M5", "8x M5"), ["M5"] * 16, []),
        (("16x M5", "16x Ø4.2"), ["asked"] * 16, ["drawing-contradicts"] * 2),
        (("16x M5x0.5",), ["asked"] * 16, ["drawing-misfit"]),
        (("16x M5 ↧12",), ["M5"] * 16, []),  # through: deep enough
        (("16x M5 ↧30 / Ø4.2 ↧35",), ["asked"] * 16, ["drawing-misfit"]),
        (("16x screws M5 DIN 912",), ["asked"] * 16, ["drawing-unclear"]),
        (("16x M5-LH",), ["M5"] * 16, []),
    ],
)
def test_sixteen_equal_holes(texts: Any, threads: Any, codes: Any, tmp_path: Path) -> None:
    done = _said(plate(SIXTEEN), _noted(tmp_path, *texts))
    assert (_threads(done), _codes(done)) == (threads, codes)
    left = {f.thread.left_hand for f in done.recognition.features if f.thread}
    assert left == ({True} if "LH" in texts[0] else {False} if "plain" not in threads else set())


# Two depths of one size, and holes that may be M6 (drill 5.0) or dowels.
MIXED: Plate = {
    (-30.0, 20.0): bored((4.2, 12)), (-30.0, -25.0): bored((4.2, 12)), (28.0, 20.0): bored((4.2, 16)),
    (28.0, -17.0): bored((4.2, 16)), (0.0, 5.0): bored((5.0, 12)), (9.0, -20.0): bored((5.0, 12)),
}  # fmt: skip


@pytest.mark.parametrize(
    ("texts", "threads", "codes"),
    [
        # 12 is deep enough for both kinds, and two could be either pair: but 14 takes the deeper ones.
        (("2x M5 ↧10", "2x M5 ↧14", "2x Ø5 H7 ↧12"), ["M5"] * 4 + ["plain"] * 2, []),
        (("2x M5 ↧10", "2x M6"), ["M6"] * 2 + ["asked"] * 4, ["drawing-ambiguous"]),
        (("4x M5", "2x M6"), ["M5"] * 4 + ["M6"] * 2, []),
        # M5 may be drawn at its 5.0 major diameter too: with the dowels uncalled it may mean these.
        (("2x M5 / Ø4.2 ↧12", "2x M5 / Ø4.2 ↧16"), ["M5"] * 4 + ["asked"] * 2, []),
        (("6x M5",), ["M5"] * 6, []),
        (("1x M6",), ["asked"] * 6, ["drawing-count"]),
    ],
)
def test_counts_and_depths_are_shared_out_in_one_way_or_asked(
    texts: Any, threads: Any, codes: Any, tmp_path: Path
) -> None:
    shape = moved(plate(MIXED), (1, 2, 3), 40, (5, 6, 7))
    done = _said(shape, _noted(tmp_path, *texts))
    assert (_threads(done), _codes(done)) == (sorted(threads), codes)


@pytest.mark.parametrize(
    ("turn", "scale"),
    [(0.0, 1.0), (33.0, 2.0), *(pytest.param(t, 1.0, marks=pytest.mark.thorough) for t in (90.0, 212.0))],
)
def test_a_leader_tells_which_of_equal_holes(turn: float, scale: float, tmp_path: Path) -> None:
    """Two of six equal holes are M5: the view's circles tell where, the other four stay asked."""
    spots = [(-36.0, -30.0), (-36.0, 25.0), (-5.0, -12.0), (14.0, 30.0), (40.0, -30.0), (31.0, 11.0)]
    shape = plate({spot: bored((4.2, 12)) for spot in spots})
    found = _found(shape)
    bench = Bench()
    at = bench.view(found.part, found.features, "+z", scale, (210.0, 150.0))
    low, high = sorted(at)[1], sorted(at)[4]
    bench.lead("M5", at[low], 30.0, 280.0)
    bench.lead("M5", at[high], 370.0, 20.0)
    bench.lead("M8", at[sorted(at)[0]], 30.0, 40.0)
    paper = bench.paper.turned(turn) if turn else bench.paper
    sheet = _sheet(paper, tmp_path)
    done = _said(shape, sheet)
    threads = {f.id: f.thread.designation for f in done.recognition.features if f.thread}
    assert {i for i, d in threads.items() if d == "M5"} == {low, high}
    assert set(threads.values()) == {"M5", None}
    assert done.sheet is not None
    (question,) = done.sheet.matched.questions
    assert (question.code, question.features) == ("drawing-misfit", (sorted(at)[0],))
    assert "It points at" in question.text
    assert "4.2 mm" in question.text


def test_a_view_that_could_be_laid_two_ways_ties_nothing(tmp_path: Path) -> None:
    """Sixteen holes in a square grid look alike from all quarters and from below."""
    shape = plate({(x, y): bored((4.2, 25)) for x in (-20.0, 20.0) for y in (-20.0, 20.0)})
    found = _found(shape)
    bench = Bench()
    at = bench.view(found.part, found.features, "+z", 1.0, (210.0, 150.0))
    bench.lead("M5", at[min(at)], 30.0, 280.0)
    done = _said(shape, _sheet(bench.paper, tmp_path))
    assert (_threads(done), _codes(done)) == (["asked"] * 4, ["drawing-count"])


def test_a_leader_in_a_dxf_of_a_mirrored_part(tmp_path: Path) -> None:
    spots = [(-36.0, -30.0), (-36.0, 25.0), (-5.0, -12.0), (14.0, 30.0)]
    shape = mirrored(plate({spot: bored((6.8, 15)) for spot in spots}))
    found = _found(shape)
    bench = Bench()
    at = bench.view(found.part, found.features, "+z", 1.0, (210.0, 150.0))
    bench.lead("M8", at[max(at)], 330.0, 270.0)
    file = by_ezdxf(bench.paper, tmp_path / "a.dxf", unit=1, mm=25.4)
    done = _said(shape, read_here(file, False))
    assert {f.id for f in done.recognition.features if f.thread and f.thread.designation} == {max(at)}


def test_a_person_stands_and_speaks_for_equal_holes(tmp_path: Path) -> None:
    shape = plate(SIXTEEN)
    (question,) = [d for d in doubts(_found(shape)) if d.key == "thread"]
    answer = Settlement(question.at, question.kind, question.size_mm, thread="plain")
    done = _said(shape, _noted(tmp_path, "16x M5"), settle=(answer,))
    assert (_threads(done), _codes(done)) == (["plain"] * 16, ["drawing-contradicts"])


def test_a_sheet_of_several_parts_files(tmp_path: Path) -> None:
    shape = plate(SIXTEEN)
    sheet = _noted(tmp_path, "16x M5", "Part No.: AB-12.3")
    assert is_of(sheet, "ab 12-3")
    assert is_of(sheet, "AB-12.3 rev C")
    assert not any(is_of(sheet, name) for name in ("XY-4", "", "-", "12"))
    find = partial(recognise, build_part(shape))
    before = settle(find(working_side=None, threads={}), Choices(), find)
    after = not_drawn(before, sheet, 3)
    assert after.recognition is before.recognition
    assert [f.code for f in after.flags] == ["drawing-part"]

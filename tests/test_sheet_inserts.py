"""Drawings of five inserts, each by several programs, settle what their keys say and ask what is planted.

The keys are a die maker's; limits of fits are ISO 286-2's (from memory). The models' own names are left out,
so that nothing but the drawing tells an inch thread from a metric one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path
from typing import Any

import pytest
from support import keys

from featurize.brep.build import build_part
from featurize.feature import Feature, Kind
from featurize.recognise import Recognition, recognise
from featurize.step.read import read_step
from routing.inputs.choices import Choices
from routing.inputs.overrides import Settled, settle
from routing.inputs.sheet.apply import BY_THE_DRAWING, drawn
from routing.inputs.sheet.read import Sheet, read_here
from tests.support.sampled import few
from tests.support.sheets import PROGRAMS, Bench, Paper, draw
from tests.test_demo_keys import matched

# Of a key's row: kind of size, nominal, upper and lower deviation, mm.
Limits = tuple[str, float, float, float]


@dataclass(frozen=True)
class Insert:
    """What is drawn of a demo: ``led`` callouts with a leader to the key's row, ``noted`` the others.

    ``expected`` limits by the key's row; ``box`` those of the outside, by the axis. ``turned``: the sheet.
    """

    led: tuple[tuple[str, str], ...]
    noted: tuple[str, ...]
    expected: dict[str, tuple[Limits, ...]]
    box: dict[str, Limits]
    material: str = "steel-60hrc"
    inches: bool = False
    scale: float = 2.0
    turned: float = 0.0


INSERTS = {
    "coining_insert": Insert(
        (("2x M5 ↧9 / Ø4.2 ↧11 CBORE Ø5.4 ↧1.4", "M5"),),
        (
            "18 +0.018/0",
            "24 H7",
            "2x 6 ±0.01",
            "20 -0.01/-0.02",
            "4x R5",
            "(44)",
            "ISO 2768-mK",
            "Part No.: CI-0458",
            "58-62 HRC",
        ),
        {
            "walls of the form": (("linear distance", 18, 0.018, 0), ("linear distance", 24, 0.021, 0)),
            "locating step": (("linear distance", 6, 0.01, -0.01),),
        },
        {"z": ("linear distance", 20, -0.01, -0.02)},
    ),
    "corner_cavity": Insert(
        (("M8 - 14 tief / Ø6,8 tief 16", "M8"), ("Ø4 H7 durch", "dowel")),
        (
            "10 +0,015 0",
            "14 ±0,01",
            "8 H7 Ra 0,4",
            "44 h6",
            "Maße in mm",
            "Allgemeintoleranzen DIN ISO 2768-mK",
            "Zeichnungs-Nr. CC-1186",
            "Werkstoff: Hartmetall, 12 % Kobalt",
            "HRA 88",
        ),
        {
            "rectangle": (("linear distance", 10, 0.015, 0), ("linear distance", 14, 0.01, -0.01)),
            "hexagon": (("linear distance", 8, 0.015, 0), ("surface texture", 0.0004, 0, 0)),
            "dowel": (("diameter", 4, 0.012, 0),),
        },
        {"x": ("linear distance", 44, 0, -0.016)},
        "carbide-12",
        turned=90.0,
    ),
    "forming_insert": Insert(
        (("2x M5 x 10 deep", "M5"),),
        (
            "12 H7",
            "3x 0.8 -0.02",
            "26 ±0.02",
            "22 h6",
            "SCALE 1:1",
            "ISO 13715",
            "Part No.: FI-3140",
            "Material: 1.2379",
        ),
        {
            "ribbed floor": (("linear distance", 12, 0.018, 0),),
            "rib": (("linear distance", 0.8, 0, -0.02),),
            "shallow pocket": (("linear distance", 26, 0.02, -0.02),),
        },
        {"z": ("linear distance", 22, 0, -0.013)},
        scale=1.0,
    ),
    "pierce_die": Insert(
        (("2X M5 X .39 DEEP", "M5"), ("2X Ø.2362 +.0005/-.0000 THRU", "dowel")),
        (
            ".4724 +.0004/-.0000",
            ".7087 ±.0002",
            ".945 ±.0005",
            "ALL DIMENSIONS IN INCHES",
            "PART NO: PD-2207",
            "TOOL STEEL 60 HRC",
        ),
        {
            "T opening": (
                ("linear distance", 0.4724 * 25.4, 0.0004 * 25.4, 0),
                ("linear distance", 0.7087 * 25.4, 0.0002 * 25.4, -0.0002 * 25.4),
            ),
            "dowel": (("diameter", 0.2362 * 25.4, 0.0005 * 25.4, 0),),
        },
        {"z": ("linear distance", 0.945 * 25.4, 0.0005 * 25.4, -0.0005 * 25.4)},
        inches=True,
        turned=33.0,
    ),
    "thread_trial": Insert(
        (
            ("M6 ↧12 / Ø4.917 ↧14", "M6 correct"),
            ('1/4-20 UNC-2B ↧.5"', "inch, named"),
            ("M6x0.75-6H ↧12", "fine, named"),
            ("Ø5 H7 ↧12", "ambiguous"),
            ("Ø6 H7 THRU", "dowel"),
        ),
        (
            "7x M5 ↧10 / Ø4.2 ↧12",
            "M5 ↧18 / Ø4.2 ↧20",
            "M5 ↧3.5 / Ø4.2 ↧4.5",
            "22 ±0.005",
            "Part No.: TT-5003",
            "cemented carbide, 15 % cobalt",
        ),
        {"ambiguous": (("diameter", 5, 0.012, 0),), "dowel": (("diameter", 6, 0.012, 0),)},
        {"z": ("linear distance", 22, 0.005, -0.005)},
        "carbide-15",
        turned=270.0,
    ),
}
# Each insert by one program in every run, by all of them with --thorough.
DRAWN = dict(zip(INSERTS, ("reportlab", "chromium", "ezdxf", "matplotlib", "reportlab"), strict=True))
CASES = [(name, DRAWN[name]) for name in INSERTS]
CASES += [(name, by) for name in INSERTS for by in PROGRAMS if (name, by) not in CASES]
PARAMS = [c if c in CASES[: len(INSERTS)] else pytest.param(*c, marks=pytest.mark.thorough) for c in CASES]


@cache
def _named(name: str) -> tuple[Any, str]:
    (solid,) = read_step(keys.load(name).step, isolate=False).parts
    return build_part(solid.solid, name=solid.name), solid.name


@cache
def _found(name: str) -> Recognition:
    """Without the names that the model gives its faces."""
    return recognise(_named(name)[0])


@cache
def _rows(name: str) -> dict[str, tuple[str, ...]]:
    """The features of each row of the key; by the model with its names, whose ids are the same."""
    (solid,) = read_step(keys.load(name).step, isolate=False).parts
    part = build_part(solid.solid, face_names=solid.face_names, name=solid.name)
    found = recognise(part)
    pairs, wrong = matched(keys.load(name), found)
    assert not wrong
    rows: dict[str, tuple[str, ...]] = {}
    for row, feature in pairs:
        rows[row.name] = (*rows.get(row.name, ()), feature.id)
    bare = {(f.id, f.faces) for f in _found(name).features}
    assert {(f.id, f.faces) for f in found.features} == bare
    return rows


def _wanted_threads(name: str) -> dict[str, str]:
    rows = _rows(name)
    return {id_: f.thread for f in keys.load(name).features if f.thread for id_ in rows[f.name]}


def paper(name: str, *, swap: dict[str, str] | None = None, more: tuple[str, ...] = ()) -> Paper:
    """The insert's drawing, with some callouts swapped for others."""
    insert, found = INSERTS[name], _found(name)
    bench = Bench()
    at = bench.view(found.part, found.features, "-z", insert.scale, (210.0, 190.0))
    for n, (text, row) in enumerate(insert.led):
        hole = at[_rows(name)[row][0]]
        bench.lead((swap or {}).get(text, text), hole, 20.0 if n % 2 else 330.0, 280.0 - 30.0 * n)
    bench.note(*((swap or {}).get(t, t) for t in (*insert.noted, *more)), y=100.0)
    return bench.paper.turned(insert.turned) if insert.turned else bench.paper


def read(program: str, sheet: Paper, folder: Path) -> Sheet:
    file = draw(program, sheet, folder)
    return read_here(file, file.suffix == ".pdf")


def applied(name: str, sheet: Sheet, **choices: Any) -> Settled:
    part, title = _named(name)
    given = Choices(material=INSERTS[name].material, **choices)
    find = partial(recognise, part)
    before = settle(find(working_side=None, threads=given.threads), given, find)
    return drawn(before, sheet, given, find, title)


@pytest.mark.parametrize(("name", "program"), PARAMS)
def test_a_drawing_settles_the_threads_and_tolerances_of_the_key(
    name: str, program: str, tmp_path: Path
) -> None:
    insert, rows = INSERTS[name], _rows(name)
    sheet = read(program, paper(name), tmp_path)
    assert sheet.inches == insert.inches
    assert sheet.title["part number"] == keys.load(name).part_number
    done = applied(name, sheet)
    assert done.sheet is not None
    assert [q.text for q in done.sheet.matched.questions if q.code != "drawing-edges"] == []
    by_id = {f.id: f for f in done.recognition.features}
    threads = {i: f.thread.designation for i, f in by_id.items() if f.thread}
    assert threads == _wanted_threads(name)
    assert all(any(e.startswith(BY_THE_DRAWING) for e in by_id[i].evidence) for i in threads)
    wanted = {i: limits for row, limits in insert.expected.items() for i in rows[row]}
    for axis, limits in insert.box.items():
        ends = [f.id for f in by_id.values() if f.kind == Kind.OUTSIDE_FACE]
        wanted |= {
            i: (*wanted.get(i, ()), limits)
            for i in ends
            if by_id[i].opens_to in ((f"+{axis}",), (f"-{axis}",))
        }
    got = {
        i: sorted((c.kind, c.value_mm, c.upper_mm or 0, c.lower_mm or 0) for c in f.callouts)
        for i, f in by_id.items()
        if f.callouts
    }
    assert got.keys() == wanted.keys()
    for i, limits in wanted.items():
        assert [g[0] for g in got[i]] == [w[0] for w in sorted(limits)]
        for g, w in zip(got[i], sorted(limits), strict=True):
            assert g[1:] == pytest.approx(w[1:], abs=2e-6)
    _nothing_else(_found(name).features, done.recognition.features, set(threads) | set(wanted))


def _nothing_else(before: Any, after: Any, touched: set[str]) -> None:
    """But for what a callout is of, features are as they were; and of these nothing but what it says."""
    assert [f.id for f in before] == [f.id for f in after]
    for a, b in zip(before, after, strict=True):
        if a.id not in touched:
            assert a == b
        said = {"thread": None, "callouts": (), "evidence": (), "confidence": 1.0, "kind": Kind.HOLE}
        assert _bare(a, said) == _bare(b, said)


def _bare(feature: Feature, said: dict[str, Any]) -> Feature:
    if not feature.kind.traits.hole:
        said = {"callouts": ()}
    return feature.but(**said)


@dataclass(frozen=True)
class Planted:
    """A callout swapped for a wrong one; ``code`` of the question, ``lost`` the key's row that it was of."""

    insert: str
    right: str
    wrong: str
    code: str
    lost: tuple[str, ...]


PLANTED = [
    # A wrong count.
    Planted(
        "coining_insert",
        "2x M5 ↧9 / Ø4.2 ↧11 CBORE Ø5.4 ↧1.4",
        "3x M5 ↧9 / Ø4.2 ↧11 CBORE Ø5.4 ↧1.4",
        "drawing-count",
        ("M5",),
    ),
    Planted("forming_insert", "3x 0.8 -0.02", "2x 0.8 -0.02", "drawing-ambiguous", ("rib",)),
    # A size that its hole does not take: M8 on a bore of 4.2.
    Planted("pierce_die", "2X M5 X .39 DEEP", "2X M8 X .39 DEEP", "drawing-misfit", ("M5",)),
    # A wrong pitch: M5x0.5 is drilled 4.5 (ISO 2306, from memory).
    Planted("forming_insert", "2x M5 x 10 deep", "2x M5x0.5 x 10 deep", "drawing-misfit", ("M5",)),
    Planted(
        "corner_cavity", "M8 - 14 tief / Ø6,8 tief 16", "M8x1,1 - 14 tief", "drawing-thread-unknown", ("M8",)
    ),
    # Deeper than the model's bore.
    Planted("corner_cavity", "M8 - 14 tief / Ø6,8 tief 16", "M8 - 20 tief", "drawing-misfit", ("M8",)),
    # A dowel where the model's hole is blind, and no bore of that size.
    Planted("thread_trial", "Ø5 H7 ↧12", "Ø5 H7 THRU", "drawing-misfit", ("ambiguous",)),
    Planted("thread_trial", "Ø6 H7 THRU", "Ø6.5 H7 THRU", "drawing-misfit", ("dowel",)),
    Planted("corner_cavity", "10 +0,015 0", "11 +0,015 0", "drawing-misfit", ("rectangle",)),
]


@pytest.mark.parametrize("planted", few(PLANTED, 9), ids=lambda p: f"{p.insert}-{p.code}")
def test_a_contradiction_is_asked_with_a_picture_and_settles_nothing(
    planted: Planted, tmp_path: Path
) -> None:
    name = planted.insert
    program = "reportlab" if DRAWN[name] == "chromium" else DRAWN[name]
    right = applied(name, read(program, paper(name), tmp_path))
    sheet = read(program, paper(name, swap={planted.right: planted.wrong}), tmp_path)
    wrong = applied(name, sheet)
    assert right.sheet is not None
    assert wrong.sheet is not None
    (question,) = [q for q in wrong.sheet.matched.questions if q.code != "drawing-edges"]
    assert question.code == planted.code
    assert question.entry is not None
    entry = sheet.entries[question.entry]
    assert entry.called.text.replace(" ", "")[:2] == planted.wrong.replace(" ", "").replace(",", ".")[:2]
    assert entry.picture.startswith(b"\x89PNG")
    assert any(flag.code == planted.code and sheet.name in flag.message for flag in wrong.flags)
    # The features that it is of are as without a drawing, all others as with the right one.
    lost = {i for row in planted.lost for i in _rows(name)[row]}
    bare = {f.id: f for f in _found(name).features}
    as_right = {f.id: f for f in right.recognition.features}
    for f in wrong.recognition.features:
        if f.id not in lost:
            assert replace(f, evidence=(), confidence=1.0) == replace(
                as_right[f.id], evidence=(), confidence=1.0
            )
            continue
        assert f.thread == bare[f.id].thread
        kept = [c for c in as_right[f.id].callouts if c in f.callouts]
        assert list(f.callouts) == kept
        assert len(f.callouts) < len(as_right[f.id].callouts) or f.kind == Kind.THREADED_HOLE


def test_a_second_drawing_of_the_same_callout_is_asked(tmp_path: Path) -> None:
    """Two of one text may be one callout in two views, or two callouts."""
    name = "pierce_die"
    sheet = read("reportlab", paper(name, more=("2X M5 X .39 DEEP",)), tmp_path)
    done = applied(name, sheet)
    assert done.sheet is not None
    assert {q.code for q in done.sheet.matched.questions} <= {"drawing-contradicts", "drawing-count"}
    assert done.sheet.matched.questions


def test_a_persons_answer_stands_against_the_drawing(tmp_path: Path) -> None:
    name = "thread_trial"
    (hole,) = _rows(name)["ambiguous"]
    done = applied(name, read("reportlab", paper(name), tmp_path), threads={hole: "M6"})
    (feature,) = [f for f in done.recognition.features if f.id == hole]
    assert feature.thread is not None
    assert feature.thread.designation == "M6"
    assert feature.callouts == ()
    assert [f.code for f in done.flags if f.code.startswith("drawing")] == ["drawing-contradicts"]

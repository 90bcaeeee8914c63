"""The grammar of callouts and notes: what is written is what is read.

Ways to write are those of ISO 6410-1 (threads), ISO 129-1 (sizes), ISO 286-1 (fits), ISO 2768, ISO 13715, ISO
21920-1 and ASME Y14.5 and Y14.6, all from memory.
"""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from featurize.standards.fits import deviations_mm
from featurize.standards.threads import SIZES
from routing.inputs.sheet.called import Called, Topic, What
from routing.inputs.sheet.callouts import callouts
from routing.inputs.sheet.glyphs import normal, worded
from routing.inputs.sheet.notes import is_in_inches, labelled, notes, scale_of


def one(text: str, **options: Any) -> Called:
    (found,) = callouts(text, **options)
    return found


def said(called: Called) -> dict[str, Any]:
    """What differs from a callout that says nothing."""
    bare = Called(called.what, called.text)
    return {k: v for k, v in vars(called).items() if v != getattr(bare, k)}


T, D, L = What.THREAD, What.DIAMETER, What.LENGTH


@pytest.mark.parametrize(
    ("text", "what", "wanted"),
    [
        ("4x M6 x 12 deep", T, {"count": 4, "thread": "M6", "value_mm": 6, "depth_mm": 12}),
        ("M8x1-6H LH", T, {"thread": "M8x1 LH", "value_mm": 8}),
        ("M12 x 16/Ø10,2 x 20", T,
         {"thread": "M12", "value_mm": 12, "depth_mm": 16, "bore_mm": 10.2, "bore_depth_mm": 20}),
        ("M6x12/16", T, {"thread": "M6", "value_mm": 6, "depth_mm": 12, "bore_depth_mm": 16}),
        ("4x Ø4.2 ↧16 M5-6H ↧12", T,
         {"count": 4, "thread": "M5", "value_mm": 5, "depth_mm": 12, "bore_mm": 4.2, "bore_depth_mm": 16}),
        ("M8x1,25", T, {"thread": "M8", "value_mm": 8}),
        ("4-M6", T, {"count": 4, "thread": "M6", "value_mm": 6}),
        ("M6, 4 PLCS", T, {"count": 4, "thread": "M6", "value_mm": 6}),
        ("M6 (4x)", T, {"count": 4, "thread": "M6", "value_mm": 6}),
        ("4 Gewinde M6 12 tief", T, {"count": 4, "thread": "M6", "value_mm": 6, "depth_mm": 12}),
        ("8 x 1/4-20 UNC-2B THRU", T,
         {"count": 8, "thread": "1/4-20 UNC", "value_mm": 6.35, "through": True}),
        ("3/8-16 UNC x 3/4 deep", T, {"thread": "3/8-16 UNC", "value_mm": 9.525, "depth_mm": 19.05}),
        ("#10-32 UNF-2B ↧.50\"", T, {"thread": "#10-32 UNF", "value_mm": 4.826, "depth_mm": 12.7}),
        ("M6x3", T, {"value_mm": 6}),  # no such pitch: known as a thread, not which
        ("G1/4", T, {}),
        ("Tr 20x4", T, {}),
        ("Ø8 G7", D, {"value_mm": 8, "fit": "G7", "upper_mm": 0.02, "lower_mm": 0.005}),
        ("%%c8 H7", D, {"value_mm": 8, "fit": "H7", "upper_mm": 0.015, "lower_mm": 0}),
        ("⌀ 6 h6 (0/-0,008)", D, {"value_mm": 6, "fit": "h6", "upper_mm": 0, "lower_mm": -0.008}),
        ("Ø20 g6", D, {"value_mm": 20, "fit": "g6", "upper_mm": -0.007, "lower_mm": -0.02}),
        ("Ø5 H7/g6", D, {"value_mm": 5, "fit": "H7", "upper_mm": 0.012, "lower_mm": 0}),
        ("4x Ø6,6 THRU ⌴Ø11 ↧6,8", D,
         {"count": 4, "value_mm": 6.6, "through": True, "counterbore_mm": 11, "counterbore_depth_mm": 6.8}),
        ("Ø6.6 ⌵Ø12 x 90°", D, {"value_mm": 6.6, "countersink_mm": 12}),
        ("Ø6,6 Senkung 90° Ø12", D, {"value_mm": 6.6, "countersink_mm": 12}),
        ("4 Bohrungen Ø6 H7 durchgehend", D,
         {"count": 4, "value_mm": 6, "fit": "H7", "upper_mm": 0.012, "lower_mm": 0, "through": True}),
        ("Ø50 LK", D, {"value_mm": 50, "reference": True}),
        ("Ø20.02/19.99", D, {"value_mm": 19.99, "upper_mm": 0.03, "lower_mm": 0}),
        ("20 +0.02/-0.01", L, {"value_mm": 20, "upper_mm": 0.02, "lower_mm": -0.01}),
        ("18 +0,018 0", L, {"value_mm": 18, "upper_mm": 0.018, "lower_mm": 0}),
        ("20 -0,02", L, {"value_mm": 20, "upper_mm": 0, "lower_mm": -0.02}),
        ("20 −0.01/−0.02", L, {"value_mm": 20, "upper_mm": -0.01, "lower_mm": -0.02}),
        ("20%%p0.05", L, {"value_mm": 20, "upper_mm": 0.05, "lower_mm": -0.05}),
        ("(20)", L, {"value_mm": 20, "reference": True}),
        ("2x R5", What.RADIUS, {"count": 2, "value_mm": 5}),
        ("Ra 0,4", What.TEXTURE, {"textures": (("Ra", 0.4),)}),
        ("Ø8 H7 Rz 6.3", D,
         {"value_mm": 8, "fit": "H7", "upper_mm": 0.015, "lower_mm": 0, "textures": (("Rz", 6.3),)}),
    ],
)  # fmt: skip
def test_ways_to_write(text: str, what: What, wanted: dict[str, Any]) -> None:
    found = one(text)
    assert found.what == what
    assert said(found).keys() >= wanted.keys()
    nothing = {"upper_mm", "lower_mm"}  # that are nought, and so differ from nothing
    assert said(found).keys() - nothing == wanted.keys() - nothing
    for key, value in wanted.items():
        assert getattr(found, key) == (pytest.approx(value) if isinstance(value, float) else value)


@pytest.mark.parametrize(
    ("text", "value", "upper", "lower"),
    [
        ("Ø.252 ±.0005", 0.252, 0.0005, -0.0005),
        ("1 1/2 +.002/-.000", 1.5, 0.002, 0),
        ("Ø3/8", 0.375, None, None),
    ],
)
def test_inches(text: str, value: float, upper: float | None, lower: float | None) -> None:
    found = one(text, inches=True)
    assert found.value_mm == pytest.approx(value * 25.4, abs=1e-6)
    for got, wanted in ((found.upper_mm, upper), (found.lower_mm, lower)):
        assert got is None if wanted is None else got == pytest.approx(wanted * 25.4, abs=1e-6)


def test_a_metric_size_rounded_to_inches_is_found_again() -> None:
    found = one(".472 ±.001", inches=True)
    assert found.slack_mm == pytest.approx(0.0127)
    assert one("Ø.25", inches=True).slack_mm == 0


def test_metric_threads_of_a_drawing_in_inches_stay_metric() -> None:
    found = one("2X M5 X .39 DEEP", inches=True)
    assert (found.thread, found.count) == ("M5", 2)
    assert found.depth_mm == pytest.approx(9.906)
    assert one("12 mm ±0.02 mm", inches=True).value_mm == 12


@pytest.mark.parametrize(
    "text",
    [
        "60 HRC",
        "SCALE 2:1",
        "A-A",
        "2024-05-07",
        "M 1:2",
        "M10:1",
        "G20",
        "6-30 ±0.1",
        ".XXX ±.005",
        "NOTE 3",
        "2x 1x45°",
        "ISO 2768-mK",
        "1.2379",
        "",
        "↧",
        "Ø",
    ],
)
def test_what_is_no_callout(text: str) -> None:
    assert [c for c in callouts(text) if c.what != L or c.is_toleranced] == []


@pytest.mark.parametrize(
    "text",
    ["Schraube M6x20 ISO 4762", "for M5 cap screws", "⌵Ø8 x 90°", "Ø8 x 90°", "see Ø6 dowel in plate", "SØ8"],
)
def test_a_sentence_settles_nothing(text: str) -> None:
    assert {c.what for c in callouts(text)} == {What.UNCLEAR}


numbers = st.integers(1, 4000).map(lambda n: n / 20)
tolerances = st.integers(1, 60).map(lambda n: n / 1000)
commas = st.booleans()


def _written(value: float, comma: bool) -> str:
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return text.replace(".", ",") if comma else text


_COUNTS = ("{}x ", "{}× ", "{} x ", "{}X ")
_DEPTHS = (" x {} deep", " ↧{}", " {} tief", " tief {}", " Tiefe {}", " - {} deep", "x{}")
_TURNS = ("", "-6H", " LH", "-6H LH")


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from([s for s in SIZES if not s.unified]), st.integers(2, 40), st.sampled_from(_COUNTS),
    st.sampled_from(_DEPTHS), st.integers(8, 120).map(lambda n: n / 2), st.sampled_from(_TURNS), commas,
)  # fmt: skip
def test_a_thread_comes_back(
    size: Any, count: int, counted: str, depth_as: str, depth: float, turn: str, comma: bool
) -> None:
    name = size.designation.replace(".", "," if comma else ".")
    text = counted.format(count) + name + turn + depth_as.format(_written(depth, comma))
    found = one(text)
    left = " LH" if "LH" in turn else ""
    assert (found.what, found.count, found.thread) == (T, count, size.designation + left), text
    assert found.depth_mm == pytest.approx(depth)


@settings(max_examples=30, deadline=None)
@given(st.sampled_from([s for s in SIZES if s.unified]), st.integers(1, 12), st.booleans())
def test_a_unified_thread_comes_back(size: Any, count: int, classed: bool) -> None:
    found = one(f"{count}x {size.designation}{'-2B' if classed else ''} THRU")
    assert (found.count, found.thread, found.through) == (count, size.designation, True)


_SIGNS = ("Ø{}", "⌀{}", "%%c{}", "ø {}", "{}")


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(_SIGNS), numbers, tolerances, tolerances, st.sampled_from(("/", " ", " / ")), commas)
def test_limits_come_back(
    sign: str, value: float, upper: float, lower: float, between: str, comma: bool
) -> None:
    text = (
        sign.format(_written(value, comma)) + f" +{_written(upper, comma)}{between}-{_written(lower, comma)}"
    )
    found = one(text)
    assert found.what == (L if sign == "{}" else D)
    assert (found.value_mm, found.upper_mm, found.lower_mm) == pytest.approx((value, upper, -lower)), text


@settings(max_examples=100, deadline=None)
@given(
    numbers.filter(lambda v: v <= 120),
    st.sampled_from(("H7", "h6", "js7", "g6", "F8", "k6", "n6", "p6")),
    commas,
)
def test_fits_come_back_with_their_limits(value: float, fit: str, comma: bool) -> None:
    found = one(f"Ø{_written(value, comma)} {fit}")
    limits = deviations_mm(value, fit)
    assert limits is not None
    assert (found.fit, found.upper_mm, found.lower_mm) == (fit, *map(pytest.approx, limits))


def test_fits_are_those_of_the_standard() -> None:
    """ISO 286-2, from memory: limits in micrometres."""
    table = {
        (20, "g6"): (-7, -20), (20, "f7"): (-20, -41), (20, "F7"): (41, 20), (8, "G7"): (20, 5),
        (10, "k6"): (10, 1), (10, "m6"): (15, 6), (25, "n6"): (28, 15), (25, "p6"): (35, 22),
    }  # fmt: skip
    for (nominal, fit), limits in table.items():
        assert deviations_mm(nominal, fit) == pytest.approx([v / 1000 for v in limits]), (nominal, fit)
    assert deviations_mm(10, "k9") is None


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=60) | st.text('0123456789xØM+-/.,↧⌴ RaHhUNC°()±"', max_size=40))
def test_whatever_is_written_is_read_without_a_fault(text: str) -> None:
    for found in callouts(text):
        for value in (found.value_mm, found.depth_mm, found.upper_mm, found.lower_mm):
            assert value is None or math.isfinite(value)
    list(notes(text))
    labelled(text)
    assert normal(normal(text)) == normal(text)


@pytest.mark.parametrize("text", ["4x M6 ↧12 / Ø5 ↧16", "4x Ø6.6 THRU ⌴Ø11 ↧6.8", "Ø6.6 ⌵Ø12 x 90°", "□8 H7"])
def test_signs_in_words_are_read_alike(text: str) -> None:
    assert said(one(worded(text))) == said(one(text))
    assert worded(text).isascii() or "Ø" in worded(text)


@pytest.mark.parametrize(
    ("text", "about", "value"),
    [
        ("ISO 2768-mK", Topic.GENERAL_TOLERANCE, "ISO 2768-mK"),
        ("Allgemeintoleranzen DIN ISO 2768 - m", Topic.GENERAL_TOLERANCE, "ISO 2768-m"),
        ("58-60 HRC", Topic.HARDNESS, "58 to 60 HRC"),
        ("gehärtet 60+2 HRC", Topic.HARDNESS, "60 to 62 HRC"),
        ("Härte 60±1 HRC", Topic.HARDNESS, "59 to 61 HRC"),
        ("HRA 88", Topic.HARDNESS, "88 HRA"),
        ("1400 HV10", Topic.HARDNESS, "1400 HV"),
        ("edges sharp", Topic.EDGES, "sharp"),
        ("Kanten scharfkantig", Topic.EDGES, "sharp"),
        ("remove all sharp edges", Topic.EDGES, "broken"),
        ("scharfe Kanten brechen", Topic.EDGES, "broken"),
        ("keine scharfen Kanten", Topic.EDGES, "broken"),
        ("ISO 13715 -0.1", Topic.EDGES, "broken"),
        ("ISO 13715 ±0.02", Topic.EDGES, "sharp"),
        ("sharp edges permitted", Topic.EDGES, ""),
        ("Hartmetall, 12 % Kobalt", Topic.MATERIAL, "carbide, 12 % binder"),
        ("1.2379", Topic.MATERIAL, "steel (1.2379)"),
        ("Ra 3,2 (Ra 0,8)", Topic.GENERAL_TEXTURE, "Ra 3.2 um"),
    ],
)
def test_notes(text: str, about: Topic, value: str) -> None:
    assert [n.value for n in notes(text) if n.about == about] == [value]


def test_units_and_scale() -> None:
    assert is_in_inches(["ALL DIMENSIONS IN INCHES"]) is True
    assert is_in_inches(["Maße in mm"]) is False
    assert is_in_inches(["Ø20"]) is None
    assert is_in_inches(["dimensions in mm", "dimensions in inches"]) is None
    assert scale_of(["Maßstab 2:1"]) == 2
    assert scale_of(["SCALE 1:5", "SCALE 2:1"]) is None
    assert scale_of(["M 1:2"]) == 0.5
    assert labelled("Zeichnungs-Nr.: A 1") == ("part number", "A 1", True)

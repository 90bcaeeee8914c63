"""Thread sizes against the published formulas and independent tables."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from featurize.standards.threads import (
    SIZES,
    ThreadSize,
    candidates,
    designations,
    parse,
    td1_formula_um,
    td1_um,
)

# Minor diameter 6H min, max and pitch diameter min, in mm. Source (numbers only, transcribed): the
# internal-thread columns of design/metric_thread.csv of github.com/adrianschlatter/threadlib, which says
# that they are the norm's own figures, seen 2026-11-25.
METRIC_6H = {
    "M1.6": (1.221, 1.321, 1.373),
    "M1.8": (1.421, 1.521, 1.573),
    "M2": (1.567, 1.679, 1.740),
    "M2.2": (1.713, 1.838, 1.908),
    "M2.5": (2.013, 2.138, 2.208),
    "M2.5x0.35": (2.121, 2.221, 2.273),
    "M3": (2.459, 2.599, 2.675),
    "M3x0.35": (2.621, 2.721, 2.773),
    "M3.5": (2.850, 3.010, 3.110),
    "M3.5x0.35": (3.121, 3.221, 3.273),
    "M4": (3.242, 3.422, 3.545),
    "M4x0.5": (3.459, 3.599, 3.675),
    "M5": (4.134, 4.334, 4.480),
    "M5x0.5": (4.459, 4.599, 4.675),
    "M6": (4.917, 5.153, 5.350),
    "M6x0.75": (5.188, 5.378, 5.513),
    "M7": (5.917, 6.153, 6.350),
    "M7x0.75": (6.188, 6.378, 6.513),
    "M8": (6.647, 6.912, 7.188),
    "M8x1": (6.917, 7.153, 7.350),
    "M8x0.75": (7.188, 7.378, 7.513),
    "M10": (8.376, 8.676, 9.026),
    "M10x1.25": (8.647, 8.912, 9.188),
    "M10x1": (8.917, 9.153, 9.350),
    "M10x0.75": (9.188, 9.378, 9.513),
    "M12": (10.106, 10.441, 10.863),
    "M12x1.5": (10.376, 10.676, 11.026),
    "M12x1.25": (10.647, 10.912, 11.188),
    "M12x1": (10.917, 11.153, 11.350),
    "M14": (11.835, 12.210, 12.701),
    "M14x1.5": (12.376, 12.676, 13.026),
    "M14x1.25": (12.647, 12.912, 13.188),
    "M14x1": (12.917, 13.153, 13.350),
    "M16": (13.835, 14.210, 14.701),
    "M16x1.5": (14.376, 14.676, 15.026),
    "M16x1": (14.917, 15.153, 15.350),
    "M18": (15.294, 15.744, 16.376),
    "M18x2": (15.835, 16.210, 16.701),
    "M18x1.5": (16.376, 16.676, 17.026),
    "M18x1": (16.917, 17.153, 17.350),
    "M20": (17.294, 17.744, 18.376),
    "M20x2": (17.835, 18.210, 18.701),
    "M20x1.5": (18.376, 18.676, 19.026),
    "M20x1": (18.917, 19.153, 19.350),
    "M22": (19.294, 19.744, 20.376),
    "M22x2": (19.835, 20.210, 20.701),
    "M22x1.5": (20.376, 20.676, 21.026),
    "M22x1": (20.917, 21.153, 21.350),
    "M24": (20.752, 21.252, 22.051),
    "M24x2": (21.835, 22.210, 22.701),
    "M24x1.5": (22.376, 22.676, 23.026),
    "M24x1": (22.917, 23.153, 23.350),
}

# Coarse tap drills, mm. Source: tables of toolcroze.com/?p=7390 and metricmech.com/reference/drill-size-chart
# (M22 in the second only, M7 in the first only; alike where both list a size), seen 2026-11-25.
COARSE_DRILLS = {
    "M1.6": 1.25, "M2": 1.6, "M2.5": 2.05, "M3": 2.5, "M3.5": 2.9, "M4": 3.3, "M5": 4.2, "M6": 5.0,
    "M7": 6.0, "M8": 6.8, "M10": 8.5, "M12": 10.2, "M14": 12.0, "M16": 14.0, "M18": 15.5, "M20": 17.5,
    "M22": 19.5, "M24": 21.0,
}  # fmt: skip

# Minor diameter of internal class 2B, in: min, max. Source: microadvances.com/drillchart.htm, a copy of
# ASME B1.1, seen 2026-11-25 (three decimals from #6 on).
UNIFIED_2B = {
    "#2-56 UNC": (0.0667, 0.0737),
    "#2-64 UNF": (0.0691, 0.0753),
    "#3-48 UNC": (0.0764, 0.0845),
    "#3-56 UNF": (0.0797, 0.0865),
    "#4-40 UNC": (0.0849, 0.0939),
    "#4-48 UNF": (0.0894, 0.0968),
    "#5-40 UNC": (0.0979, 0.1062),
    "#5-44 UNF": (0.1004, 0.1079),
    "#6-32 UNC": (0.104, 0.114),
    "#6-40 UNF": (0.111, 0.119),
    "#8-32 UNC": (0.130, 0.139),
    "#8-36 UNF": (0.134, 0.142),
    "#10-24 UNC": (0.145, 0.156),
    "#10-32 UNF": (0.156, 0.164),
    "#12-24 UNC": (0.171, 0.181),
    "#12-28 UNF": (0.177, 0.186),
}

# UNF basic minor and pitch diameters, mm: table "unified fine thread, ANSI B1.1" of a 2022 tap catalogue at
# docs.steelcam.org (page 61), seen 2026-11-25.
UNF_MM = {
    "1/4-28 UNF": (5.367, 5.761),
    "5/16-24 UNF": (6.792, 7.249),
    "3/8-24 UNF": (8.379, 8.837),
    "7/16-20 UNF": (9.738, 10.287),
    "1/2-20 UNF": (11.326, 11.874),
}

# Grade 6 of the minor diameter, micrometres: ISO 965-1, from memory; the limits above carry the same figures.
TD1_6 = {
    0.35: 100, 0.4: 112, 0.45: 125, 0.5: 140, 0.6: 160, 0.7: 180, 0.75: 190, 0.8: 200, 1.0: 236, 1.25: 265,
    1.5: 300, 1.75: 335, 2.0: 375, 2.5: 450, 3.0: 500,
}  # fmt: skip

BY_NAME = {s.designation: s for s in SIZES}


def test_the_metric_table_is_covered_completely() -> None:
    assert {s.designation for s in SIZES if not s.unified} == set(METRIC_6H)


@pytest.mark.parametrize("name", METRIC_6H)
def test_metric_limits(name: str) -> None:
    size = BY_NAME[name]
    low, high, pitch_diameter = METRIC_6H[name]
    # The table rounds each figure to a micron; so do its sums.
    assert size.minor_limits_mm == pytest.approx((low, high), abs=0.0011)
    assert size.pitch_diameter_mm == pytest.approx(pitch_diameter, abs=0.0011)


@pytest.mark.parametrize("size", SIZES, ids=lambda s: s.designation)
def test_basic_profile_of_iso_68_1(size: ThreadSize) -> None:
    height = math.sqrt(3) / 2 * size.pitch_mm
    assert size.minor_mm == pytest.approx(size.major_mm - 2 * 5 / 8 * height)
    assert size.minor_mm == pytest.approx(size.major_mm - 1.082532 * size.pitch_mm, abs=1e-5)
    assert size.pitch_diameter_mm == pytest.approx(size.major_mm - 2 * 3 / 8 * height)


@pytest.mark.parametrize("size", SIZES, ids=lambda s: s.designation)
def test_a_tap_drill_is_a_hole_the_thread_may_have(size: ThreadSize) -> None:
    low, high = size.minor_limits_mm
    # Number drills for unified sizes may lie a little over the limit of class 2B or under its least.
    slack = 0.06 if size.unified else 0.0
    assert low - slack <= size.tap_drill_mm <= high + slack


@pytest.mark.parametrize("pitch_mm", TD1_6)
def test_tolerance_is_the_formula_rounded(pitch_mm: float) -> None:
    assert td1_um(pitch_mm) == TD1_6[pitch_mm]
    # Within one step of the R40 series (6 %) of the bare formula.
    assert td1_um(pitch_mm) == pytest.approx(td1_formula_um(pitch_mm), rel=0.06)


@pytest.mark.parametrize("name", COARSE_DRILLS)
def test_tap_drills(name: str) -> None:
    assert BY_NAME[name].tap_drill_mm == COARSE_DRILLS[name]


@pytest.mark.parametrize("name", UNIFIED_2B)
def test_unified_minor_limits(name: str) -> None:
    low, high = (round(v / 25.4, 5) for v in BY_NAME[name].minor_limits_mm)
    # The table rounds the least and the tolerance each to its last digit, then adds them.
    digits = 0.0006 if BY_NAME[name].major_mm > 3.2 else 0.00011
    assert (low, high) == pytest.approx(UNIFIED_2B[name], abs=digits)


@pytest.mark.parametrize("name", UNF_MM)
def test_unified_diameters(name: str) -> None:
    size = BY_NAME[name]
    # Its millimetres come from inches rounded to 0.0001: half of that, and half a micron.
    assert (size.minor_mm, size.pitch_diameter_mm) == pytest.approx(UNF_MM[name], abs=0.0018)


@pytest.mark.parametrize(
    ("text", "name", "left"),
    [
        ("M5", "M5", False),
        ("M5x0.8", "M5", False),
        ("M6 x 0.75", "M6x0.75", False),
        ("M6-6H", "M6", False),
        ("M8x1 LH", "M8x1", True),
        ("m8×1-6h-LH", "M8x1", True),
        ("M8-1.25", "M8", False),
        ("M2,5", "M2.5", False),
        ("1/4-20 UNC-2B", "1/4-20 UNC", False),
        ('1/4"-20', "1/4-20 UNC", False),
        ("#10-32", "#10-32 UNF", False),
        ("10-24 UNC", "#10-24 UNC", False),
    ],
)
def test_designations(text: str, name: str, left: bool) -> None:
    size, left_hand = parse(text)
    assert (size.designation, left_hand) == (name, left)
    assert designations(f"4 holes {text}, through") == [(size, left)]


@pytest.mark.parametrize(
    "text", ["", "plain", "M9.3", "M5x12", "M99", "10-32", "1/4-21", "#10-24 UNF", "XM5", "M5A"]
)
def test_what_is_no_thread(text: str) -> None:
    with pytest.raises(ValueError, match="no thread"):
        parse(text)


def test_text_names_screws_and_other_numbers() -> None:
    assert [s.designation for s, _ in designations("for M5x12 screw; PM6, 12-24, M12.3")] == ["M5"]


@given(
    st.sampled_from(SIZES),
    st.sampled_from(["tap_drill_mm", "minor_mm", "major_mm"]),
    st.floats(-0.009, 0.009),
)
def test_candidates_find_every_size(size: ThreadSize, what: str, error_mm: float) -> None:
    assert size in [s for s, _ in candidates(getattr(size, what) + error_mm)]


def test_candidates_of_the_diameters_a_die_maker_meets() -> None:
    assert [(s.designation, what) for s, what in candidates(4.2)] == [("M5", "tap drill")]
    assert [(s.designation, what) for s, what in candidates(4.134)] == [("M5", "minor")]
    assert ("M6", "tap drill") in [(s.designation, what) for s, what in candidates(5.0)]
    assert candidates(4.3) == []

"""Metric and unified internal threads: sizes, limits, tap drills, designations in text.

Formulas: ISO 68-1 (basic profile), ISO 965-1 (metric tolerances), ASME B1.1 (unified, class 2B).
Sizes: ISO 261/262 and ASME B1.1, from memory; the tests hold them against published tables.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from math import log, sqrt
from typing import Literal

INCH_MM = 25.4
# D1 = d - 2 x 5/8 H and D2 = d - 2 x 3/8 H with H = sqrt(3)/2 P (ISO 68-1, ASME B1.1).
_D1 = 5 * sqrt(3) / 8
_D2 = 3 * sqrt(3) / 8

Match = Literal["tap drill", "minor", "major"]


@dataclass(frozen=True)
class ThreadSize:
    """An internal thread, in millimetres. ``choice``: 1 or 2, the preference of ISO 261/262."""

    designation: str
    major_mm: float
    pitch_mm: float
    tap_drill_mm: float
    coarse: bool
    choice: int = 1
    unified: bool = False

    @property
    def minor_mm(self) -> float:
        """Basic minor diameter D1, which is also the lower limit of 6H and 2B."""
        return self.major_mm - _D1 * self.pitch_mm

    @property
    def pitch_diameter_mm(self) -> float:
        """Basic pitch diameter D2."""
        return self.major_mm - _D2 * self.pitch_mm

    @property
    def minor_limits_mm(self) -> tuple[float, float]:
        """Least and greatest minor diameter: class 6H (ISO 965-1), or 2B (ASME B1.1)."""
        if not self.unified:
            return self.minor_mm, self.minor_mm + td1_um(self.pitch_mm) / 1000
        d, p = self.major_mm / INCH_MM, self.pitch_mm / INCH_MM
        least = 0.25 * p - 0.4 * p**2
        small = min(max(0.05 * p ** (2 / 3) + 0.03 * p / d - 0.002, least), 0.394 * p)
        # The rule for small sizes ends below 1/4 in.
        tolerance = small if d < 0.2499 else least
        return self.minor_mm, self.minor_mm + tolerance * INCH_MM

    def drawn_at(self, diameter_mm: float) -> tuple[float, Match]:
        """How far a hole's diameter is from the nearest at which this thread is drawn, and which that is."""
        drawn: dict[Match, float] = {
            "tap drill": self.tap_drill_mm, "minor": self.minor_mm, "major": self.major_mm
        }  # fmt: skip
        return min((abs(diameter_mm - value), what) for what, value in drawn.items())


_R40 = (
    100, 106, 112, 118, 125, 132, 140, 150, 160, 170, 180, 190, 200, 212, 224, 236, 250, 265, 280, 300,
    315, 335, 355, 375, 400, 425, 450, 475, 500, 530, 560, 600, 630, 670, 710, 750, 800, 850, 900, 950,
)  # fmt: skip
# The standard evens out its own rounding here, one step up the series, for a smooth progression.
_EVENED_UM = {0.5: 140, 2.5: 450}


def td1_um(pitch_mm: float) -> int:
    """Tolerance of the minor diameter, grade 6 (ISO 965-1): micrometres, for pitches of 0.3 to 3 mm."""
    if not 0.3 <= pitch_mm <= 3:
        raise ValueError(f"no grade 6 is tabulated here for pitch {pitch_mm}")
    exact = td1_formula_um(pitch_mm)
    series = [round(n * decade) for decade in (0.1, 1.0) for n in _R40]
    return _EVENED_UM.get(pitch_mm, min(series, key=lambda n: abs(log(n / exact))))


def td1_formula_um(pitch_mm: float) -> float:
    """The same before rounding to the R40 series."""
    if pitch_mm < 1:
        return float(433 * pitch_mm - 190 * pitch_mm**1.22)
    return float(230 * pitch_mm**0.7)


# Nominal diameter: choice, coarse pitch, fine pitches. Pitches under 0.3 have no grade 6 and are left out.
_METRIC: dict[float, tuple[int, float, tuple[float, ...]]] = {
    1.6: (1, 0.35, ()),
    1.8: (2, 0.35, ()),
    2: (1, 0.4, ()),
    2.2: (2, 0.45, ()),
    2.5: (1, 0.45, (0.35,)),
    3: (1, 0.5, (0.35,)),
    3.5: (2, 0.6, (0.35,)),
    4: (1, 0.7, (0.5,)),
    5: (1, 0.8, (0.5,)),
    6: (1, 1, (0.75,)),
    7: (2, 1, (0.75,)),
    8: (1, 1.25, (1, 0.75)),
    10: (1, 1.5, (1.25, 1, 0.75)),
    12: (1, 1.75, (1.5, 1.25, 1)),
    14: (2, 2, (1.5, 1.25, 1)),
    16: (1, 2, (1.5, 1)),
    18: (2, 2.5, (2, 1.5, 1)),
    20: (1, 2.5, (2, 1.5, 1)),
    22: (2, 2.5, (2, 1.5, 1)),
    24: (1, 3, (2, 1.5, 1)),
}

# Size, diameter (in), then threads per inch and tap drill (in) of UNC and UNF: number, letter and
# fractional drills for about 75 % of thread (common practice, from memory).
_UNIFIED: tuple[tuple[str, float, tuple[int, float], tuple[int, float]], ...] = (
    ("#2", 0.086, (56, 0.0700), (64, 0.0700)),
    ("#3", 0.099, (48, 0.0785), (56, 0.0820)),
    ("#4", 0.112, (40, 0.0890), (48, 0.0935)),
    ("#5", 0.125, (40, 0.1015), (44, 0.1040)),
    ("#6", 0.138, (32, 0.1065), (40, 0.1130)),
    ("#8", 0.164, (32, 0.1360), (36, 0.1360)),
    ("#10", 0.190, (24, 0.1495), (32, 0.1590)),
    ("#12", 0.216, (24, 0.1770), (28, 0.1820)),
    ("1/4", 1 / 4, (20, 0.2010), (28, 0.2130)),
    ("5/16", 5 / 16, (18, 0.2570), (24, 0.2720)),
    ("3/8", 3 / 8, (16, 0.3125), (24, 0.3320)),
    ("7/16", 7 / 16, (14, 0.3680), (20, 25 / 64)),
    ("1/2", 1 / 2, (13, 27 / 64), (20, 29 / 64)),
)


def _tap_drill_mm(major_mm: float, pitch_mm: float) -> float:
    """Diameter less pitch, as a stocked drill: steps of 0.05 below 4 mm, of 0.1 above.

    From ISO 2306, from memory. Halves go to the even tenth, as there: 6.8, 8.8, 12.8 but 5.2, 10.2.
    """
    hundredths = round((major_mm - pitch_mm) * 100)
    return hundredths / 100 if hundredths < 400 else round(Fraction(hundredths, 10)) / 10


def _sizes() -> Iterator[ThreadSize]:
    for d, (choice, coarse, fine) in _METRIC.items():
        yield ThreadSize(f"M{d:g}", float(d), float(coarse), _tap_drill_mm(d, coarse), True, choice)
        for p in fine:
            yield ThreadSize(f"M{d:g}x{p:g}", float(d), float(p), _tap_drill_mm(d, p), False, choice)
    for name, inches, unc, unf in _UNIFIED:
        for series, (tpi, drill) in (("UNC", unc), ("UNF", unf)):
            d, p, drill_mm = inches * INCH_MM, INCH_MM / tpi, drill * INCH_MM
            yield ThreadSize(f"{name}-{tpi} {series}", d, p, drill_mm, series == "UNC", unified=True)


SIZES: tuple[ThreadSize, ...] = tuple(_sizes())
_BY_NAME = {s.designation: s for s in SIZES}

_NUMBER = r"\d+(?:[.,]\d+)?"
_HAND = r"(?:[\s-]*(?P<{}>LH\b))?"
_TEXT = re.compile(
    rf"(?<![A-Z0-9.,])M\s?(?P<d>{_NUMBER})(?:\s*[X×*]\s*(?P<p>{_NUMBER})|-(?P<q>{_NUMBER})(?![\d.,]*[GH]))?"
    rf"(?:[\s-]*\d[GH](?:\d[GH])?)?{_HAND.format('mlh')}(?![A-Z0-9]|[.,]\d)"
    r"|(?<![A-Z0-9/.,])(?P<size>#\s?\d+|\d+(?:/\d+)?)(?:\"|\s?IN\b)?\s?-\s?(?P<tpi>\d+)"
    rf"(?:[\s-]*(?P<series>UN[CF]?)(?![A-Z]))?(?:[\s-]*[123]B)?{_HAND.format('ulh')}(?![A-Z0-9]|[.,]\d)",
    re.IGNORECASE,
)


def designations(text: str) -> list[tuple[ThreadSize, bool]]:
    """Every known thread named in a text, with whether it is left-handed."""
    found = (_read(m, screw_lengths=True) for m in _TEXT.finditer(text))
    return list(dict.fromkeys(f for f in found if f))


def parse(text: str) -> tuple[ThreadSize, bool]:
    """One designation, such as "M5", "M6 x 0.75-6H", "M8x1 LH" or "1/4-20 UNC-2B"; True when left-handed.

    Raises ValueError for anything else and for sizes not in ``SIZES``.
    """
    match = _TEXT.fullmatch(text.strip())
    found = _read(match, screw_lengths=False) if match else None
    if found is None:
        raise ValueError(f"{text!r} is no thread of this table: write for example M5, M6x0.75 or 1/4-20 UNC")
    return found


def _read(match: re.Match[str], *, screw_lengths: bool) -> tuple[ThreadSize, bool] | None:
    if match["d"]:
        d = float(match["d"].replace(",", "."))
        coarse = _METRIC.get(d, (0, 0.0, ()))[1]
        written = match["p"] or match["q"]
        pitch = float(written.replace(",", ".")) if written else coarse
        # "M5x12" names a screw and its length: no pitch up to M24 is above 3.
        if pitch == coarse or (screw_lengths and pitch > 3):
            size = _BY_NAME.get(f"M{d:g}")
        else:
            size = _BY_NAME.get(f"M{d:g}x{pitch:g}")
        return (size, bool(match["mlh"])) if size else None
    name, series = match["size"].replace(" ", ""), (match["series"] or "").upper()
    if name.isdigit() and series:
        name = f"#{name}"
    for known in ("UNC", "UNF"):
        size = _BY_NAME.get(f"{name}-{match['tpi']} {known}")
        if size and series in ("", "UN", known):
            return size, bool(match["ulh"])
    return None


def candidates(diameter_mm: float, tolerance_mm: float = 0.01) -> list[tuple[ThreadSize, Match]]:
    """Sizes whose tap drill, basic minor or major diameter this is: one entry a size, nearest first."""
    found = [(s, *s.drawn_at(diameter_mm)) for s in SIZES]
    near = sorted((f for f in found if f[1] <= tolerance_mm), key=lambda f: (round(f[1], 4), not f[0].coarse))
    return [(s, what) for s, _, what in near]

"""Screws: the holes that let them pass, and the heads that sit in counterbores.

Clearance holes: ISO 273 (fine, medium and coarse series) and ASME B18.2.8 (close, normal, loose). Heads of
hexagon socket cap screws: ISO 4762 and ASME B18.3, the largest plain head. All from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

_INCH_MM = 25.4


@dataclass(frozen=True)
class Screw:
    """A size, in millimetres; ``clearance_mm`` are its three series of holes, ``head_mm`` is None for sizes
    that the standard of cap screws lacks."""

    designation: str
    major_mm: float
    clearance_mm: tuple[float, float, float]
    head_mm: float | None
    standards: tuple[str, str] = ("ISO 273", "ISO 4762")


_METRIC = (
    (1.6, (1.7, 1.8, 2.0), 3.0),
    (2.0, (2.2, 2.4, 2.6), 3.8),
    (2.5, (2.7, 2.9, 3.1), 4.5),
    (3.0, (3.2, 3.4, 3.6), 5.5),
    (3.5, (3.7, 3.9, 4.2), None),
    (4.0, (4.3, 4.5, 4.8), 7.0),
    (5.0, (5.3, 5.5, 5.8), 8.5),
    (6.0, (6.4, 6.6, 7.0), 10.0),
    (7.0, (7.4, 7.6, 8.0), None),
    (8.0, (8.4, 9.0, 10.0), 13.0),
    (10.0, (10.5, 11.0, 12.0), 16.0),
    (12.0, (13.0, 13.5, 14.5), 18.0),
    (14.0, (15.0, 15.5, 16.5), 21.0),
    (16.0, (17.0, 17.5, 18.5), 24.0),
    (18.0, (19.0, 20.0, 21.0), None),
    (20.0, (21.0, 22.0, 24.0), 30.0),
    (22.0, (23.0, 24.0, 26.0), None),
    (24.0, (25.0, 26.0, 28.0), 36.0),
)

# Size, then inches.
_UNIFIED = (
    ("#8", 0.164, (0.180, 0.194, 0.213), 0.270),
    ("#10", 0.190, (0.206, 0.221, 0.238), 0.312),
    ("1/4", 0.250, (0.266, 0.281, 0.297), 0.375),
    ("5/16", 0.3125, (0.328, 0.344, 0.359), 0.469),
    ("3/8", 0.375, (0.391, 0.406, 0.422), 0.562),
    ("1/2", 0.500, (0.531, 0.562, 0.609), 0.750),
)


def _unified(name: str, major: float, holes: tuple[float, float, float], head: float) -> Screw:
    close, normal, loose = (round(h * _INCH_MM, 4) for h in holes)
    standards = ("ASME B18.2.8", "ASME B18.3")
    return Screw(name, major * _INCH_MM, (close, normal, loose), head * _INCH_MM, standards)


SCREWS: tuple[Screw, ...] = (
    *(Screw(f"M{d:g}", d, holes, head) for d, holes, head in _METRIC),
    *(_unified(*row) for row in _UNIFIED),
)

# A counterbore may be this share under the head (heads are turned down where room is short) and this
# much over it (room for a washer or a socket): common practice, no source.
_UNDER, _OVER = 0.05, 0.5
# What is drawn lies this near to the series: inch drills have four digits.
_DRILLED_MM = 0.02


def seated(bore_mm: float, counterbore_mm: float) -> Screw | None:
    """The screw that a bore lets pass and whose head its counterbore takes; the nearest head of several."""
    fitting = [
        (abs(s.head_mm - counterbore_mm), s)
        for s in SCREWS
        if s.head_mm is not None
        and any(abs(bore_mm - c) <= _DRILLED_MM for c in s.clearance_mm)
        and s.head_mm * (1 - _UNDER) <= counterbore_mm <= s.head_mm * (1 + _OVER)
    ]
    return min(fitting, key=lambda f: f[0], default=(0.0, None))[1]

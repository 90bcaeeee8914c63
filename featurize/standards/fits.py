"""Limits of the common fits (ISO 286-1 and -2, from memory): H, h and JS/js, grades 5 to 9, up to 120 mm."""

from __future__ import annotations

import re

# Largest nominal size (mm) of each range, and IT5 to IT9 (micrometres).
_GRADES = (
    (3, (4, 6, 10, 14, 25)),
    (6, (5, 8, 12, 18, 30)),
    (10, (6, 9, 15, 22, 36)),
    (18, (8, 11, 18, 27, 43)),
    (30, (9, 13, 21, 33, 52)),
    (50, (11, 16, 25, 39, 62)),
    (80, (13, 19, 30, 46, 74)),
    (120, (15, 22, 35, 54, 87)),
)
_FIT = re.compile(r"(H|h|JS|js)([5-9])")


def deviations_mm(nominal_mm: float, fit: str) -> tuple[float, float] | None:
    """Upper and lower deviation of a fit such as "H7"; None for what the table lacks."""
    match = _FIT.fullmatch(fit)
    if match is None:
        return None
    letter, grade = match[1], int(match[2])
    width = next((row[grade - 5] / 1000 for top, row in _GRADES if 0 < nominal_mm <= top), None)
    if width is None:
        return None
    return {"H": (width, 0.0), "h": (0.0, -width)}.get(letter, (width / 2, -width / 2))

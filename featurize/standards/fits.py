"""Limits of the common fits (ISO 286-1 and -2, from memory): grades 5 to 9, up to 120 mm.

H, h and JS/js; clearance F, f, G, g; of shafts also k, m, n, p.
"""

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
# Fundamental deviations of shafts in the same ranges (micrometres): the upper one of f and g, the lower one
# of the rest. k has another one in grades 8 and 9, which are left out.
_SHAFTS = {
    "f": (-6, -10, -13, -16, -20, -25, -30, -36),
    "g": (-2, -4, -5, -6, -7, -9, -10, -12),
    "k": (0, 1, 1, 1, 2, 2, 2, 3),
    "m": (2, 4, 6, 7, 8, 9, 11, 13),
    "n": (4, 8, 10, 12, 15, 17, 20, 23),
    "p": (6, 12, 15, 18, 22, 26, 32, 37),
}
_FIT = re.compile(r"([HhFfGgkmnp]|JS|js)([5-9])")


def deviations_mm(nominal_mm: float, fit: str) -> tuple[float, float] | None:
    """Upper and lower deviation of a fit such as "H7"; None for what the table lacks."""
    match = _FIT.fullmatch(fit)
    if match is None:
        return None
    letter, grade = match[1], int(match[2])
    place = next((n for n, (top, _) in enumerate(_GRADES) if 0 < nominal_mm <= top), None)
    if place is None or (letter == "k" and grade > 7):
        return None
    width = _GRADES[place][1][grade - 5] / 1000
    if letter.lower() in _SHAFTS:
        shift = _SHAFTS[letter.lower()][place] / 1000
        if letter in "fg":
            return shift, round(shift - width, 3)
        # A hole of a clearance fit mirrors its shaft, the others lie above the nominal size.
        low = -shift if letter in "FG" else shift
        return round(low + width, 3), low
    return {"H": (width, 0.0), "h": (0.0, -width)}.get(letter, (width / 2, -width / 2))

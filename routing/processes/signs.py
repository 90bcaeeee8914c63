"""The processes by name in the trade's order, and the signs by which people tell them apart.

Loaded by everything and loads nothing. A new process gets its row here and a module in ``processes/``.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Sign:
    """How a process looks: on screen, in the coloured model and in print without colour.

    ``hatch_deg`` are the directions of its hatch's lines, against the horizontal; ``said`` is its name in
    legends; ``caution`` stands on its operations.
    """

    name: str
    letter: str
    colour: str  # sRGB; apart in hue and in lightness, so that they stay apart in grey and for every eye
    hatch_deg: tuple[int, ...] = ()
    said: str = ""
    caution: str = ""


TRADE = (
    Sign(
        "wire",
        "W",
        "#2f62a8",
        (90,),
        caution="dielectric and sparks: fumes, guards and disposal as local codes ask",
    ),
    Sign(
        "surface grind",
        "G",
        "#7fc0b5",
        (0,),
        caution="grinding dust, carbide and cobalt above all, harms: wet, extracted, as local codes ask",
    ),
    Sign("mill", "M", "#d2691e", (45,)),
    Sign(
        "sink-erode",
        "E",
        "#5b1a4b",
        (45, 135),
        caution="dielectric may burn: level, extraction and fire watch as local codes ask",
    ),
)
PROCESSES = tuple(sign.name for sign in TRADE)

# What no process makes: nothing reaches it, or it comes with the blank.
SIGNS = {
    sign.name: sign
    for sign in (
        *TRADE,
        Sign("none", "?", "#f0d000", (0, 90), said="no process found"),
        Sign("blank", "B", "#f4f2ee", said="comes with the blank"),
    )
}

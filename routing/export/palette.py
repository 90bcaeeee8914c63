"""The processes' colours as numbers."""

from __future__ import annotations

from routing.processes.rooms import signs

Colour = tuple[float, float, float]


def colours() -> dict[str, str]:
    """Each process's colour, and those of "none" and "blank", as "#rrggbb"."""
    return {name: sign.colour for name, sign in signs().items()}


def rgb(process: str) -> Colour:
    """sRGB parts from 0 to 1."""
    text = signs()[process].colour
    red, green, blue = (int(text[i : i + 2], 16) / 255 for i in (1, 3, 5))
    return red, green, blue


def luminance(colour: Colour) -> float:
    """Relative luminance of an sRGB colour, from 0 to 1 (IEC 61966-2-1 and ITU-R BT.709 weights)."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in colour]
    return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))

"""What stands on the sheets of a drawing, whatever file it came from: texts, circles and lines in place.

Places are millimetres of the sheet from its lower left corner, or of the part where the file is drawn in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class PlacedText:
    """A piece of text: where its baseline starts, its length along it, the height of its letters."""

    page: int
    text: str
    x: float
    y: float
    width: float
    height: float
    angle_deg: float = 0.0

    def at(self, along: float, up: float) -> tuple[float, float]:
        """The point so far along the baseline from its start, and above it."""
        c, s = math.cos(math.radians(self.angle_deg)), math.sin(math.radians(self.angle_deg))
        return self.x + along * c - up * s, self.y + along * s + up * c

    def local(self, x: float, y: float) -> tuple[float, float]:
        """A point of the sheet as (along, up) of this text."""
        c, s = math.cos(math.radians(self.angle_deg)), math.sin(math.radians(self.angle_deg))
        return (x - self.x) * c + (y - self.y) * s, (y - self.y) * c - (x - self.x) * s


@dataclass(frozen=True)
class DrawnCircle:
    """A whole circle that is drawn."""

    page: int
    x: float
    y: float
    diameter: float


@dataclass(frozen=True)
class Polyline:
    """A line or polyline that is drawn, by its points: a leader among them."""

    page: int
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class SheetContent:
    """All that is read of a file. ``pages`` are the sheets' sizes (width, height), mm.

    ``inches`` is what the file's header says, None for nothing; ``how`` tells how it was read. ``true_size``:
    lengths are the part's, but for a view's own scale. ``pictured``: pictures stand on the sheets.
    """

    pages: tuple[tuple[float, float], ...]
    texts: tuple[PlacedText, ...]
    rings: tuple[DrawnCircle, ...] = ()
    strokes: tuple[Polyline, ...] = ()
    how: str = "text"
    inches: bool | None = None
    true_size: bool = False
    pictured: bool = False

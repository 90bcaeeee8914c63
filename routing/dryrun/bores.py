"""What the hole table says is drilled, milled or sunk: a row is one tool in one stage of a bore."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from manifold3d import Manifold

from routing.dryrun.solids import circle, joined
from routing.dryrun.written import FolderError

TABLE = "holes.csv"
# Above its mouth a tool comes down through what is still there.
_OVER_MM = 200.0
_POINT = re.compile(r"point ([\d.]+)")
_THROUGH_MM = 0.5
# A mouth is broken by no more than this beside and below, which no model shows (common practice, no source).
_BREAK_MM = 0.5
# A core's own end and start lie this near those of its thread.
_END_MM = 0.1


@dataclass(frozen=True)
class Row:
    """Lengths mm; x, y and the mouth's height in the setup's zero, depths from the mouth."""

    feature: str
    setup: int
    step: int
    side: str
    what: str
    tool_kind: str
    tool_mm: float | None
    x_mm: float
    y_mm: float
    mouth_mm: float
    from_mm: float
    to_mm: float
    diameter_mm: float
    end_diameter_mm: float | None
    bottom: str
    thread: str
    pitch_mm: float | None

    @property
    def is_thread(self) -> bool:
        """Its turns are in no model: the stage shows the core."""
        return bool(self.thread) and self.pitch_mm is not None

    @property
    def breaks_mm(self) -> float:
        """How far a small cone at the mouth breaks the edge, 0 for what is no broken edge."""
        if self.end_diameter_mm is None or self.from_mm > 0:
            return 0.0
        wide = (self.diameter_mm - self.end_diameter_mm) / 2
        return wide if 0 < wide <= _BREAK_MM and self.to_mm <= _BREAK_MM else 0.0

    def body(self) -> Manifold:
        """In the setup's coordinates."""
        radius, top, foot = self.diameter_mm / 2, self.mouth_mm - self.from_mm, self.mouth_mm - self.to_mm
        sides = circle(radius)
        parts = []
        if self.end_diameter_mm is not None:
            end = self.end_diameter_mm / 2
            parts.append(Manifold.cylinder(top - foot, end, radius, sides).translate((0, 0, foot)))
            shaft = top
        else:
            shaft = foot - (_THROUGH_MM if self.bottom == "through" else 0.0)
        parts.append(Manifold.cylinder(_OVER_MM, radius, radius, sides).translate((0, 0, shaft)))
        if match := _POINT.search(self.bottom):
            high = radius / math.tan(math.radians(float(match[1]) / 2))
            parts.append(Manifold.cylinder(high, 0.0, radius, sides).translate((0, 0, foot - high)))
        return joined(parts).translate((self.x_mm, self.y_mm, 0))

    def turns(self) -> Manifold:
        """What a thread's turns may fill: neither a gouge nor left over, in the setup's coordinates."""
        radius = self.diameter_mm / 2
        high = self.to_mm - self.from_mm + 2 * _END_MM
        body = Manifold.cylinder(high, radius, radius, circle(radius))
        return body.translate((self.x_mm, self.y_mm, self.mouth_mm - self.to_mm - _END_MM))


@dataclass(frozen=True, eq=False)
class HoleTable:
    folder: Path

    @cached_property
    def rows(self) -> Mapping[tuple[int, str], tuple[Row, ...]]:
        """By step and feature. Raises FolderError for a table that cannot be read."""
        path = self.folder / TABLE
        found: dict[tuple[int, str], list[Row]] = {}
        try:
            with path.open(encoding="utf-8", newline="") as file:
                for entry in csv.DictReader(file):
                    if entry["step"]:
                        row = _row(entry)
                        found.setdefault((row.step, row.feature), []).append(row)
        except FileNotFoundError:
            raise FolderError(f"{self.folder} has no {TABLE}: route the part again") from None
        except (KeyError, ValueError, TypeError) as error:
            raise FolderError(f"{path} cannot be read ({error}): route the part again") from None
        return {key: tuple(rows) for key, rows in found.items()}


def _row(entry: Mapping[str, str]) -> Row:
    return Row(
        entry["feature"],
        int(entry["setup"]),
        int(entry["step"]),
        entry["side"].removeprefix("'"),  # as tables keep what would be a formula
        entry["what"],
        entry["tool_kind"],
        _number(entry["tool_mm"]),
        float(entry["x_mm"]),
        float(entry["y_mm"]),
        float(entry["mouth_z_mm"]),
        float(entry["from_mm"]),
        float(entry["to_mm"]),
        float(entry["diameter_mm"]),
        _number(entry["end_diameter_mm"]),
        entry["bottom"],
        entry["thread"],
        _number(entry["pitch_mm"]),
    )


def _number(text: str) -> float | None:
    return float(text) if text else None

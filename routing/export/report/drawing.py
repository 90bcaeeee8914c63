"""Drawings for paper: lines, words and shaded pictures, the same for the browser and the printer.

Lengths are mm on paper, y goes up from the lower edge, sizes of type are points.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from html import escape

Point = tuple[float, float]
PT_MM = 25.4 / 72
_HALF = 0.52  # mean width of a letter, in heights of type


@dataclass(frozen=True)
class Line:
    """An open or closed run of straight pieces; ``fill`` is a colour or None."""

    points: tuple[Point, ...]
    width_mm: float = 0.18
    dash_mm: tuple[float, ...] = ()
    ink: str = "#16191d"
    closed: bool = False
    fill: str | None = None


@dataclass(frozen=True)
class Runs:
    """Open runs of straight pieces that look alike: one object in the file, however many they are."""

    runs: tuple[tuple[Point, ...], ...]
    width_mm: float = 0.18
    dash_mm: tuple[float, ...] = ()
    ink: str = "#16191d"


@dataclass(frozen=True)
class Area:
    """A filled region without a border; rings inside others are holes."""

    rings: tuple[tuple[Point, ...], ...]
    fill: str


@dataclass(frozen=True)
class Words:
    """``place`` is "start", "middle" or "end" of the words' own line; ``boxed`` lays a white ground."""

    x: float
    y: float
    text: str
    size_pt: float = 7.0
    place: str = "start"
    bold: bool = False
    boxed: bool = False
    upright: bool = False  # turned to read from below upwards
    ink: str = "#16191d"

    @property
    def width_mm(self) -> float:
        return len(self.text) * self.size_pt * PT_MM * (_HALF + 0.06 * self.bold)


@dataclass(frozen=True)
class Raster:
    """A PNG that fills a rectangle."""

    x: float
    y: float
    width_mm: float
    height_mm: float
    png: bytes = field(repr=False)


Item = Line | Runs | Area | Words | Raster


@dataclass(frozen=True)
class Drawing:
    """``description`` says in words what is drawn, for those who cannot see it.

    Several papers show it: what it is in their formats is kept.
    """

    width_mm: float
    height_mm: float
    items: tuple[Item, ...]
    description: str
    painted: tuple[str | Words | Raster, ...] | None = field(
        default=None, init=False, repr=False, compare=False
    )

    @cached_property
    def svg(self) -> str:
        """As an inline SVG element that asks for no other file."""
        wide, high = self.width_mm, self.height_mm
        inner = "".join(_svg(item, high) for item in self.items)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:g} {high:g}" '
            f'style="width:{wide:g}mm;max-width:100%" role="img" '
            f'aria-label="{escape(self.description)}">{inner}</svg>'
        )


def box_of(words: Words) -> tuple[float, float, float, float]:
    """Left, low, right, high of boxed words (not turned)."""
    high = words.size_pt * PT_MM
    left = words.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[words.place] * words.width_mm
    return left - 0.6, words.y - 0.35 * high, left + words.width_mm + 0.6, words.y + 0.95 * high


def arrow(tip: Point, tail: Point, length_mm: float = 1.6) -> Line:
    """A filled arrow head whose tip lies away from its tail."""
    dx, dy = tip[0] - tail[0], tip[1] - tail[1]
    size = max((dx * dx + dy * dy) ** 0.5, 1e-9)
    ux, uy = dx / size * length_mm, dy / size * length_mm
    back = (tip[0] - ux, tip[1] - uy)
    side = (-uy * 0.22, ux * 0.22)
    corners = (tip, (back[0] + side[0], back[1] + side[1]), (back[0] - side[0], back[1] - side[1]))
    return Line(corners, 0.05, closed=True, fill="#16191d")


def _svg(item: Item, high: float) -> str:
    if isinstance(item, Line):
        points = " ".join(f"{x:.2f},{high - y:.2f}" for x, y in item.points)
        dash = f' stroke-dasharray="{" ".join(f"{d:g}" for d in item.dash_mm)}"' if item.dash_mm else ""
        return (
            f'<{"polygon" if item.closed else "polyline"} points="{points}" fill="{item.fill or "none"}" '
            f'stroke="{item.ink}" stroke-width="{item.width_mm:g}" stroke-linecap="round" '
            f'stroke-linejoin="round"{dash}/>'
        )
    if isinstance(item, Runs):
        dash = f' stroke-dasharray="{" ".join(f"{d:g}" for d in item.dash_mm)}"' if item.dash_mm else ""
        return (
            f'<path d="{_path(item.runs, high)}" fill="none" stroke="{item.ink}" '
            f'stroke-width="{item.width_mm:g}" stroke-linecap="round" stroke-linejoin="round"{dash}/>'
        )
    if isinstance(item, Area):
        return f'<path d="{_path(item.rings, high)}Z" fill="{item.fill}" fill-rule="evenodd"/>'
    if isinstance(item, Raster):
        data = base64.b64encode(item.png).decode("ascii")
        return (
            f'<image x="{item.x:.2f}" y="{high - item.y - item.height_mm:.2f}" width="{item.width_mm:.2f}" '
            f'height="{item.height_mm:.2f}" href="data:image/png;base64,{data}"/>'
        )
    ground = ""
    if item.boxed:
        left, low, right, top = box_of(item)
        ground = (
            f'<rect x="{left:.2f}" y="{high - top:.2f}" width="{right - left:.2f}" height="{top - low:.2f}" '
            'rx="0.6" fill="#fff" stroke="#16191d" stroke-width="0.1"/>'
        )
    turn = f' transform="rotate(-90 {item.x:.2f} {high - item.y:.2f})"' if item.upright else ""
    weight = ' font-weight="bold"' if item.bold else ""
    return (
        f'{ground}<text x="{item.x:.2f}" y="{high - item.y:.2f}" font-size="{item.size_pt * PT_MM:.2f}" '
        f'text-anchor="{item.place}"{weight}{turn}{_inked(item.ink)}>{escape(item.text)}</text>'
    )


def _path(runs: Sequence[Sequence[Point]], high: float) -> str:
    return "".join("M" + "L".join(f"{x:.2f} {high - y:.2f}" for x, y in run) for run in runs)


def _inked(ink: str) -> str:
    return "" if ink == "#16191d" else f' fill="{ink}"'


def clear_of(
    boxes: Sequence[tuple[float, float, float, float]], box: tuple[float, float, float, float]
) -> bool:
    """Whether a box meets none of the others."""
    return all(box[2] <= b[0] or b[2] <= box[0] or box[3] <= b[1] or b[3] <= box[1] for b in boxes)

"""A drawing's lines and regions as operators of PDF (ISO 32000-1, 8.5): every paper takes them so."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache

from routing.export.report.drawing import Area, Drawing, Item, Line, Point, Raster, Runs, Words


def painted(drawing: Drawing) -> tuple[str | Words | Raster, ...]:
    """In mm; words and pictures, whose coding is each file's own, as they are. Made once for a drawing."""
    if drawing.painted is None:
        object.__setattr__(drawing, "painted", tuple(_together(drawing.items)))
    assert drawing.painted is not None
    return drawing.painted


def _together(items: Sequence[Item]) -> Iterator[str | Words | Raster]:
    run: list[str] = []
    for item in items:
        if isinstance(item, Words | Raster):
            if run:
                yield " ".join(run)
            run = []
            yield item
        else:
            run.append(_operators(item))
    if run:
        yield " ".join(run)


def _operators(item: Line | Runs | Area) -> str:
    if isinstance(item, Area):
        return f"{_colour(item.fill)} rg {''.join(_run(ring) + 'h ' for ring in item.rings)}f*"
    dash = " ".join(f"{d:g}" for d in item.dash_mm)
    look = f"{_colour(item.ink)} RG {item.width_mm:g} w 1 J 1 j [{dash}] 0 d "
    if isinstance(item, Runs):
        return look + "".join(map(_run, item.runs)) + "S"
    fill = f"{_colour(item.fill)} rg " if item.fill else ""
    return f"{look}{fill}{_run(item.points)}{'h ' if item.closed else ''}{'B*' if item.fill else 'S'}"


def _run(points: Sequence[Point]) -> str:
    (x, y), *rest = points
    return f"{x:.3f} {y:.3f} m " + "".join([f"{x:.3f} {y:.3f} l " for x, y in rest])


@cache
def _colour(name: str) -> str:
    from reportlab.lib.colors import toColor

    return " ".join(f"{c:.4g}" for c in toColor(name).rgb())

"""The part's own drawing: its views by the first or third angle, a section, a table of sizes and places."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from featurize.brep.surfaces import Array
from routing.export.report.blocks import Block, Pictures, Section, Table, Text, clean, number
from routing.export.report.drawing import Drawing, Item, Runs, Words
from routing.export.report.gallery import Gallery, marked
from routing.export.report.inked import Fit, Label, placed
from routing.export.report.pictures import MOST_FACES, SHARP, WIDTHS, edges_of
from routing.export.report.setup_sheets import is_machined
from routing.export.report.sized_drawing import (
    ordinate_items,
    projection_symbol,
    scale_for,
    scale_words,
    sized_drawing,
    view_items,
)
from routing.export.sized import Item as Sized
from routing.export.sized import SectionPlane, SizedView, best_plane, from_above, section
from routing.export.sized_dxf import in_a_row, write_views

DRAWING = "drawing.dxf"
_WIDE, _TALL, _GAP, _EDGE = 177.0, 150.0, 20.0, 17.0
# Of each side: right and up in the part's frame, what they count, and where third angle puts the view.
_VIEWS: Mapping[str, tuple[tuple[str, str], tuple[str, str], tuple[int, int]]] = {
    "+z": (("+x", "+y"), ("X", "Y"), (0, 0)),
    "-y": (("+x", "+z"), ("X", "Z"), (0, -1)),
    "+y": (("+x", "-z"), ("X", "-Z"), (0, 1)),
    "+x": (("-z", "+y"), ("-Z", "Y"), (1, 0)),
    "-x": (("+z", "+y"), ("Z", "Y"), (-1, 0)),
    "-z": (("-x", "+y"), ("-X", "Y"), (2, 0)),
}


@dataclass(frozen=True, eq=False)
class _Placed:
    """A view of a side and its cell in the arrangement: columns to the right, rows upwards."""

    view: SizedView
    cell: tuple[int, int]


@dataclass(frozen=True, eq=False)
class PartDrawing:
    """``zero`` (3,) is where all its numbers count from, in model coordinates; ``words`` say what it is."""

    gallery: Gallery
    zero: Array
    words: str
    views: tuple[_Placed, ...]
    cut: SizedView | None
    first_angle: bool

    @property
    def angle(self) -> str:
        return "first angle" if self.first_angle else "third angle"

    @property
    def section(self) -> Section:
        """For the report."""
        blocks: list[Block] = [Pictures(((_arranged(self), ""),))]
        if self.cut is not None:
            blocks.append(Pictures(((sized_drawing(self.cut, _WIDE, 70.0), ""),)))
        table = _table(self.gallery, self.zero)
        blocks += [table, Text(f"Zero of this drawing: {clean(self.words)}.", "note")]
        return Section("Drawing", tuple(blocks), new_page=True)


def of_part(gallery: Gallery, *, first_angle: bool) -> PartDrawing | None:
    """None for a part with too many faces to be drawn in lines."""
    if len(gallery.subject.faces) > MOST_FACES:
        return None
    zero, words = _zero(gallery.content)
    views = tuple(_views(gallery, zero, first_angle))
    plane, cut = _section(gallery, zero)
    if plane is not None and cut is not None:
        first = views[0]
        views = (replace(first, view=marked(first.view, plane)), *views[1:])
    return PartDrawing(gallery, zero, words, views, cut, first_angle)


def write(gallery: Gallery, part: PartDrawing | None, folder: Path) -> None:
    """``drawing.dxf`` of the part, and one for each setup of a machine."""
    name = clean(gallery.content["part"]["name"])
    if part is not None:
        places = _centres(part.views, 1.0, 3 * _GAP)
        found = [(p.view, places[p.cell]) for p in part.views]
        if part.cut is not None:
            found.append((part.cut, np.array([0.0, min(at[1] for at in places.values()) - 120.0])))
        write_views(found, folder / DRAWING, [f"{name}: mm, {part.angle}", f"Zero: {part.words}"])
    for setup in gallery.content["setups"]:
        if is_machined(setup) and gallery.is_drawn(setup) and gallery.sized(setup):
            target = folder / f"drawing_setup_{setup['number']:02}.dxf"
            title = [f"{name}: setup {setup['number']}, {setup['process']} from {setup['from_side']}"]
            write_views(in_a_row(gallery.sized(setup)), target, [*title, f"Zero: {setup['zero']['words']}"])


def _zero(content: Mapping[str, Any]) -> tuple[Array, str]:
    """Where the part's own drawing counts from: the first zero that is picked up on the working side."""
    machined = [s for s in content["setups"] if is_machined(s) and s["zero"]["touched_off"]]
    best = next((s for s in machined if s["from_side"] == "+z"), machined[0] if machined else None)
    best = best or content["setups"][0]
    return np.array(best["zero"]["origin_mm"]), f"that of setup {best['number']}: {best['zero']['words']}"


def _axes(frame: Array, side: str) -> Array:
    right, up = (_direction(frame, s) for s in _VIEWS[side][0])
    return np.array([right, up, np.cross(right, up)])


def _direction(frame: Array, side: str) -> Array:
    return np.asarray((1.0 if side[0] == "+" else -1.0) * frame["xyz".index(side[1])])


def _views(gallery: Gallery, zero: Array, first_angle: bool) -> list[_Placed]:
    """From the working side, from the fuller of each pair of sides, from below where anything opens there."""
    open_ = {
        side: [f["id"] for f in gallery.content["features"] if side in f["opens_to"] and _is_sized(f)]
        for side in _VIEWS
    }
    seen: set[str] = set()
    found = []
    for sides in (("+z",), ("-y", "+y"), ("+x", "-x"), ("-z",)):
        side = max(sides, key=lambda s: len([f for f in open_[s] if f not in seen]))
        own = [f for f in open_[side] if f not in seen]
        if side == "-z" and not own:
            continue
        seen |= set(own)
        _, names, (column, row) = _VIEWS[side]
        axes = _axes(gallery.subject.frame, side)
        view = from_above(
            f"from {side}", gallery.subject.body, axes, zero, names, gallery.items(own), hidden=True
        )
        cell = (-column, -row) if first_angle else (column, row)
        found.append(_Placed(view, cell))
    return found


def _is_sized(feature: Mapping[str, Any]) -> bool:
    return bool(feature["kind"] != "outside face")


def _section(gallery: Gallery, zero: Array) -> tuple[SectionPlane | None, SizedView | None]:
    frame = gallery.subject.frame
    items = gallery.items([f["id"] for f in gallery.content["features"] if _is_sized(f)])
    plane = best_plane(frame, zero, items)
    if plane is None:
        return None, None
    text = f"Section A-A at {plane.words}"
    return plane, section(text, gallery.subject.body.solid, frame, zero, plane, items)


def _centres(views: Sequence[_Placed], scale: float, gap: float) -> dict[tuple[int, int], Array]:
    """Where each view's zero stands on paper, the views of a row and of a column in line."""
    sizes = {p.cell: (p.view.sight.box - p.view.zero) * scale for p in views}
    left, down = (_in_line(sizes, k, gap) for k in (0, 1))
    return {cell: np.array([left[cell[0]], down[cell[1]]]) for cell in sizes}


def _in_line(sizes: Mapping[tuple[int, int], Array], k: int, gap: float) -> dict[int, float]:
    """Where the zeros of columns (``k`` 0) or rows (1) stand, one after the other."""
    found: dict[int, float] = {}
    at = 0.0
    for place in sorted({cell[k] for cell in sizes}):
        boxes = [box for cell, box in sizes.items() if cell[k] == place]
        low, high = min(box[0][k] for box in boxes), max(box[1][k] for box in boxes)
        found[place] = at - low
        at += high - low + gap
    return found


def _arranged(drawn: PartDrawing) -> Drawing:
    """All views at one scale."""
    views = drawn.views
    cells = {p.cell for p in views}
    columns, rows = len({c for c, _ in cells}), len({r for _, r in cells})
    spans = _centres(views, 1.0, 0.0)
    whole = np.array(
        [max(spans[p.cell][k] + (p.view.sight.box[1] - p.view.zero)[k] for p in views) for k in range(2)]
    )
    room = np.array([_WIDE - _GAP * (columns - 1) - _EDGE - 4, _TALL - _GAP * (rows - 1) - _EDGE - 8])
    scale = scale_for(whole, room)
    places = _centres(views, scale, _GAP)
    items: list[Item] = []
    tall = 0.0
    labels: list[Label] = []
    for p in views:
        start = places[p.cell] + [_EDGE, _EDGE]
        low = (p.view.sight.box[0] - p.view.zero) * scale + start
        fit = Fit(p.view.sight.box[0], scale, low)
        high = (p.view.sight.box[1] - p.view.sight.box[0]) * scale + low
        items += view_items(p.view, fit)
        items += _sharp(drawn.gallery, p.view, fit)
        items += ordinate_items(p.view, fit, (low[0], low[1], high[0], high[1]))
        items.append(Words(float(low[0]), float(high[1]) + 2.4, p.view.title, 6.5, bold=True, boxed=True))
        for n in p.view.notes:
            ((x, y),) = fit(np.array([n.at]))
            labels.append(Label(Words(x, y - 0.8, n.id, 6, "middle", boxed=True), 1.0, 4.5))
        tall = max(tall, float(high[1]) + 6.0)
    items += placed(labels, _WIDE, tall)
    text = f"scale {scale_words(scale)}, mm, {drawn.angle}; thick edges stay sharp"
    items.append(Words(14.0, 0.8, text, 6.5, bold=True))
    items += projection_symbol(drawn.first_angle, 0.5, 2.6)
    return Drawing(_WIDE, round(tall, 2), tuple(items), f"The part in {len(views)} views, {text}")


def _sharp(gallery: Gallery, view: SizedView, fit: Fit) -> Iterator[Item]:
    """Edges that stay sharp, over the others."""
    seen = [s for s in view.sight.strokes if not s.hidden]
    verdicts = gallery.subject.verdicts
    runs = tuple(
        fit(s.points)
        for s, place in zip(seen, edges_of(view.sight, seen), strict=True)
        if verdicts.get(place, ("", ""))[0] == SHARP
    )
    if runs:
        yield Runs(runs, WIDTHS[SHARP])


def _table(gallery: Gallery, zero: Array) -> Table:
    """Every feature with its sizes and its place from the zero."""
    by_id = {f["id"]: f for f in gallery.content["features"]}
    rows = [
        (i.id, clean(by_id[i.id]["kind"]), clean(i.words), *_place(i, zero, gallery.subject.frame))
        for i in gallery.items([f for f in by_id if _is_sized(by_id[f])])
    ]
    return Table(("id", "kind", "sizes", "X", "Y", "Z"), tuple(rows), (0.8, 2.2, 5.4, 2.2, 2.2, 2.2))


def _place(item: Sized, zero: Array, frame: Array) -> tuple[str, str, str]:
    local = (item.points - zero) @ frame.T
    low, high = local.min(axis=0), local.max(axis=0)
    words = [
        number(a) if abs(b - a) < 5e-4 else f"{number(a)} to {number(b)}"
        for a, b in zip(low, high, strict=True)
    ]
    if item.axis is not None:
        at, way = (item.axis[0] - zero) @ frame.T, np.abs(item.axis[1] @ frame.T)
        words = [number(float(at[k])) if way[k] < 1e-6 else words[k] for k in range(3)]
    return words[0], words[1], words[2]

"""Sized views as DXF (R2010, mm, true to size): lines and true arcs, dimensions, notes as text."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from featurize.brep.surfaces import Array
from routing.export.dxf_file import drawing
from routing.export.hidden_lines import Stroke
from routing.export.sized import SizedView, spread

# Layer: colour of the format's table, line type, width in hundredths of a mm (ISO 128: wide and narrow).
LAYERS = {
    "VISIBLE": (7, "CONTINUOUS", 35),
    "SMOOTH": (8, "CONTINUOUS", 18),
    "HIDDEN": (8, "DASHED", 18),
    "CENTRE": (1, "CENTER", 18),
    "CUT": (9, "CONTINUOUS", 18),
    "SECTION": (1, "CENTER", 35),
    "SIZES": (3, "CONTINUOUS", 18),
    "NOTES": (9, "CONTINUOUS", 18),
    "ZERO": (6, "CONTINUOUS", 35),
}
_STYLE, _TEXT_MM, _APART_MM = "SIZES", 1.8, 2.8
# From one view to the next.
_GAP_MM = 60.0


def write_views(views: Sequence[tuple[SizedView, Array]], path: Path, title: Sequence[str]) -> None:
    """Each view with where its zero stands in the drawing (2,); the same bytes for the same views."""
    with drawing(path, setup=["linetypes"]) as document:
        for name, (colour, line, width) in LAYERS.items():
            document.layers.add(name, color=colour, linetype=line, lineweight=width)
        style = document.dimstyles.new(_STYLE)
        style.dxf.update(
            {"dimtxt": _TEXT_MM, "dimasz": 0.8, "dimexo": 0.3, "dimexe": 0.5, "dimdec": 3, "dimzin": 8}
        )
        space = document.modelspace()
        for view, zero in views:
            _draw(space, view, np.asarray(zero) - view.zero)
        low = min((float((v.sight.box[0] - v.zero + z)[1]) for v, z in views), default=0.0)
        left = min((float((v.sight.box[0] - v.zero + z)[0]) for v, z in views), default=0.0)
        for n, line in enumerate(title):
            _text(space, line, (left, low - 30 - n * 2 * _TEXT_MM), "NOTES")


def in_a_row(views: Sequence[SizedView]) -> list[tuple[SizedView, Array]]:
    """Views beside each other, the first with its zero at 0."""
    found, right = [], None
    for view in views:
        low, high = view.sight.box - view.zero
        shift = 0.0 if right is None else right + _GAP_MM - float(low[0])
        found.append((view, np.array([shift, 0.0])))
        right = shift + float(high[0])
    return found


def _draw(space: Any, view: SizedView, move: Array) -> None:
    """A view, shifted by ``move`` (2,)."""
    for s in view.sight.strokes:
        layer = "HIDDEN" if s.hidden else "SMOOTH" if s.kind == "smooth" else "VISIBLE"
        _stroke(space, s, move, layer)
    for region in view.cut:
        for ring in (region.exterior, *region.interiors):
            space.add_lwpolyline(np.array(ring.coords)[:-1] + move, close=True, dxfattribs={"layer": "CUT"})
    for c in view.centres:
        at, reach = np.array(c.at) + move, c.radius_mm + 1.5
        for way in np.eye(2):
            space.add_line(at - reach * way, at + reach * way, dxfattribs={"layer": "CENTRE"})
        if c.drawn:
            space.add_circle(at, c.radius_mm, dxfattribs={"layer": "VISIBLE"})
    for letter, ends in view.marks:
        space.add_line(*(ends + move), dxfattribs={"layer": "SECTION"})
        for end in ends + move:
            _text(space, letter, end, "SECTION")
    zero = view.zero + move
    space.add_circle(zero, 1.5, dxfattribs={"layer": "ZERO"})
    space.add_point(zero, dxfattribs={"layer": "ZERO"})
    _ordinates(space, view, move)
    low, high = view.sight.box + move
    tops = spread(sorted(n.at[1] + float(move[1]) for n in view.notes), _APART_MM)
    for note, y in zip(sorted(view.notes, key=lambda n: n.at[1]), tops, strict=True):
        at = np.array(note.at) + move
        start = (float(high[0]) + 8.0, y)
        space.add_lwpolyline([at, (start[0] - 1.0, y + 0.6)], dxfattribs={"layer": "NOTES"})
        _text(space, f"{note.id} {note.words}", start, "NOTES")
    _text(space, f"{view.title}, mm, 1 : 1", (float(low[0]), float(high[1]) + 6.0), "NOTES")


def _stroke(space: Any, stroke: Stroke, move: Array, layer: str) -> None:
    attributes = {"layer": layer}
    if stroke.arc is not None:
        centre = stroke.arc.centre + move
        if stroke.arc.is_whole:
            space.add_circle(centre, stroke.arc.radius_mm, dxfattribs=attributes)
        else:
            start, end = np.degrees([stroke.arc.start, stroke.arc.end])
            space.add_arc(centre, stroke.arc.radius_mm, start, end, dxfattribs=attributes)
    elif len(stroke.points) == 2:
        space.add_line(*(stroke.points + move), dxfattribs=attributes)
    else:
        space.add_lwpolyline(stroke.points + move, dxfattribs=attributes)


def _ordinates(space: Any, view: SizedView, move: Array) -> None:
    low = view.sight.box[0] + move
    for k, name in enumerate((view.right, view.up)):
        own = sorted((o for o in view.ordinates if o.axis == name[-1]), key=lambda o: o.at[k])
        places = spread([o.at[k] + float(move[k]) for o in own], _APART_MM)
        for o, where in zip(own, places, strict=True):
            at = np.array(o.at) + move
            end = np.array([where, low[1] - 6.0]) if k == 0 else np.array([low[0] - 6.0, where])
            add = space.add_ordinate_x_dim if k == 0 else space.add_ordinate_y_dim
            add(
                feature_location=tuple(at),
                offset=tuple(end - at),
                origin=tuple(view.zero + move),
                text=_number(o.value_mm),
                dimstyle=_STYLE,
                dxfattribs={"layer": "SIZES"},
            ).render()


def _number(value: float) -> str:
    return f"{value:.3f}".rstrip("0").rstrip(".")


def _text(space: Any, words: str, at: Any, layer: str) -> None:
    text = space.add_text(words, dxfattribs={"layer": layer, "height": _TEXT_MM})
    text.set_placement((float(at[0]), float(at[1])))

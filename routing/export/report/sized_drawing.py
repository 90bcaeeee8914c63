"""Sized views on paper, at a scale of ISO 5455: lines, ordinates from the zero, notes with leaders."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from featurize.brep.surfaces import Array
from routing.export.hidden_lines import EDGES, OUTLINE
from routing.export.report.blocks import number
from routing.export.report.drawing import Drawing, Item, Line, Point, Runs, Words
from routing.export.report.inked import Fit, Key, hatched, shades
from routing.export.sized import Note, SizedView, spread

# ISO 5455, from memory: enlarged, full, reduced.
SCALES = (50.0, 20.0, 10.0, 5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.02)
# Widths of lines by ISO 128: wide 0.35, narrow half of it.
WIDE_MM, NARROW_MM = 0.35, 0.13
_DASHED, _CHAIN = (1.8, 0.9), (3.2, 0.7, 0.4, 0.7)
_GREY = "#6d747c"
# Room beside a view: for ordinates at its left and below, where they stand upright over the title, for notes
# at its right.
LEFT_MM, BELOW_MM, NOTES_MM, ABOVE_MM = 15.0, 10.0, 48.0, 5.0
# Of a letter as wide as a figure.
_FIGURE_MM = 1.25
_TYPE_PT = 6.2
_APART_MM = 2.7
_LETTERS = 40


def scale_for(size: Array, room: Array) -> float:
    """The largest scale of ISO 5455 at which a view (2,) fits a room (2,)."""
    return next((s for s in SCALES if np.all(size * s <= room)), SCALES[-1])


def scale_words(scale: float) -> str:
    return f"{scale:g} : 1" if scale >= 1 else f"1 : {1 / scale:g}"


def sized_drawing(
    view: SizedView,
    width_mm: float,
    most_mm: float,
    *,
    key: Key | None = None,
    scale: float | None = None,
) -> Drawing:
    """A view with ordinates and notes; ``key`` inks faces as ``inked.shades`` does."""
    low, high = view.sight.box
    notes = NOTES_MM if view.notes else 4.0
    rows = _row_count(view.notes)
    lengths = [len(number(o.value_mm)) for o in view.ordinates if o.axis == view.right[-1]]
    below = BELOW_MM + _FIGURE_MM * max(lengths) if lengths else 5.0
    room = np.array([width_mm - LEFT_MM - notes, most_mm - below - ABOVE_MM])
    scale = scale or scale_for(high - low, room)
    tall = max((high - low)[1] * scale, rows * _APART_MM)
    height = tall + below + ABOVE_MM
    start = np.array([LEFT_MM, below + (tall - (high - low)[1] * scale) / 2])
    fit = Fit(low, scale, start)
    items: list[Item] = []
    if key is not None:
        items += shades(view.sight, fit, key, hatched=False)
    items += view_items(view, fit)
    box = (start[0], start[1], start[0] + (high - low)[0] * scale, start[1] + (high - low)[1] * scale)
    items += ordinate_items(view, fit, box)
    items += note_items(view.notes, fit, box[2] + 5.0, height)
    text = f"{view.title}, scale {scale_words(scale)}, mm"
    items.append(Words(LEFT_MM, 0.6, text, 6.5, bold=True))
    return Drawing(width_mm, round(height, 2), tuple(items), text)


def view_items(view: SizedView, fit: Fit) -> list[Item]:
    """The lines of a view, its cut regions, centre lines, the zero, and where it is cut."""
    items: list[Item] = []
    for region in view.cut:
        runs = hatched(fit.region(region), 45.0, 1.4)
        if runs:
            items.append(Runs(runs, NARROW_MM, ink=_GREY))
    looks = ((False, EDGES, WIDE_MM), (False, OUTLINE, WIDE_MM), (False, "smooth", NARROW_MM))
    for hidden, kind, width in looks:
        own = tuple(fit(s.points) for s in view.sight.strokes if s.hidden == hidden and s.kind == kind)
        if own:
            items.append(Runs(own, width))
    behind = tuple(fit(s.points) for s in view.sight.strokes if s.hidden)
    if behind:
        items.append(Runs(behind, NARROW_MM, _DASHED, _GREY))
    for region in view.cut:  # the outline of what is cut is drawn over its hatch
        rings = [region.exterior, *region.interiors]
        items.append(Runs(tuple(fit(np.array(r.coords)) for r in rings), WIDE_MM))
    for c in view.centres:
        ((x, y),) = fit(np.array([c.at]))
        reach = c.radius_mm * fit.scale + 1.5
        if c.drawn:
            turn = np.linspace(0, 2 * np.pi, 49)
            ring = np.array(c.at) + c.radius_mm * np.column_stack([np.cos(turn), np.sin(turn)])
            items.append(Runs((fit(ring),), WIDE_MM))
        items.append(
            Runs((((x - reach, y), (x + reach, y)), ((x, y - reach), (x, y + reach))), NARROW_MM, _CHAIN)
        )
    for letter, ends in view.marks:
        a, b = fit(ends)
        items.append(Line((a, b), NARROW_MM, _CHAIN))
        for end in (a, b):
            items.append(Words(end[0], end[1] + 0.8, letter, 7.5, "middle", bold=True, boxed=True))
    items += zero_items(fit(np.array([view.zero]))[0])
    return items


def zero_items(at: Point) -> list[Item]:
    """The zero: a circle with two of its quarters full."""
    x, y = at
    turn = np.linspace(0, np.pi / 2, 7)
    r = 1.5
    quarters = [
        ((x, y), *((x + s * r * float(np.cos(t)), y + s * r * float(np.sin(t))) for t in turn))
        for s in (1, -1)
    ]
    ring = tuple((x + r * float(np.cos(t)), y + r * float(np.sin(t))) for t in np.linspace(0, 2 * np.pi, 25))
    full: list[Item] = [Line(q, 0.05, closed=True, fill="#16191d") for q in quarters]
    return [Line(ring, 0.2, closed=True, fill="#ffffff"), *full]


def ordinate_items(view: SizedView, fit: Fit, box: tuple[float, float, float, float]) -> list[Item]:
    """Values along the left edge and below, each with a thin line to where it is read."""
    items: list[Item] = []
    left, low, _, _ = box
    across = [o for o in view.ordinates if o.axis == view.right[-1]]
    up = [o for o in view.ordinates if o.axis == view.up[-1]]
    items += row_below(sorted((fit(np.array([o.at]))[0], o.value_mm) for o in across), low)
    items += column(sorted(((fit(np.array([o.at]))[0], o.value_mm) for o in up), key=lambda p: p[0][1]), left)
    return items


# A place on paper, and the value that is read there.
_Read = tuple[Point, float]


def row_below(at: Sequence[_Read], low: float) -> list[Item]:
    """Values under a level, each with a thin line to where it is read; places rise to the right."""
    items: list[Item] = []
    for ((x, y), value), where in zip(at, spread([p[0][0] for p in at], _APART_MM), strict=True):
        run = ((x, y), (x, low - 1.0), (where, low - 4.0), (where, low - 4.6))
        items.append(Line(run, 0.08, ink=_GREY))
        items.append(Words(where + 0.75, low - 5.0, number(value), _TYPE_PT, "end", upright=True))
    return items


def column(at: Sequence[_Read], left: float) -> list[Item]:
    """Values at the left of a line, each with a thin line to where it is read; places rise."""
    items: list[Item] = []
    for ((x, y), value), where in zip(at, spread([p[0][1] for p in at], _APART_MM), strict=True):
        run = ((x, y), (left - 1.0, y), (left - 4.0, where), (left - 4.6, where))
        items.append(Line(run, 0.08, ink=_GREY))
        items.append(Words(left - 5.0, where - 0.75, number(value), _TYPE_PT, "end"))
    return items


def _row_count(notes: Sequence[Note]) -> int:
    return sum(len(_wrapped(n)) for n in notes) + len(notes) // 2


def _wrapped(note: Note) -> list[str]:
    """A note's words in lines that fit beside the view."""
    found = [note.id]
    for piece in filter(None, note.words.split(", ")):
        more = f"{found[-1]}{' ' if found[-1] == note.id else ', '}{piece}"
        if len(more) <= _LETTERS:
            found[-1] = more
        else:
            found[-1] += ","
            found.append(f"  {piece}")
    return found


def note_items(notes: Sequence[Note], fit: Fit, left_mm: float, height_mm: float) -> list[Item]:
    """Words at the right of a view, each with a leader to its place."""
    items: list[Item] = []
    entries = sorted(((fit(np.array([n.at]))[0], _wrapped(n)) for n in notes), key=lambda p: -p[0][1])
    tops: list[float] = []
    heights = [len(lines) * _APART_MM + 0.8 for _, lines in entries]
    # As near to its place as the others let it.
    y = height_mm - ABOVE_MM
    for (at, _), high in zip(entries, heights, strict=True):
        y = min(y, at[1] + high / 2)
        tops.append(y)
        y -= high
    if tops and tops[-1] - heights[-1] < 3.0:  # too low: all that stand close move up
        shift = 3.0 - (tops[-1] - heights[-1])
        for n in range(len(tops) - 1, -1, -1):
            tops[n] += shift
            over = tops[n] - (height_mm - ABOVE_MM if n == 0 else tops[n - 1] - heights[n - 1])
            shift = max(0.0, over) if n else 0.0
            if shift == 0.0:
                break
    for ((x, y), lines), top in zip(entries, tops, strict=True):
        first = top - 2.2
        items.append(Line(((x, y), (left_mm - 1.0, first + 0.7), (left_mm - 0.4, first + 0.7)), 0.08))
        items.append(Line(((x, y), (x, y)), 0.6))
        for n, line in enumerate(lines):
            items.append(Words(left_mm, first - n * _APART_MM, line, _TYPE_PT, bold=False))
    return items


def projection_symbol(first_angle: bool, x: float, y: float) -> list[Item]:
    """A truncated cone by ISO 5456-2: its two views as the angle arranges them."""
    cone = ((0.0, -1.2), (5.0, -2.4), (5.0, 2.4), (0.0, 1.2))  # its small end looks to the left
    left, centre = (x, x + 9.4) if first_angle else (x + 6.8, x + 2.4)
    at = tuple((left + px, y + py) for px, py in cone)
    turn = np.linspace(0, 2 * np.pi, 33)
    rings = tuple(
        tuple((centre + r * float(np.cos(t)), y + r * float(np.sin(t))) for t in turn) for r in (1.2, 2.4)
    )
    return [Line(at, 0.2, closed=True), Runs(rings, 0.2)]

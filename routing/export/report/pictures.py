"""Pictures of the part: each process a hatch and a letter of its own, sharp edges thick, features named."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from featurize.brep.surfaces import Array
from routing.export.palette import colours, rgb
from routing.export.report.drawing import Drawing, Item, Line, Raster, Words, box_of, clear_of
from routing.export.report.render import Eye, Shot, areas, middle_of, shoot, visible
from routing.export.viewer.mesh import Mesh
from routing.processes.rooms import signs

Bytes = NDArray[np.uint8]

# Pixels on a millimetre of paper: 254 to the inch.
DENSITY = 10.0
SHARP, BREAK, FREE = "keep sharp", "must break", "may break"
_WIDTHS = {SHARP: 0.65, BREAK: 0.45, FREE: 0.16}
_DASH = {BREAK: (1.3, 0.9)}
_SHADES = 8
_HATCH, _HATCH_LINE = 10.0, 1.7  # pixels from line to line, and of a line
# A feature that is narrower than this each way from its middle has no room for its name.
_ROOM_MM = 1.9
# Edges shorter than this on paper bear no id: the table has them all.
_SHORT_MM = 4.0
# Shares of the part's size: between two operations when taken apart, and the most in all.
_STEP, _FARTHEST = 0.3, 0.75


@dataclass(frozen=True, eq=False)
class Subject:
    """What is drawn: ``faces`` has the palette key and the feature of each face of the mesh.

    ``verdicts`` has those of edges by their place, ``frame`` (3, 3) the part's axes in rows.
    """

    mesh: Mesh
    faces: Sequence[tuple[str, str]]
    verdicts: Mapping[int, tuple[str, str]]  # verdict and id
    frame: Array


@dataclass(frozen=True)
class Label:
    """Words for a place; the heavier is set first, at least ``reach_mm`` from its place."""

    words: Words
    weight: float
    reach_mm: float


def picture(
    subject: Subject,
    view: str,
    width_mm: float,
    height_mm: float,
    told: str,
    *,
    moves: Array | None = None,
    scale: float | None = None,
    names: Mapping[str, str] | None = None,
    edges_only: bool = False,
) -> Drawing:
    """The part from a side or corner; ``scale`` (paper mm for a model mm) where pictures share one.

    ``names`` has the words written on each feature. With ``edges_only`` the faces stay white and the edges
    that are not free bear their ids.
    """
    size = (round(width_mm * DENSITY), round(height_mm * DENSITY))
    eye = Eye.of(subject.frame, view)
    shot = shoot(subject.mesh, eye, size, moves, None if scale is None else scale * DENSITY)
    items: list[Item] = [] if edges_only else [Raster(0, 0, width_mm, height_mm, _fill(subject, shot))]
    lines, marks = _lines(subject, shot, moves, height_mm, edges_only)
    items += lines
    if edges_only:
        items += _placed(marks, width_mm, height_mm)
    elif names:
        items += _placed(_names(subject, shot, names, height_mm), width_mm, height_mm)
    return Drawing(width_mm, height_mm, tuple(items), told)


def height_of(
    subject: Subject, view: str, width_mm: float, most_mm: float, moves: Array | None = None
) -> float:
    """How high a picture must be for a part that fills its width or the most of height."""
    points = subject.mesh.positions[subject.mesh.triangles]
    if moves is not None:
        points = points + moves[subject.mesh.face_of_triangle][:, None]
    wide, tall = np.ptp((points @ Eye.of(subject.frame, view).axes[:2].T).reshape(-1, 2), axis=0)
    return float(min(tall * (width_mm - 2) / wide + 2, most_mm))


def scale_of(subject: Subject, views: Sequence[str], width_mm: float, most_mm: float) -> dict[str, float]:
    """One scale for several views within a width and a height: the height (mm) of each, and "scale"."""
    spans = {}
    for view in views:
        flat = subject.mesh.positions @ Eye.of(subject.frame, view).axes[:2].T
        spans[view] = np.ptp(flat, axis=0)
    scale = min(min((width_mm - 8) / w, (most_mm - 8) / h) for w, h in spans.values())
    return {view: float(h * scale + 8) for view, (_, h) in spans.items()} | {"scale": float(scale)}


def legend(keys: Sequence[str]) -> Drawing:
    """Hatch, letter and name of each process, and the looks of edges."""
    items: list[Item] = []
    wide, step, high = 9.0, 59.0, 7.0
    size = (round(4.5 * DENSITY), round(wide * DENSITY))
    every = tuple(colours())
    used = [k for k in every if k in keys]
    kinds = [(SHARP, "edge stays sharp"), (BREAK, "edge must be broken"), (FREE, "edge may be broken")]
    rows = -(-len(used) // 3)
    total = (rows + 1) * high
    for n, key in enumerate(used):
        x, y = (n % 3) * step, total - (n // 3 + 1) * high + 1
        png = _png(np.full(size, every.index(key), np.uint8), np.full(size, 1.0))
        items += [
            Raster(x, y, wide, 4.5, png),
            Line(((x, y), (x + wide, y), (x + wide, y + 4.5), (x, y + 4.5)), closed=True),
            Words(x + wide + 1.5, y + 1.3, f"{signs()[key].letter}  {signs()[key].said or key}", 8),
        ]
    for n, (verdict, said) in enumerate(kinds):
        x, y = n * step, 3.0
        items.append(Line(((x, y), (x + wide, y)), _WIDTHS[verdict], _DASH.get(verdict, ())))
        items.append(Words(x + wide + 1.5, y - 0.9, said, 8))
    return Drawing(177, total, tuple(items), "Legend of hatches and edges")


def exploded(subject: Subject, step_of: Mapping[str, tuple[int, Array]]) -> Array:
    """How far each face moves: ``step_of`` has the rank of a feature's last operation and its side.

    What is cut last lies nearest; each side counts its own steps.
    """
    moves = np.zeros((len(subject.faces), 3))
    size = float(np.max(subject.mesh.high - subject.mesh.low))
    ranks: dict[tuple[float, ...], list[int]] = {}
    for rank, side in sorted(step_of.values(), key=lambda s: -s[0]):
        on_side = ranks.setdefault(tuple(side), [])
        on_side += [rank] if rank not in on_side else []
    for face, (_, feature) in enumerate(subject.faces):
        if feature in step_of:
            rank, side = step_of[feature]
            on_side = ranks[tuple(side)]
            step = min(_STEP, _FARTHEST / len(on_side)) * size
            moves[face] = side * step * (on_side.index(rank) + 1)
    return moves


def _fill(subject: Subject, shot: Shot) -> bytes:
    every = tuple(colours())
    keys = np.array([every.index(key) for key, _ in subject.faces] + [len(every)], np.uint8)
    return _png(keys[shot.faces], shot.light)


def _png(keys: Bytes, light: Array) -> bytes:
    """An indexed PNG: a shade of the process's colour, its hatch in a darker one."""
    from PIL import Image

    shade = np.clip(light * _SHADES, 0, _SHADES - 1).astype(np.uint8)
    index = (keys * _SHADES + shade) * 2 + _hatched(keys)
    count = len(colours())
    index[keys == count] = 2 * _SHADES * count
    image = Image.fromarray(index, "P")
    image.putpalette(_palette())
    made = io.BytesIO()
    image.save(made, "PNG", optimize=True)
    return made.getvalue()


def _palette() -> list[int]:
    found: list[int] = []
    for key in colours():
        own = np.array(rgb(key))
        for n in range(_SHADES):
            share = (n + 1) / _SHADES
            ground = (own * 0.40 + 0.60) * (0.62 + 0.38 * share)
            found += [*(ground * 255).astype(int).tolist(), *(own * 0.62 * 255).astype(int).tolist()]
    return [*found, 255, 255, 255]


def _hatched(keys: Bytes) -> Bytes:
    """1 on the hatch of each process: it tells them apart without colour."""
    found = np.zeros(keys.shape, np.uint8)
    every = tuple(colours())
    present = np.bincount(keys.ravel(), minlength=len(every)) > 0
    for key, sign in signs().items():
        if not present[every.index(key)]:
            continue
        y, x = np.nonzero(keys == every.index(key))
        for turn in np.radians(sign.hatch_deg):
            across = x * np.sin(turn) + y * np.cos(turn)  # rows run down the paper
            dark = across % _HATCH < _HATCH_LINE
            found[y[dark], x[dark]] = 1
    return found


def _lines(
    subject: Subject, shot: Shot, moves: Array | None, height_mm: float, marked: bool
) -> tuple[list[Item], list[Label]]:
    found: dict[str, list[Item]] = {FREE: [], BREAK: [], SHARP: []}
    marks: dict[str, Label] = {}
    for edge in subject.mesh.edges:
        verdict, name = subject.verdicts.get(edge.place, (FREE, ""))
        for stretch in visible(shot, edge, moves):
            paper = stretch / DENSITY * [1, -1] + [0, height_mm]
            points = tuple((round(float(x), 2), round(float(y), 2)) for x, y in paper)
            found[verdict].append(Line(points, _WIDTHS[verdict], _DASH.get(verdict, ())))
            length = float(np.linalg.norm(np.diff(paper, axis=0), axis=1).sum())
            known = marks[name].weight if name in marks else _SHORT_MM
            if marked and name and verdict != FREE and length > known:
                x, y = paper[len(paper) // 2] if len(paper) > 2 else paper.mean(axis=0)
                words = Words(float(x), float(y) - 0.8, name, 5.5, "middle", boxed=True)
                marks[name] = Label(words, length, 0.0)
    return [line for lines in found.values() for line in lines], list(marks.values())


def _names(subject: Subject, shot: Shot, names: Mapping[str, str], height_mm: float) -> list[Label]:
    """Words for each feature that is seen, in the widest place of it."""
    of = np.array([*(list(names).index(f) if f in names else -1 for _, f in subject.faces), -1])
    owner = of[shot.faces][::3, ::3]
    size = areas(shot)
    found = []
    for n, (feature, text) in enumerate(names.items()):
        mask = owner == n
        if mask.sum() < 6:
            continue
        (x, y), depth = middle_of(mask)
        words = Words(
            (3 * x + 1.5) / DENSITY,
            height_mm - (3 * y + 1.5) / DENSITY - 0.8,
            text,
            6.5,
            "middle",
            boxed=True,
        )
        area = sum(size.get(i, 0) for i, (_, f) in enumerate(subject.faces) if f == feature)
        # A small one is named beside it, not hidden by its own name.
        found.append(Label(words, float(area), 0.0 if 3 * depth / DENSITY > _ROOM_MM else 4.5))
    return found


def _placed(wanted: Sequence[Label], width_mm: float, height_mm: float) -> list[Item]:
    """The widest first; what finds no room on its place goes beside it on a leader, or is left out."""
    taken: list[tuple[float, float, float, float]] = []
    leaders: list[Item] = []
    labels: list[Item] = []
    for label in sorted(wanted, key=lambda w: (-w.weight, w.words.text)):
        words = label.words
        for reach in (r for r in (0.0, 4.5, 7.0, 10.0, 14.0) if r >= label.reach_mm):
            spot = next(
                (
                    moved
                    for turn in np.arange(0, 360, 30 if reach else 360)
                    if (moved := _moved(words, reach, float(turn)))
                    and _inside(box_of(moved), width_mm, height_mm)
                    and clear_of(taken, box_of(moved))
                ),
                None,
            )
            if spot is None:
                continue
            taken.append(box_of(spot))
            labels.append(spot)
            if reach:
                start = (words.x, words.y + 0.8)
                leaders.append(Line((start, (spot.x, spot.y + 0.8)), 0.12))
                leaders.append(Line((start, start), 0.7))
            break
    return [*leaders, *labels]


def _moved(words: Words, reach_mm: float, turn_deg: float) -> Words:
    turn = np.radians(turn_deg)
    x, y = words.x + reach_mm * float(np.cos(turn)), words.y + reach_mm * float(np.sin(turn))
    return Words(x, y, words.text, words.size_pt, words.place, boxed=True)


def _inside(box: tuple[float, float, float, float], width_mm: float, height_mm: float) -> bool:
    return box[0] > 0 and box[1] > 0 and box[2] < width_mm and box[3] < height_mm


def subject_of(mesh: Mesh, faces: Sequence[tuple[str, str]], content: Mapping[str, Any]) -> Subject:
    """``faces`` has (palette key, label) of each face of the mesh."""
    verdicts = {edge["place"]: (edge["verdict"], edge["id"]) for edge in content["edges"]}
    frame = np.array([content["part"]["frame"][k] for k in "xyz"])
    return Subject(mesh, [(key, label.split()[-1]) for key, label in faces], verdicts, frame)

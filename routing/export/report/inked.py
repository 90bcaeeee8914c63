"""What is seen of solids, inked for paper: faces in shades and hatches, lines, places for names.

A face has the colour of its process in a light shade and that process's hatch, so that it is told apart
without colour too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from featurize.brep.surfaces import Array
from routing.export.hidden_lines import Body, Cell, HiddenLineView
from routing.export.palette import rgb
from routing.export.report.drawing import Area, Item, Point, Runs, Words, box_of, clear_of
from routing.export.report.drawing import Line as InkLine
from routing.processes.rooms import signs

# From line to line of a hatch, and its lines' width, on paper.
HATCH_MM, HATCH_LINE_MM = 1.1, 0.16
# Where light comes from: over the eye's left shoulder.
_LAMP = np.array([-0.33, 0.54, 0.77])
_DARK = 0.62


@dataclass(frozen=True, eq=False)
class Fit:
    """From a view's mm to paper: ``low`` of the view lies at ``edge`` on the paper."""

    low: Array
    scale: float
    edge: Array

    @classmethod
    def of(cls, box: Array, width_mm: float, height_mm: float, scale: float | None = None) -> Fit:
        """A box (2, 2) in the middle of a paper, as large as fits with a margin or at a scale."""
        size = np.maximum(box[1] - box[0], 1e-9)
        paper = np.array([width_mm, height_mm])
        scale = scale or float(np.min((paper - 2) / size))
        return cls(box[0], scale, (paper - size * scale) / 2)

    def __call__(self, points: Array) -> tuple[Point, ...]:
        flat = (np.asarray(points)[..., :2] - self.low) * self.scale + self.edge
        return tuple((round(float(x), 3), round(float(y), 3)) for x, y in flat.reshape(-1, 2))

    def region(self, region: object) -> object:
        """A shapely region on paper."""
        return shapely.transform(region, lambda at: (at - self.low) * self.scale + self.edge)


# The sign (palette key) or plain colour ("#rrggbb") that a face of a body is inked in, None for white.
Key = Callable[[int, int], str | None]


def shades(sight: HiddenLineView, fit: Fit, key: Key, *, hatched: bool = True) -> list[Item]:
    """The faces that are seen, each in one shade, and the hatches over them."""
    tones: dict[str, list[Cell]] = {}
    by_key: dict[str, list[Cell]] = {}
    for cell in sight.cells:
        if cell.face < 0 or (name := key(cell.body, cell.face)) is None:
            continue
        tones.setdefault(tone(name, _light(sight.bodies[cell.body], cell.face, sight.axes)), []).append(cell)
        by_key.setdefault(name, []).append(cell)
    items: list[Item] = [
        Area(
            tuple(fit(np.array(r.coords)) for c in cells for r in (c.region.exterior, *c.region.interiors)), t
        )
        for t, cells in tones.items()
    ]
    if hatched:
        for name, cells in ((n, c) for n, c in by_key.items() if n in signs()):
            items += hatch(fit.region(shapely.union_all([c.region for c in cells])), name)
    return items


def _light(body: Body, face: int, axes: Array) -> float:
    """How light a face is, from 0 to 1, by the mean of its normals."""
    if face not in body.kept:
        own = body.mesh.triangles[body.mesh.face_of_triangle == face]
        body.kept[face] = body.mesh.normals[own.ravel()].mean(axis=0)
    normal = axes @ body.kept[face]
    return float(np.clip(0.5 + 0.35 * max(normal @ _LAMP, 0.0) + 0.2 * max(normal[2], 0.0), 0.0, 1.0))


def tone(name: str, light: float = 1.0) -> str:
    """A process's ground colour in a light from 0 to 1."""
    shade = np.ceil(light * 8) / 8
    own = np.array(rgb(name)) * 0.40 + 0.60 if name in signs() else _parsed(name)
    ground = own * (_DARK + (1 - _DARK) * shade)
    return _hex(ground)


def _parsed(colour: str) -> Array:
    return np.array([int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])


def _hex(colour: Array) -> str:
    return "#" + "".join(f"{round(float(c) * 255):02x}" for c in np.clip(colour, 0, 1))


def hatch(region: object, name: str) -> list[Item]:
    """The hatch of a process over a region on paper (shapely)."""
    found: list[Item] = []
    ink = _hex(np.array(rgb(name)) * _DARK)
    for turn in signs()[name].hatch_deg:
        runs = hatched(region, float(turn), HATCH_MM)
        if runs:
            found.append(Runs(runs, HATCH_LINE_MM, ink=ink))
    return found


def hatched(region: object, turn_deg: float, apart_mm: float) -> tuple[tuple[Point, ...], ...]:
    """Parallel lines over a region, at an angle."""
    a, b, c, d = shapely.bounds(region)
    if not np.isfinite(a):
        return ()
    along = np.array([np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))])
    across = np.array([-along[1], along[0]])
    corners = np.array([(a, b), (a, d), (c, b), (c, d)])
    low, high = (corners @ across).min(), (corners @ across).max()
    start, end = (corners @ along).min(), (corners @ along).max()
    steps = np.arange(np.ceil(low / apart_mm), np.floor(high / apart_mm) + 1) * apart_mm
    lines = [np.array([s * across + start * along, s * across + end * along]) for s in steps]
    if not lines:
        return ()
    cut = shapely.intersection(shapely.linestrings(np.array(lines)), region)
    parts = shapely.get_parts(cut)
    runs = [p for p in parts if p.geom_type == "LineString" and p.length > 0.1]
    return tuple(tuple((round(x, 2), round(y, 2)) for x, y in r.coords) for r in runs)


@dataclass(frozen=True)
class Label:
    """Words for a place; the heavier is set first, at least ``reach_mm`` from its place."""

    words: Words
    weight: float
    reach_mm: float


# A feature that is narrower than this each way from its middle has no room for its name.
ROOM_MM = 1.9


def named(sight: HiddenLineView, fit: Fit, names: Mapping[str, str], feature_of: Key) -> list[Label]:
    """Words for each feature that is seen, in the widest place of it; ``feature_of`` tells that of a face."""
    own: dict[str, list[Cell]] = {}
    for cell in sight.cells:
        if cell.face >= 0 and (feature := feature_of(cell.body, cell.face)) is not None and feature in names:
            own.setdefault(feature, []).append(cell)
    found = []
    for feature, cells in own.items():
        region = fit.region(shapely.union_all([c.region for c in cells], grid_size=1e-5))
        parts = [p for p in shapely.get_parts(region) if p.geom_type == "Polygon"]
        widest = max(parts, key=lambda p: float(p.area), default=None)
        if widest is None or widest.area < 0.05:
            continue
        (x, y), rim = np.array(shapely.maximum_inscribed_circle(widest, 0.2).coords)
        room = float(np.hypot(*(rim - (x, y))))
        words = Words(float(x), float(y) - 0.8, names[feature], 6.5, "middle", boxed=True)
        # A small one is named beside it, not hidden by its own name.
        found.append(Label(words, sum(float(p.area) for p in parts), 0.0 if room > ROOM_MM else 4.5))
    return found


def placed(wanted: Sequence[Label], width_mm: float, height_mm: float) -> list[Item]:
    """The heaviest first; what finds no room on its place goes beside it on a leader, or is left out."""
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
                leaders.append(InkLine((start, (spot.x, spot.y + 0.8)), 0.12))
                leaders.append(InkLine((start, start), 0.7))
            break
    return [*leaders, *labels]


def _moved(words: Words, reach_mm: float, turn_deg: float) -> Words:
    turn = np.radians(turn_deg)
    x, y = words.x + reach_mm * float(np.cos(turn)), words.y + reach_mm * float(np.sin(turn))
    return Words(x, y, words.text, words.size_pt, words.place, boxed=True)


def _inside(box: tuple[float, float, float, float], width_mm: float, height_mm: float) -> bool:
    return box[0] > 0 and box[1] > 0 and box[2] < width_mm and box[3] < height_mm

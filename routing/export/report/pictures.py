"""Pictures of the part: each process a hatch and a letter of its own, sharp edges thick, features named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely

from featurize.brep.surfaces import Array
from routing.export.hidden_lines import OUTLINE, Body, HiddenLineView, Stroke, look
from routing.export.palette import colours
from routing.export.report import raster
from routing.export.report.drawing import Area, Drawing, Item, Line, Runs, Words
from routing.export.report.eye import axes_of
from routing.export.report.inked import Fit, Label, hatch, named, placed, shades, tone
from routing.export.viewer.mesh import ViewMesh
from routing.processes.rooms import signs

SHARP, BREAK, FREE = "keep sharp", "must break", "may break"
WIDTHS = {SHARP: 0.65, BREAK: 0.45, FREE: 0.16}
DASH: dict[str, tuple[float, ...]] = {BREAK: (1.3, 0.9)}
# Hidden-line removal takes over a second a view from here on: such parts are drawn in pixels.
MOST_FACES = 900
# Edges shorter than this on paper bear no id: the table has them all.
_SHORT_MM = 4.0
# An edge of the model is that of a line in the view no farther from it than this.
_SAME_MM = 0.03
# Shares of the part's size: between two operations when taken apart, and the most in all.
_STEP, _FARTHEST = 0.3, 0.75


@dataclass(frozen=True, eq=False)
class Subject:
    """What is drawn: ``faces`` has the palette key and the feature of each face of the body.

    ``verdicts`` has those of edges by their place, ``frame`` (3, 3) the part's axes in rows.
    """

    body: Body
    faces: Sequence[tuple[str, str]]
    verdicts: Mapping[int, tuple[str, str]]  # verdict and id
    frame: Array
    _sights: dict[str, HiddenLineView] = field(default_factory=dict, repr=False)

    @property
    def mesh(self) -> ViewMesh:
        return self.body.mesh

    def sight(self, view: str) -> HiddenLineView:
        """From a side or corner; each is worked out once."""
        if view not in self._sights:
            self._sights[view] = look([self.body], axes_of(self.frame, view))
        return self._sights[view]


def picture(
    subject: Subject,
    view: str,
    width_mm: float,
    height_mm: float,
    caption: str,
    *,
    scale: float | None = None,
    names: Mapping[str, str] | None = None,
    edges_only: bool = False,
) -> Drawing:
    """The part from a side or corner; ``scale`` (paper mm for a model mm) where pictures share one.

    ``names`` has the words written on each feature. With ``edges_only`` the faces stay white and the edges
    that are not free bear their ids.
    """
    if len(subject.faces) > MOST_FACES:
        fills, lines, spots = _in_pixels(subject, view, width_mm, height_mm, scale, names or {})
    else:
        fills, lines, spots = _in_lines(subject, view, width_mm, height_mm, scale, names or {})
    items: list[Item] = [] if edges_only else fills
    marks: dict[str, Label] = {}
    for verdict in (FREE, BREAK, SHARP):
        runs = tuple(points for v, _, points in lines if v == verdict)
        if runs:
            items.append(Runs(runs, WIDTHS[verdict], DASH.get(verdict, ())))
    for verdict, name, points in lines:
        paper = np.array(points)
        length = float(np.linalg.norm(np.diff(paper, axis=0), axis=1).sum())
        known = marks[name].weight if name in marks else _SHORT_MM
        if edges_only and name and verdict != FREE and length > known:
            x, y = paper[len(paper) // 2] if len(paper) > 2 else paper.mean(axis=0)
            words = Words(float(x), float(y) - 0.8, name, 5.5, "middle", boxed=True)
            marks[name] = Label(words, length, 0.0)
    items += placed(list(marks.values()) if edges_only else spots, width_mm, height_mm)
    return Drawing(width_mm, height_mm, tuple(items), caption)


# Verdict, id and points on paper of a line.
_Inked = tuple[str, str, tuple[tuple[float, float], ...]]


def _in_lines(
    subject: Subject,
    view: str,
    width_mm: float,
    height_mm: float,
    scale: float | None,
    names: Mapping[str, str],
) -> tuple[list[Item], list[_Inked], list[Label]]:
    sight = subject.sight(view)
    fit = Fit.of(sight.box, width_mm, height_mm, scale)
    fills = shades(sight, fit, lambda _, face: subject.faces[face][0])
    edges = edges_of(sight, sight.strokes)
    lines = [
        (*subject.verdicts.get(place, (FREE, "")), fit(s.points))
        for s, place in zip(sight.strokes, edges, strict=True)
    ]
    spots = named(sight, fit, names, lambda _, face: subject.faces[face][1]) if names else []
    return fills, lines, spots


def _in_pixels(
    subject: Subject,
    view: str,
    width_mm: float,
    height_mm: float,
    scale: float | None,
    names: Mapping[str, str],
) -> tuple[list[Item], list[_Inked], list[Label]]:
    shot = raster.shot_of(subject.mesh, axes_of(subject.frame, view), width_mm, height_mm, scale)
    keys, features = ([pair[k] for pair in subject.faces] for k in (0, 1))
    lines = [
        (
            *subject.verdicts.get(place, (FREE, "")),
            tuple((round(float(x), 2), round(float(y), 2)) for x, y in at),
        )
        for place, at in raster.lines(shot, subject.mesh, height_mm)
    ]
    spots = raster.named(shot, features, names, height_mm) if names else []
    return [raster.shaded(shot, keys, width_mm, height_mm)], lines, spots


def edges_of(sight: HiddenLineView, strokes: Sequence[Stroke]) -> list[int]:
    """The place of the edge that each line in the view is of: of several behind each other the nearest."""
    lines, places, owners, heights = [], [], [], []
    for n, body in enumerate(sight.bodies):
        for edge in body.mesh.edges:
            flat = edge.points @ sight.axes.T
            if float(np.ptp(flat[:, :2], axis=0).max()) > _SAME_MM:
                lines.append(shapely.linestrings(flat[:, :2]))
                places.append(edge.place)
                owners.append(n)
                heights.append(flat)
    if not lines:
        return [-1] * len(strokes)
    middles = [_middle(s.points) for s in strokes]
    found = [-1] * len(strokes)
    best = [-np.inf] * len(strokes)
    pairs = shapely.STRtree(lines).query(shapely.points(np.array(middles)), "dwithin", _SAME_MM)
    for stroke, line in pairs.T:
        if strokes[stroke].kind == OUTLINE or owners[line] != strokes[stroke].body:
            continue
        share = shapely.line_locate_point(lines[line], shapely.Point(middles[stroke]), normalized=True)
        depth = _height_at(heights[line], float(share))
        if depth > best[stroke] + 1e-6:
            best[stroke], found[stroke] = depth, places[line]
    return found


def _middle(points: Array) -> Array:
    if len(points) == 2:
        return np.asarray(points.mean(axis=0))
    return np.asarray(points[len(points) // 2])


def _height_at(points: Array, share: float) -> float:
    lengths = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points[:, :2], axis=0), axis=1))])
    return float(np.interp(share * lengths[-1], lengths, points[:, 2]))


def height_of(subject: Subject, view: str, width_mm: float, most_mm: float) -> float:
    """How high a picture must be for a part that fills its width or the most of height."""
    wide, tall = np.ptp(subject.mesh.positions @ axes_of(subject.frame, view)[:2].T, axis=0)
    return float(min(tall * (width_mm - 2) / wide + 2, most_mm))


def scale_of(subject: Subject, views: Sequence[str], width_mm: float, most_mm: float) -> dict[str, float]:
    """One scale for several views within a width and a height: the height (mm) of each, and "scale"."""
    spans = {
        view: np.ptp(subject.mesh.positions @ axes_of(subject.frame, view)[:2].T, axis=0) for view in views
    }
    scale = min(min((width_mm - 8) / w, (most_mm - 8) / h) for w, h in spans.values())
    return {view: float(h * scale + 8) for view, (_, h) in spans.items()} | {"scale": float(scale)}


def legend(keys: Sequence[str]) -> Drawing:
    """Hatch, letter and name of each process, and the looks of edges."""
    items: list[Item] = []
    wide, step, high = 9.0, 59.0, 7.0
    used = [k for k in colours() if k in keys]
    kinds = [(SHARP, "edge stays sharp"), (BREAK, "edge must be broken"), (FREE, "edge may be broken")]
    rows = -(-len(used) // 3)
    total = (rows + 1) * high
    for n, key in enumerate(used):
        x, y = (n % 3) * step, total - (n // 3 + 1) * high + 1
        corners = ((x, y), (x + wide, y), (x + wide, y + 4.5), (x, y + 4.5))
        items += swatch(key, corners)
        items += [
            Line(corners, closed=True),
            Words(x + wide + 1.5, y + 1.3, f"{signs()[key].letter}  {signs()[key].label or key}", 8),
        ]
    for n, (verdict, text) in enumerate(kinds):
        x, y = n * step, 3.0
        items.append(Line(((x, y), (x + wide, y)), WIDTHS[verdict], DASH.get(verdict, ())))
        items.append(Words(x + wide + 1.5, y - 0.9, text, 8))
    return Drawing(177, total, tuple(items), "Legend of hatches and edges")


def swatch(key: str, corners: tuple[tuple[float, float], ...]) -> list[Item]:
    """A process's shade and hatch over a region given by its corners."""
    light = shapely.Polygon(corners)
    return [Area((corners,), tone(key)), *hatch(light, key)]


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


def subject_of(
    solid: Any, mesh: ViewMesh, faces: Sequence[tuple[str, str]], content: Mapping[str, Any]
) -> Subject:
    """``faces`` has (palette key, label) of each face of the solid."""
    verdicts = {edge["place"]: (edge["verdict"], edge["id"]) for edge in content["edges"]}
    frame = np.array([content["part"]["frame"][k] for k in "xyz"])
    return Subject(Body(solid, mesh), [(key, label.split()[-1]) for key, label in faces], verdicts, frame)

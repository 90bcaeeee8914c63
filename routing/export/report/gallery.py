"""What several papers show, made once for a job: stock and fixtures of each setup, and their views."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from featurize.brep.shapes import FACE, each
from featurize.brep.surfaces import Array
from routing.export import kept_bodies
from routing.export.hidden_lines import Body, HiddenLineView, look
from routing.export.report.drawing import Drawing, Item, Line, Runs, Words, arrow
from routing.export.report.eye import axes_of
from routing.export.report.inked import Fit, shades
from routing.export.report.pictures import MOST_FACES, Subject
from routing.export.report.sized_drawing import zero_items
from routing.export.sized import Item as Sized
from routing.export.sized import SectionPlane, SizedView, best_plane, from_above, items_of, mark_of, section
from routing.export.viewer.mesh import mesh_of

# A face of the stock that lies this near to the stock before is no new one; round ones are chords.
_FLAT_MM, _ROUND_MM = 0.004, 0.06
_STOCK, _FIXTURE = "#eceae4", "#b9c3cd"
# What no file of the stock shows, so that its rows are drawn.
_START = "start hole"
# Length of the axes on paper.
_ARROWS_MM = (14.0, 14.0, 14.0)
_INK = "#a3112f"


@dataclass(frozen=True, eq=False)
class Gallery:
    """``folder`` has the stock files that the route file names; ``fixtures`` (name, solid) by setup."""

    content: Mapping[str, Any]
    subject: Subject
    folder: Path
    fixtures: Mapping[int, Sequence[tuple[str, Any]]]
    _solids: dict[str, Any] = field(default_factory=dict, repr=False)
    _stocks: dict[str, Body] = field(default_factory=dict, repr=False)
    _sights: dict[tuple[int, str], HiddenLineView] = field(default_factory=dict, repr=False)
    _views: dict[int, tuple[SizedView, ...]] = field(default_factory=dict, repr=False)
    _meshes: dict[int, Body] = field(default_factory=dict, repr=False)
    _items: dict[str, Sized] = field(default_factory=dict, repr=False)

    def stock(self, file: str) -> Body:
        if file not in self._stocks:
            solid = self._solid(file)
            self._stocks[file] = Body(solid, mesh_of(solid))
        return self._stocks[file]

    def _solid(self, file: str) -> Any:
        if file not in self._solids:
            self._solids[file] = kept_bodies.body(self.folder, file)
        return self._solids[file]

    def _fixtures(self, number: int) -> list[Body]:
        found = []
        for _, solid in self.fixtures.get(number, ()):
            if id(solid) not in self._meshes:
                self._meshes[id(solid)] = Body(solid, mesh_of(solid))
            found.append(self._meshes[id(solid)])
        return found

    def is_drawn(self, setup: Mapping[str, Any]) -> bool:
        """Whether there is stock to show, of no more faces than lines are drawn of."""
        files = (setup["stock_before"], setup["stock_after"])
        return all(f is not None and len(each(self._solid(f), FACE)) <= MOST_FACES for f in files)

    def before(self, setup: Mapping[str, Any], width_mm: float, most_mm: float) -> Drawing:
        """The stock as it comes, what holds it, the zero and its axes."""
        sight = self._sight(setup, "before")
        fit, height = _fitted(sight, width_mm, most_mm, setup)
        items = shades(sight, fit, lambda body, _: _STOCK if body == 0 else _FIXTURE, hatched=False)
        items += [Runs(tuple(fit(s.points) for s in sight.strokes), 0.18)]
        items += _axes_items(setup, sight, fit)
        return Drawing(
            width_mm, height, tuple(items), f"Setup {setup['number']}: the stock as it comes, held"
        )

    def after(self, setup: Mapping[str, Any], width_mm: float, most_mm: float) -> Drawing:
        """The stock as it leaves, what was cut in the hatch of the process."""
        sight = self._sight(setup, "after")
        fit, height = _fitted(sight, width_mm, most_mm)
        cut, sign = self.cut_faces(setup), self._sign(setup)
        items = shades(sight, fit, lambda _, face: sign if face in cut else _STOCK)
        items += [Runs(tuple(fit(s.points) for s in sight.strokes), 0.18)]
        return Drawing(width_mm, height, tuple(items), f"Setup {setup['number']}: the stock as it leaves")

    def _sign(self, setup: Mapping[str, Any]) -> str:
        from routing.processes.rooms import signs

        return str(setup["process"]) if setup["process"] in signs() else _STOCK

    def _sight(self, setup: Mapping[str, Any], which: str) -> HiddenLineView:
        key = setup["number"], which
        if key not in self._sights:
            bodies = [self.stock(setup[f"stock_{which}"])]
            if which == "before":
                bodies += self._fixtures(setup["number"])
            self._sights[key] = look(bodies, axes_of(zero_axes(setup), "iso"))
        return self._sights[key]

    def cut_faces(self, setup: Mapping[str, Any]) -> set[int]:
        """The faces of the stock after a setup that the stock before it did not have."""
        before, after = self.stock(setup["stock_before"]), self.stock(setup["stock_after"])
        if before is after:
            return set()
        corners = after.corners
        area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
        faces = after.mesh.face_of_triangle
        order = np.lexsort((-area, faces))
        first = order[np.unique(faces[order], return_index=True)[1]]  # the largest facet of each face
        spread = np.array(
            [
                np.ptp(after.mesh.normals[after.mesh.triangles[faces == f].ravel()], axis=0).max()
                for f in faces[first]
            ]
        )
        near = np.where(spread < 1e-3, _FLAT_MM, _ROUND_MM)
        away = _distance(corners[first].mean(axis=1), before.corners)
        return {int(f) for f in faces[first][away > near]}

    def sized(self, setup: Mapping[str, Any]) -> tuple[SizedView, ...]:
        """From above with every place from the zero, and the section through most of what is cut."""
        if setup["number"] not in self._views:
            self._views[setup["number"]] = tuple(self._sized(setup))
        return self._views[setup["number"]]

    def _sized(self, setup: Mapping[str, Any]) -> list[SizedView]:
        axes, origin = zero_axes(setup), np.array(setup["zero"]["origin_mm"])
        body = self.stock(setup["stock_after"])
        starts = [h for h in self._rows(setup) if h["what"] == _START]
        own = [s for s in setup["steps"] if s["process"] == setup["process"] and s["stage"] != _START]
        ids = [f for step in own for f in step["features"]]
        items = self.items([f for f in dict.fromkeys(ids) if self._is_sized(f)])
        items += [_start_hole(h, axes, origin) for h in starts]
        if not items:
            return []
        text = f"Setup {setup['number']} from {setup['from_side']}, seen from above"
        above = from_above(text, body, axes, origin, ("X", "Y"), items)
        plane = best_plane(axes, origin, items) if ids else None
        if plane is None:
            return [above]
        cut = section(f"Section A-A at {plane.words}", body.solid, axes, origin, plane, items)
        if cut is None:
            return [above]
        return [marked(above, plane), cut]

    def _rows(self, setup: Mapping[str, Any]) -> list[Mapping[str, Any]]:
        """The hole table's of a setup."""
        rows = self.content.get("holes", {}).get("rows", ())
        return [h for h in rows if h["setup"] == setup["number"]]

    def _is_sized(self, feature: str) -> bool:
        entry = next(f for f in self.content["features"] if f["id"] == feature)
        return bool(entry["kind"] != "outside face")

    def items(self, ids: Sequence[str]) -> list[Sized]:
        if not self._items:
            by_id = {f["id"]: f for f in self.content["features"]}
            features = [f for _, f in self.subject.faces]
            self._items.update((i.id, i) for i in items_of(self.subject.mesh, features, by_id, list(by_id)))
        return [self._items[name] for name in ids if name in self._items]


def _start_hole(row: Mapping[str, Any], axes: Array, origin: Array) -> Sized:
    """A start hole as it stands in the hole table: the model does not show it."""
    turn = np.linspace(0, 2 * np.pi, 17)[:-1, None]
    radius, top = row["diameter_mm"] / 2, row["mouth_z_mm"]
    at = np.array([row["x_mm"], row["y_mm"], 0.0])
    ring = radius * (np.cos(turn) * np.eye(3)[0] + np.sin(turn) * np.eye(3)[1])
    ends = np.array([[0, 0, top - row["from_mm"]], [0, 0, top - row["to_mm"]]])
    local = (at + ring)[None] + ends[:, None]
    words = f"{row['what']} Ø{row['diameter_mm']:g} {row['bottom']}"
    return Sized(
        row["feature"], words, origin + local.reshape(-1, 3) @ axes, (), (origin + at @ axes, axes[2])
    )


def marked(view: SizedView, plane: SectionPlane) -> SizedView:
    """With the line along which the section A-A is cut."""
    size = float(np.max(view.sight.box[1] - view.sight.box[0]))
    return replace(view, marks=(mark_of("A", plane, view, 0.04 * size),))


def zero_axes(setup: Mapping[str, Any]) -> Array:
    """Rows X, Y, Z (3, 3)."""
    return np.array([setup["zero"][k] for k in "xyz"])


def _fitted(
    sight: HiddenLineView, width_mm: float, most_mm: float, setup: Mapping[str, Any] | None = None
) -> tuple[Fit, float]:
    """As large as fits, with room for a setup's axes where one is given; and the height that it takes."""
    low, high = sight.box
    scale = float(np.min(np.array([width_mm - 8, most_mm - 6]) / (high - low)))
    box = np.array([low, high]) * scale
    if setup is not None:
        for _ in range(3):  # the axes have their length on paper: what they stand out changes with the scale
            origin = np.array(setup["zero"]["origin_mm"])
            tips = [sight.flat(origin) * scale]
            for axis, length in zip(zero_axes(setup), _ARROWS_MM, strict=True):
                tips.append(sight.flat(origin) * scale + 1.3 * length * sight.flat(axis))
            box = np.array(
                [
                    np.minimum(low * scale, np.min(tips, axis=0)),
                    np.maximum(high * scale, np.max(tips, axis=0)),
                ]
            )
            over = np.max((box[1] - box[0]) / np.array([width_mm - 4, most_mm - 4]))
            if over <= 1:
                break
            scale /= float(over)
    height = round(float(box[1][1] - box[0][1]) + 4, 2)
    middle = (np.array([width_mm, height]) - (box[1] - box[0])) / 2 - box[0]
    return Fit(np.zeros(2), scale, middle), height


def _axes_items(setup: Mapping[str, Any], sight: HiddenLineView, fit: Fit) -> list[Item]:
    """The zero, and its axes with their names; Z is up."""
    origin = np.array(setup["zero"]["origin_mm"])
    (start,) = fit(sight.flat(origin[None]))
    items: list[Item] = []
    for name, axis, length in zip("XYZ", zero_axes(setup), _ARROWS_MM, strict=True):
        (end,) = fit(sight.flat((origin + length / fit.scale * axis)[None]))
        head = arrow(end, start, 2.2)
        items.append(Line((start, end), 0.4, ink=_INK))
        items.append(Line(head.points, 0.05, ink=_INK, closed=True, fill=_INK))
        way = np.array(end) - start
        at = np.array(end) + 2.2 * way / max(float(np.linalg.norm(way)), 1e-9)
        text = "Z up" if name == "Z" else name
        items.append(Words(float(at[0]), float(at[1]) - 0.9, text, 7, "middle", bold=True, ink=_INK))
    return [*items, *zero_items(start)]


def _distance(points: Array, triangles: Array) -> Array:
    """Of points (n, 3) from the nearest of triangles (m, 3, 3)."""
    best = np.full(len(points), np.inf)
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    e0, e1 = b - a, c - a
    d00, d01, d11 = (np.sum(u * v, axis=1) for u, v in ((e0, e0), (e0, e1), (e1, e1)))
    down = np.maximum(d00 * d11 - d01 * d01, 1e-30)
    for n, p in enumerate(points):
        away = p - a
        d20, d21 = np.sum(away * e0, axis=1), np.sum(away * e1, axis=1)
        v, w = (d11 * d20 - d01 * d21) / down, (d00 * d21 - d01 * d20) / down
        inside = (v >= 0) & (w >= 0) & (v + w <= 1)
        off = away - v[:, None] * e0 - w[:, None] * e1
        found = np.where(inside, np.linalg.norm(off, axis=1), np.inf)
        for start, end in ((a, b), (b, c), (c, a)):
            run = end - start
            t = np.clip(
                np.sum((p - start) * run, axis=1) / np.maximum(np.sum(run * run, axis=1), 1e-30), 0, 1
            )
            found = np.minimum(found, np.linalg.norm(p - start - t[:, None] * run, axis=1))
        best[n] = found.min()
    return best

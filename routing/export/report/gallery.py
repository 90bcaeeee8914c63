"""What several papers show, made once for a job: stock and fixtures of each setup, and their views."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from featurize.brep.surfaces import Array
from routing.export.hidden_lines import Body, Sight, look
from routing.export.report.drawing import Drawing, Item, Line, Runs, Words, arrow
from routing.export.report.eye import axes_of
from routing.export.report.inked import Fit, shades
from routing.export.report.pictures import MOST_FACES, Subject
from routing.export.report.sized_drawing import zero_items
from routing.export.sized import Item as Sized
from routing.export.sized import Plane, SizedView, best_plane, from_above, items_of, mark_of, section
from routing.export.viewer.mesh import mesh_of

# A face of the stock that lies this near to the stock before is no new one; round ones are chords.
_FLAT_MM, _ROUND_MM = 0.004, 0.06
_STOCK, _FIXTURE = "#eceae4", "#b9c3cd"
_INK = "#a3112f"


@dataclass(frozen=True, eq=False)
class Gallery:
    """``folder`` has the stock files that the route file names; ``fixtures`` (name, solid) by setup."""

    content: Mapping[str, Any]
    subject: Subject
    folder: Path
    fixtures: Mapping[int, Sequence[tuple[str, Any]]]
    _stocks: dict[str, Body] = field(default_factory=dict, repr=False)
    _sights: dict[tuple[int, str], Sight] = field(default_factory=dict, repr=False)
    _views: dict[int, tuple[SizedView, ...]] = field(default_factory=dict, repr=False)
    _meshes: dict[int, Body] = field(default_factory=dict, repr=False)

    def stock(self, file: str) -> Body:
        if file not in self._stocks:
            from routing.stock.blank import blank_from_step

            solid = blank_from_step(self.folder / file).solid
            self._stocks[file] = Body(solid, mesh_of(solid))
        return self._stocks[file]

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
        return all(f is not None and _faces(self.stock(f)) <= MOST_FACES for f in files)

    def before(self, setup: Mapping[str, Any], width_mm: float, most_mm: float) -> Drawing:
        """The stock as it comes, what holds it, the zero and its axes."""
        sight = self._sight(setup, "before")
        fit, height = _fitted(sight, width_mm, most_mm)
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

    def _sight(self, setup: Mapping[str, Any], which: str) -> Sight:
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
        ids = list(dict.fromkeys(f for step in setup["steps"] for f in step["features"]))
        items = self.items([f for f in ids if self._is_sized(f)])
        if not items:
            return []
        said = f"Setup {setup['number']} from {setup['from_side']}, seen from above"
        above = from_above(said, body, axes, origin, ("X", "Y"), items)
        plane = best_plane(axes, origin, items)
        cut = plane and section(f"Section A-A at {plane.words}", body.solid, axes, origin, plane, items)
        if plane is None or cut is None:
            return [above]
        return [_marked(above, plane), cut]

    def _is_sized(self, feature: str) -> bool:
        told = next(f for f in self.content["features"] if f["id"] == feature)
        return bool(told["kind"] != "outside face")

    def items(self, ids: Sequence[str]) -> list[Sized]:
        told = {f["id"]: f for f in self.content["features"]}
        features = [f for _, f in self.subject.faces]
        return items_of(self.subject.mesh, features, told, ids)


def _marked(view: SizedView, plane: Plane) -> SizedView:
    from dataclasses import replace

    size = float(np.max(view.sight.box[1] - view.sight.box[0]))
    return replace(view, marks=(mark_of("A", plane, view, 0.04 * size),))


def zero_axes(setup: Mapping[str, Any]) -> Array:
    """Rows X, Y, Z (3, 3)."""
    return np.array([setup["zero"][k] for k in "xyz"])


def _faces(body: Body) -> int:
    return int(body.mesh.face_of_triangle.max()) + 1


def _fitted(sight: Sight, width_mm: float, most_mm: float) -> tuple[Fit, float]:
    wide, tall = sight.box[1] - sight.box[0]
    height = round(float(min(tall * (width_mm - 12) / wide + 12, most_mm)), 2)
    scale = float(min((width_mm - 12) / wide, (height - 12) / tall))
    return Fit.of(sight.box, width_mm, height, scale), height


def _axes_items(setup: Mapping[str, Any], sight: Sight, fit: Fit) -> list[Item]:
    """The zero, and its axes with their names; Z is up."""
    origin = np.array(setup["zero"]["origin_mm"])
    (start,) = fit(sight.flat(origin[None]))
    items: list[Item] = []
    for name, axis, length in zip("XYZ", zero_axes(setup), (14.0, 14.0, 16.0), strict=True):
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

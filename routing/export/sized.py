"""Views and sections with sizes: what stands where from a zero, true to scale, for paper and for DXF.

A view has the lines that hidden-line removal gives, positions as ordinates from the zero, and notes with the
sizes of features. Everything is in mm of the model, in the view's own right and up.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from featurize import tolerances as tol
from featurize.brep.surfaces import Array
from routing.export.hidden_lines import Body, HiddenLineView, look
from routing.export.viewer.mesh import ViewMesh, mesh_of

# Levels and places nearer than this are one.
_SAME_MM = 5e-4
# Over any part that comes into a toolroom.
_FAR_MM = 1e4
# A feature this many times as long as wide is drawn across.
_LONG = 3.0


@dataclass(frozen=True, eq=False)
class Item:
    """A feature to be sized: ``points`` (n, 3) are corners of its mesh, ``rims`` those of its level edges.

    ``axis`` is a point and a direction of a bore, ``words`` its sizes.
    """

    id: str
    words: str
    points: Array
    rims: tuple[Array, ...] = ()
    axis: tuple[Array, Array] | None = None


@dataclass(frozen=True)
class Ordinate:
    """A distance from the zero along an axis ("X", "Y", "Z"), read at a place (right, up) of the view."""

    axis: str
    value_mm: float
    at: tuple[float, float]


@dataclass(frozen=True)
class Note:
    """Words about a place of the view."""

    id: str
    words: str
    at: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Centre:
    """A bore seen along its axis; ``drawn`` where no line of the solid shows it, so that its circle is."""

    at: tuple[float, float]
    radius_mm: float
    drawn: bool = False


@dataclass(frozen=True, eq=False)
class SizedView:
    """``zero`` is the zero in the view; ``right`` and ``up`` name the axes along it, "-X" if it counts back.

    ``cut`` are regions (shapely) that the section's plane cuts. ``marks`` are lines in this view along which
    others are cut: a letter and two ends.
    """

    title: str
    sight: HiddenLineView
    zero: Array
    right: str
    up: str
    ordinates: tuple[Ordinate, ...]
    notes: tuple[Note, ...]
    centres: tuple[Centre, ...] = ()
    cut: tuple[Any, ...] = ()
    marks: tuple[tuple[str, Array], ...] = ()


def items_of(
    mesh: ViewMesh,
    features_of_faces: Sequence[str],
    by_id: Mapping[str, Mapping[str, Any]],
    ids: Sequence[str],
) -> list[Item]:
    """Features by their ids: ``by_id`` has what the route file says of each, by id."""
    owner = np.array(features_of_faces)
    beside: dict[int, list[int]] = {}
    for k, edge in enumerate(mesh.edges):
        for face in edge.faces:
            beside.setdefault(face, []).append(k)
    found = []
    for name in ids:
        faces = np.flatnonzero(owner == name)
        rows = np.isin(mesh.face_of_triangle, faces)
        if not rows.any() or name not in by_id:
            continue
        points = mesh.positions[np.unique(mesh.triangles[rows])]
        own = {k for face in faces.tolist() for k in beside.get(face, ())}
        rims = tuple(mesh.edges[k].points for k in sorted(own))
        feature = by_id[name]
        axis = None
        if feature["axis"] and feature["bores"]:
            axis = np.array(feature["axis"]["origin_mm"]), np.array(feature["axis"]["direction"])
        found.append(Item(name, size_words(feature), points, rims, axis))
    return found


def size_words(feature: Mapping[str, Any]) -> str:
    """The sizes of a feature as a drawing has them: "Ø10 through", "22 x 14, R3, 7 deep"."""
    dims = dict(feature["dims"])
    lines: list[str] = []
    thread = feature["thread"]
    if thread:
        lines.append(thread["designation"] or "thread to be told")
    bores = feature["bores"]
    if bores:
        through = len(feature["opens_to"]) > 1
        for b in bores:
            ends = b["start_diameter_mm"], b["end_diameter_mm"]
            if abs(ends[0] - ends[1]) < _SAME_MM:
                goes = through and b is bores[-1] and len(bores) == 1
                end = "through" if goes else f"to {_n(b['end_mm'])}"
                lines.append(f"Ø{_n(ends[0])} {end}")
            elif min(ends) > _SAME_MM:
                lines.append(f"Ø{_n(ends[0])} to Ø{_n(ends[1])} at {_n(b['end_mm'])}")
        return ", ".join(dict.fromkeys(lines))
    if "length_mm" in dims and "width_mm" in dims:
        lines.append(f"{_n(dims.pop('length_mm'))} x {_n(dims.pop('width_mm'))}")
    forms = {
        "diameter_mm": "Ø{}",
        "width_mm": "{} wide",
        "length_mm": "{} long",
        "corner_radius_mm": "R{}",
        "radius_mm": "R{}",
        "depth_mm": "{} deep",
        "height_mm": "{} high",
        "land_mm": "land {}",
        "taper_deg": "taper {}°",
        "angle_deg": "{}°",
    }
    lines += [forms[k].format(_n(dims.pop(k))) for k in forms if k in dims]
    for name, value in dims.items():
        word = name.removesuffix("_mm").removesuffix("_deg").replace("_", " ")
        lines.append(f"{word} {_n(value)}{'°' if name.endswith('_deg') else ''}")
    return ", ".join(lines)


def _n(value: float) -> str:
    return f"{value:.3f}".rstrip("0").rstrip(".")


def from_above(
    title: str,
    body: Body,
    axes: Array,
    origin: Array,
    names: tuple[str, str],
    items: Sequence[Item],
    *,
    hidden: bool = False,
    outside: Array | None = None,
) -> SizedView:
    """Seen along the third of ``axes`` (rows, 3 x 3): each item's place from the origin (3,), and its sizes.

    ``names`` are those of the axes to the right and up, "-X" where one counts back. ``outside`` (n, 3) are
    points whose extremes are sized too: those of the body where none are given.
    """
    sight = look([body], axes, hidden=hidden)
    zero = origin @ axes[:2].T
    ordinates: list[Ordinate] = []
    notes: list[Note] = []
    centres: list[Centre] = []
    flat = (body.mesh.positions if outside is None else outside) @ axes[:2].T
    ends = [flat.min(axis=0), flat.max(axis=0)]
    for s in sight.strokes:  # a mesh has chords where a round outside has its full width
        if outside is None and s.arc is not None and s.arc.is_whole:
            ends[0] = np.minimum(ends[0], s.arc.centre - s.arc.radius_mm)
            ends[1] = np.maximum(ends[1], s.arc.centre + s.arc.radius_mm)
    for low_or_high in ends:
        ordinates += _pair(names, low_or_high, zero, low_or_high)
    for item in items:
        place = item.points @ axes[:2].T
        low, high = place.min(axis=0), place.max(axis=0)
        if item.axis is not None and abs(float(item.axis[1] @ axes[2])) > 1 - 1e-6:
            at = item.axis[0] @ axes[:2].T
            ordinates += _pair(names, at, zero, at)
            centres.append(Centre(_tuple(at), float(np.max(high - low)) / 2, drawn=not item.rims))
            middle = at
        else:
            ordinates += _pair(names, low, zero, low)
            ordinates += _pair(names, high, zero, high)
            middle = (low + high) / 2
        notes.append(Note(item.id, item.words, _tuple(middle)))
    return SizedView(title, sight, zero, *names, tuple(_each_once(ordinates)), tuple(notes), tuple(centres))


def _pair(names: tuple[str, str], value: Array, zero: Array, at: Array) -> Iterator[Ordinate]:
    for k, name in enumerate(names):
        sign = -1.0 if name[0] == "-" else 1.0
        yield Ordinate(name[-1], round(sign * float(value[k] - zero[k]), 6) + 0.0, _tuple(at))


def _tuple(at: Array) -> tuple[float, float]:
    return float(at[0]), float(at[1])


def _each_once(ordinates: Sequence[Ordinate]) -> Iterator[Ordinate]:
    """Of equal values the first: the one read nearest to the rim is as good."""
    entries: list[tuple[str, float]] = []
    for o in sorted(ordinates, key=lambda o: (o.axis, o.value_mm)):
        if not entries or entries[-1][0] != o.axis or o.value_mm - entries[-1][1] > _SAME_MM:
            entries.append((o.axis, o.value_mm))
            yield o


@dataclass(frozen=True, eq=False)
class SectionPlane:
    """A section's plane across the ``across``-th of a zero's axes (0 or 1) at a level from the zero."""

    across: int
    level_mm: float

    @property
    def words(self) -> str:
        return f"{'XY'[self.across]} {_n(self.level_mm)}"


def best_plane(zero_axes: Array, origin: Array, items: Sequence[Item]) -> SectionPlane | None:
    """The plane through the middle of a feature that goes through most of them; None where there is none.

    Of equal ones that which cuts across the longer side of more of them, as a groove shows its form so, then
    the one that shows most.
    """
    local = {i.id: (i.points - origin) @ zero_axes.T for i in items}
    spans = {name: (p.min(axis=0), p.max(axis=0)) for name, p in local.items()}
    best: tuple[tuple[int, float, int, float], SectionPlane] | None = None
    for across in (1, 0):
        for low, high in spans.values():
            level = round(float(low[across] + high[across]) / 2, 4)
            met = [
                (a, b) for a, b in spans.values() if a[across] + tol.VOID_MM < level < b[across] - tol.VOID_MM
            ]
            deep = sum(float(b[2] - a[2]) for a, b in met)
            longer = sum(float((b - a)[across]) > _LONG * float((b - a)[1 - across]) for a, b in met)
            wide = sum(float((b - a)[1 - across]) for a, b in met)
            rank = len(met), round(deep, 3), longer, round(wide, 3)
            if met and (best is None or rank > best[0]):
                best = rank, SectionPlane(across, level)
    return best[1] if best else None


def section(
    title: str, solid: Any, zero_axes: Array, origin: Array, plane: SectionPlane, items: Sequence[Item]
) -> SizedView | None:
    """A solid cut through by a plane, seen from the side that is taken away; heights are sized.

    None where the kernel makes no one solid of it.
    """
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Common
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox
    from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt

    from featurize.brep.solids import solids_of

    x, y, z = zero_axes
    across, along, toward = (y, x, -y) if plane.across == 1 else (x, y, x)
    on_plane = origin + plane.level_mm * across
    # What lies beyond the plane towards the eye is taken away.
    side = np.cross(-toward, along)
    corner = on_plane - _FAR_MM / 2 * (along + side)
    place = gp_Ax2(gp_Pnt(*map(float, corner)), gp_Dir(*map(float, -toward)), gp_Dir(*map(float, along)))
    kept = BRepPrimAPI_MakeBox(place, _FAR_MM, _FAR_MM, _FAR_MM).Solid()
    solids = solids_of(BRepAlgoAPI_Common(solid, kept).Shape())
    if not solids:
        return None
    bodies = [Body(s, mesh_of(s)) for s in solids]
    axes = np.array([along, z, toward])
    sight = look(bodies, axes)
    zero = origin @ axes[:2].T
    depth = float(on_plane @ toward)
    cut = tuple(
        c.region for c in sight.cells if c.face >= 0 and _is_on(bodies[c.body].mesh, c.face, toward, depth)
    )
    met = [i for i in items if _crosses(i, across, origin, plane.level_mm)]
    ordinates, notes = [], []
    for point in (sight.box[0], sight.box[1]):
        ordinates.append(Ordinate("Z", round(float(point[1] - zero[1]), 6) + 0.0, _tuple(point)))
    for item in met:
        heights = item.points @ z
        levels = {float(heights.min()), float(heights.max())}
        levels |= {float(r[0] @ z) for r in item.rims if float(np.ptp(r @ z)) < _SAME_MM}
        flat = item.points @ axes[:2].T
        middle = float(flat[:, 0].min() + flat[:, 0].max()) / 2
        if item.axis is not None:
            middle = float(item.axis[0] @ along)
        for h in sorted(levels):
            at = (middle, h)
            ordinates.append(Ordinate("Z", round(h - float(zero[1]), 6) + 0.0, at))
        notes.append(Note(item.id, item.words, (middle, float(heights.max() + heights.min()) / 2)))
    name = "X" if plane.across == 1 else "Y"
    return SizedView(title, sight, zero, name, "Z", tuple(_each_once(ordinates)), tuple(notes), (), cut)


def _crosses(item: Item, across: Array, origin: Array, level: float) -> bool:
    at = (item.points - origin) @ across
    return float(at.min()) + tol.VOID_MM < level < float(at.max()) - tol.VOID_MM


def _is_on(mesh: ViewMesh, face: int, toward: Array, depth: float) -> bool:
    corners = mesh.positions[mesh.triangles[mesh.face_of_triangle == face]].reshape(-1, 3)
    return bool(np.abs(corners @ toward - depth).max() < 1e-4)


def mark_of(letter: str, plane: SectionPlane, view: SizedView, overhang_mm: float) -> tuple[str, Array]:
    """The line (2, 2) along which a section is cut, in the view from above."""
    low, high = view.sight.box
    if plane.across == 1:
        y = float(view.zero[1]) + plane.level_mm
        return letter, np.array([(low[0] - overhang_mm, y), (high[0] + overhang_mm, y)])
    x = float(view.zero[0]) + plane.level_mm
    return letter, np.array([(x, low[1] - overhang_mm), (x, high[1] + overhang_mm)])


def spread(values: Sequence[float], apart: float) -> list[float]:
    """Rising places at least so far apart, as near to rising values as can be (least squares)."""
    groups: list[tuple[float, int]] = []  # sum and count of values less their own shift
    for n, value in enumerate(values):
        groups.append((value - n * apart, 1))
        while len(groups) > 1 and groups[-2][0] / groups[-2][1] > groups[-1][0] / groups[-1][1]:
            (a, k), (b, m) = groups.pop(-2), groups.pop()
            groups.append((a + b, k + m))
    flat = [total / count for total, count in groups for _ in range(count)]
    return [v + n * apart for n, v in enumerate(flat)]

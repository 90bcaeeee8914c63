"""Inserts composed at random from features of known kind and size: the answer key is the construction."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass

import cadquery as cq
from OCP.BRepClass3d import BRepClass3d_SolidClassifier
from OCP.gp import gp_Pnt
from OCP.TopAbs import TopAbs_State

from featurize.feature import Feature, Kind

X, Y, Z = 120.0, 100.0, 30.0
_COLUMNS, _ROWS = 5, 4
_HOLES = {Kind.HOLE, Kind.THREADED_HOLE}


@dataclass(frozen=True)
class Built:
    """One feature as built: kinds that count as right, sizes, and the tool that cut it.

    ``dims`` are the sizes as cut; ``shown`` those that the part still shows, "side_mm" being a width or
    length whose fellow is lost, since which of the two is the longer is then lost as well.
    """

    kinds: frozenset[Kind]
    dims: dict[str, float]
    tool: cq.Workplane
    shown: dict[str, float] | None = None

    def found_in(
        self, features: list[Feature], tolerance_mm: float = 1e-3, *, as_cut: bool = False
    ) -> Feature | None:
        wanted = self.dims if as_cut or self.shown is None else self.shown
        for f in features:
            if f.kind in self.kinds and all(
                any(n in f.dims and abs(f.dims[n] - size) < tolerance_mm for n in _NAMES.get(name, (name,)))
                for name, size in wanted.items()
            ):
                return f
        return None


_NAMES = {"side_mm": ("width_mm", "length_mm")}


def compose(seed: int, *, crossing: bool, most: int = 25) -> tuple[cq.Workplane, list[Built]]:
    """A block with up to ``most`` features; apart in cells of a grid, or allowed to cross."""
    rng = random.Random(seed)
    cells = [(c, r) for c in range(_COLUMNS) for r in range(_ROWS)]
    rng.shuffle(cells)
    built: list[Built] = []
    count = rng.randint(3, min(most, len(cells)))
    for cell in cells[:count]:
        make = rng.choice(_AT_EDGE[_border(cell)] if _border(cell) and rng.random() < 0.5 else _INSIDE)
        built.append(make(rng, cell))
    if crossing:
        for make in rng.sample([_slot_x, _slot_y, _cross_hole, _wide_pocket], rng.randint(1, 3)):
            built.append(make(rng, (0, 0)))
    work = cq.Workplane().box(X, Y, Z, centered=False)
    for b in built:
        work = work.cut(b.tool)
    return work, [_as_shown(b, [o for o in built if o is not b and _meet(b, o)]) for b in built]


def _meet(a: Built, b: Built) -> bool:
    p, q = (t.tool.val().BoundingBox() for t in (a, b))  # type: ignore[union-attr]
    return all(
        getattr(p, k + "min") < getattr(q, k + "max") and getattr(q, k + "min") < getattr(p, k + "max")
        for k in "xyz"
    )


def _as_shown(b: Built, others: list[Built]) -> Built:
    """With the sizes that what crosses it has left: those with both their ends still on the part."""
    if not others:
        return b
    left = _skin_left(b, others)
    box = b.tool.val().BoundingBox()  # type: ignore[union-attr]
    shown = dict(b.dims)
    sides = [n for n in ("width_mm", "length_mm") if n in shown and Kind.SLOT not in b.kinds]
    lost = []
    for name in sides:
        k = next(k for k, size in enumerate((box.xlen, box.ylen)) if abs(size - shown[name]) < 1e-6)
        low, high = (box.xmin, box.xmax) if k == 0 else (box.ymin, box.ymax)
        ends = ((low, -1), (high, 1))
        # The side where a slot or step leaves the block has no wall.
        ends = tuple(e for e in ends if 1e-6 < e[0] < (X, Y)[k] - 1e-6)
        if not all(any(n[k] * s > _FACING and abs(p[k] - at) < 0.02 for p, n in left) for at, s in ends):
            lost.append(name)
    if lost:
        rest = [shown.pop(n) for n in sides]
        kept = [size for n, size in zip(sides, rest, strict=True) if n not in lost]
        shown |= {"side_mm": kept[0]} if kept else {}
    rim = any(p[2] > Z - 0.02 and abs(n[2]) < 0.1 for p, n in left)
    floors = [p[2] for p, n in left if n[2] < -_FACING]
    for name in [n for n in shown if "depth" in n or "height" in n]:
        level = Z - shown[name]
        seated = any(abs(z - level) < 1e-6 for z in floors) or b.kinds >= _HOLES
        if name == "counterbore_depth_mm":
            seated = any(abs(z - level) < 1e-6 for z in floors)
        if not rim or not seated:
            shown.pop(name)
    if "counterbore_depth_mm" in b.dims and "counterbore_depth_mm" not in shown:
        shown.pop("counterbore_diameter_mm")  # a shoulder or wall is gone: what is left may be a bore alone
    return Built(b.kinds, b.dims, b.tool, shown)


# Walls whose outward direction is within about 3 deg of an axis end the size along it.
_FACING = 0.9986


def _skin_left(b: Built, others: list[Built]) -> list[tuple[tuple[float, ...], tuple[float, ...]]]:
    """Points of the tool's skin, with the tool's outward normal, that no other tool has taken."""
    takers = [BRepClass3d_SolidClassifier(o.tool.val().Solids()[0].wrapped) for o in others]  # type: ignore[union-attr]
    left = []
    for face in b.tool.faces().vals():
        low_u, high_u, low_v, high_v = face._uvBounds()
        for i in range(_GRID):
            for j in range(_GRID):
                # Ends included, a hair inside them.
                u = low_u + (high_u - low_u) * (1e-4 + (1 - 2e-4) * i / (_GRID - 1))
                v = low_v + (high_v - low_v) * (1e-4 + (1 - 2e-4) * j / (_GRID - 1))
                normal, at = face.normalAt(u, v)
                point, out = at.toTuple(), normal.toTuple()
                outside = gp_Pnt(*(p + 1e-3 * n for p, n in zip(point, out, strict=True)))
                if not any(_is_in(t, outside) for t in takers):
                    left.append((point, out))
    return left


_GRID = 9


def _is_in(taker: BRepClass3d_SolidClassifier, point: gp_Pnt) -> bool:
    taker.Perform(point, 1e-7)
    return bool(taker.State() == TopAbs_State.TopAbs_IN)


def _size(rng: random.Random, low: float, high: float) -> float:
    return round(rng.uniform(low, high), 2)


def _middle(cell: tuple[int, int]) -> tuple[float, float]:
    return (cell[0] + 0.5) * X / _COLUMNS, (cell[1] + 0.5) * Y / _ROWS


def _border(cell: tuple[int, int]) -> str:
    corner = cell[0] in (0, _COLUMNS - 1) and cell[1] in (0, _ROWS - 1)
    if corner:
        return "corner"
    return "side" if cell[0] in (0, _COLUMNS - 1) else ""


def _at(cell: tuple[int, int], z: float) -> cq.Workplane:
    x, y = _middle(cell)
    return cq.Workplane(origin=(x, y, z))


def _blind_hole(rng: random.Random, cell: tuple[int, int]) -> Built:
    d, depth = _size(rng, 2, 9), _size(rng, 10, 20)
    x, y = _middle(cell)
    tip = depth + d / 2 / math.tan(math.radians(59))
    profile = cq.Workplane("XZ").polyline([(0, 0), (d / 2, 0), (d / 2, -depth), (0, -tip)]).close()
    tool = profile.revolve(360, (0, 0, 0), (0, 1, 0)).translate((x, y, Z))
    return Built(frozenset(_HOLES), {"diameter_mm": d, "depth_mm": depth, "point_angle_deg": 118.0}, tool)


def _through_hole(rng: random.Random, cell: tuple[int, int]) -> Built:
    d = _size(rng, 2, 12)
    return Built(frozenset(_HOLES), {"diameter_mm": d}, _at(cell, 0).circle(d / 2).extrude(Z))


def _counterbored(rng: random.Random, cell: tuple[int, int]) -> Built:
    d, wide, deep = _size(rng, 2, 6), _size(rng, 7, 14), _size(rng, 1, 8)
    tool = _at(cell, 0).circle(d / 2).extrude(Z).union(_at(cell, Z).circle(wide / 2).extrude(-deep))
    dims = {"diameter_mm": d, "counterbore_diameter_mm": wide, "counterbore_depth_mm": deep}
    return Built(frozenset(_HOLES), dims, tool)


def _rounded_pocket(rng: random.Random, cell: tuple[int, int]) -> Built:
    w, length, depth, r = _size(rng, 7, 13), _size(rng, 13.5, 19), _size(rng, 1, 9), _size(rng, 0.5, 3)
    tool = _at(cell, Z).rect(length, w).extrude(-depth).edges("|Z").fillet(r)
    dims = {"width_mm": w, "length_mm": length, "depth_mm": depth, "corner_radius_mm": r}
    return Built(frozenset({Kind.POCKET}), dims, tool)


def _sharp_pocket(rng: random.Random, cell: tuple[int, int]) -> Built:
    w, length, depth = _size(rng, 4, 13), _size(rng, 13.5, 19), _size(rng, 1, 9)
    tool = _at(cell, Z).rect(length, w).extrude(-depth)
    return Built(
        frozenset({Kind.POCKET}),
        {"width_mm": w, "length_mm": length, "depth_mm": depth, "corner_radius_mm": 0.0},
        tool,
    )


def _obround(rng: random.Random, cell: tuple[int, int]) -> Built:
    w, length, depth = _size(rng, 4, 9), _size(rng, 12, 19), _size(rng, 1, 9)
    tool = _at(cell, Z).slot2D(length, w).extrude(-depth)
    return Built(frozenset({Kind.POCKET}), {"width_mm": w, "length_mm": length, "depth_mm": depth}, tool)


def _opening(rng: random.Random, cell: tuple[int, int]) -> Built:
    w, length, r = _size(rng, 5, 12), _size(rng, 12.5, 19), _size(rng, 0.3, 2)
    tool = _at(cell, 0).rect(length, w).extrude(Z).edges("|Z").fillet(r)
    dims = {"width_mm": w, "length_mm": length, "corner_radius_mm": r}
    return Built(frozenset({Kind.THROUGH_PROFILE}), dims, tool)


def _hexagon(rng: random.Random, cell: tuple[int, int]) -> Built:
    tool = _at(cell, 0).polygon(6, _size(rng, 6, 16)).extrude(Z)
    return Built(frozenset({Kind.THROUGH_PROFILE}), {"corner_radius_mm": 0.0}, tool)


def _boss_pocket(rng: random.Random, cell: tuple[int, int]) -> Built:
    w, length, depth = _size(rng, 12, 14), _size(rng, 15, 19), _size(rng, 2, 6)
    tool = _at(cell, Z).rect(length, w).extrude(-depth).edges("|Z").fillet(1.5)
    tool = tool.cut(_at(cell, Z - depth).circle(2).extrude(depth))
    return Built(frozenset({Kind.POCKET}), {"width_mm": w, "length_mm": length, "depth_mm": depth}, tool)


def _blind_slot(rng: random.Random, cell: tuple[int, int]) -> Built:
    w, length, depth = _size(rng, 4, 14), _size(rng, 8, 18), _size(rng, 1, 9)
    _, y = _middle(cell)
    x = 0.0 if cell[0] == 0 else X - length
    tool = cq.Workplane(origin=(x, y - w / 2, Z - depth)).rect(length, w, centered=False).extrude(depth)
    return Built(frozenset({Kind.BLIND_SLOT}), {"width_mm": w, "length_mm": length, "depth_mm": depth}, tool)


def _corner_step(rng: random.Random, cell: tuple[int, int]) -> Built:
    a, b, depth = _size(rng, 5, 11), _size(rng, 12, 18), _size(rng, 1, 9)
    x = 0.0 if cell[0] == 0 else X - a
    y = 0.0 if cell[1] == 0 else Y - b
    tool = cq.Workplane(origin=(x, y, Z - depth)).rect(a, b, centered=False).extrude(depth)
    return Built(frozenset({Kind.BLIND_STEP}), {"width_mm": a, "length_mm": b, "height_mm": depth}, tool)


def _slot_x(rng: random.Random, _: tuple[int, int]) -> Built:
    w, depth, y = _size(rng, 3, 8), _size(rng, 1, 9), _size(rng, 20, 80)
    tool = cq.Workplane(origin=(0, y - w / 2, Z - depth)).rect(X, w, centered=False).extrude(depth)
    return Built(frozenset({Kind.SLOT}), {"width_mm": w, "length_mm": X, "depth_mm": depth}, tool)


def _slot_y(rng: random.Random, _: tuple[int, int]) -> Built:
    w, depth, x = _size(rng, 3, 8), _size(rng, 1, 9), _size(rng, 20, 100)
    tool = cq.Workplane(origin=(x - w / 2, 0, Z - depth)).rect(w, Y, centered=False).extrude(depth)
    return Built(frozenset({Kind.SLOT}), {"width_mm": w, "length_mm": Y, "depth_mm": depth}, tool)


def _cross_hole(rng: random.Random, _: tuple[int, int]) -> Built:
    d, y, z = _size(rng, 2, 6), _size(rng, 15, 85), _size(rng, 8, 22)
    tool = cq.Workplane("YZ", origin=(0, y, z)).circle(d / 2).extrude(X)
    return Built(frozenset(_HOLES), {"diameter_mm": d, "depth_mm": X}, tool)


def _wide_pocket(rng: random.Random, _: tuple[int, int]) -> Built:
    w, length, depth, r = _size(rng, 20, 40), _size(rng, 45, 70), _size(rng, 0.5, 3), _size(rng, 1, 5)
    x, y = _size(rng, 45, 75), _size(rng, 30, 70)
    tool = cq.Workplane(origin=(x, y, Z)).rect(length, w).extrude(-depth).edges("|Z").fillet(r)
    return Built(frozenset({Kind.POCKET}), {"depth_mm": depth}, tool)


_Maker = Callable[[random.Random, tuple[int, int]], Built]
_INSIDE: list[_Maker] = [
    _blind_hole, _through_hole, _counterbored, _rounded_pocket, _sharp_pocket, _obround, _opening, _hexagon,
    _boss_pocket,
]  # fmt: skip
_AT_EDGE: dict[str, list[_Maker]] = {"side": [_blind_slot], "corner": [_blind_slot, _corner_step]}

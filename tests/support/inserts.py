"""Die inserts of any number of faces, made without booleans: what they are is known by construction.

A plate whose section along x has steps and slots right through; on its lands, in cells of a grid, bores,
counterbored bores, openings, pockets and threads' core holes with their relief. Walls share the edges of
the rims they leave in the plate, so making one takes time in proportion to its faces.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from OCP.BRep import BRep_Builder, BRep_Tool
from OCP.BRepBuilderAPI import (
    BRepBuilderAPI_MakeEdge,
    BRepBuilderAPI_MakeFace,
    BRepBuilderAPI_MakePolygon,
    BRepBuilderAPI_MakeWire,
)
from OCP.BRepPrimAPI import BRepPrimAPI_MakePrism, BRepPrimAPI_MakeRevol
from OCP.BRepTools import BRepTools
from OCP.gp import gp_Ax1, gp_Ax2, gp_Circ, gp_Dir, gp_Pnt, gp_Vec
from OCP.ShapeFix import ShapeFix_Solid
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopoDS import TopoDS, TopoDS_Shell

from featurize.brep.shapes import FACE, each
from tests.support.transforms import write_step

CELL_MM, THICK_MM = 14.0, 24.0
_ROWS_ON_A_LAND = 4
_STEP_MM, _SLOT_MM = 6.0, 5.0
# Somewhat fewer than the mean of the kinds below: a few cells stay empty.
_FACES_IN_A_CELL = 4.6


@dataclass(frozen=True)
class Insert:
    """``volume_mm3`` in closed form."""

    solid: Any
    faces: int
    volume_mm3: float


def insert(faces: int, seed: int = 1) -> Insert:
    """An insert of exactly so many faces (20 and more)."""
    rng = random.Random(seed)
    cells = max(4, math.ceil(faces / _FACES_IN_A_CELL))
    rows = max(2, round(math.sqrt(cells)))
    lands = max(1, round(rows / _ROWS_ON_A_LAND))
    length = CELL_MM * (math.ceil(cells / (lands * _ROWS_ON_A_LAND)) + 1)
    outline, tops = _section(lands)
    plate = _along_x(outline, length)
    volume = _area(outline) * length
    left = faces - len(_faces(plate))
    places = [
        (x * CELL_MM, y, top)
        for x in range(1, int(length / CELL_MM))
        for low, top in tops
        for y in (low + CELL_MM * (k + 0.5) for k in range(_ROWS_ON_A_LAND))
    ]
    tools = []
    for place in places:
        fit = [kind for kind in _KINDS if kind.faces <= left]
        if not fit:
            break
        kind = rng.choice(fit)
        tool, removed = kind.make(rng, *place)
        tools.append(tool)
        volume -= removed
        left -= kind.faces
    if left:
        raise ValueError(f"{left} faces are left over")
    return Insert(_without(plate, tools), faces, volume)


def insert_file(faces: int, folder: Path) -> Path:
    """Its STEP file."""
    return write_step(insert(faces).solid, folder / f"insert_{faces}.step", name=f"insert_{faces}")


def _section(lands: int) -> tuple[list[tuple[float, float]], list[tuple[float, float]]]:
    """The plate's outline (y, z), with (low y, top z) of each land: a step first, slots between lands."""
    wide = CELL_MM * _ROWS_ON_A_LAND
    top = [(0.0, THICK_MM - 5.0), (_STEP_MM, THICK_MM - 5.0), (_STEP_MM, THICK_MM)]
    found = []
    y = _STEP_MM
    for k in range(lands):
        found.append((y, THICK_MM))
        y += wide
        if k < lands - 1:
            deep = THICK_MM - 3.0 - k % 3
            top += [(y, THICK_MM), (y, deep), (y + _SLOT_MM, deep), (y + _SLOT_MM, THICK_MM)]
            y += _SLOT_MM
    return [(0.0, 0.0), *top, (y, THICK_MM), (y, 0.0)], found


def _along_x(outline: list[tuple[float, float]], length: float) -> Any:
    polygon = BRepBuilderAPI_MakePolygon()
    for y, z in outline:
        polygon.Add(gp_Pnt(0, y, z))
    polygon.Close()
    return BRepPrimAPI_MakePrism(BRepBuilderAPI_MakeFace(polygon.Wire()).Face(), gp_Vec(length, 0, 0)).Shape()


def _area(outline: list[tuple[float, float]]) -> float:
    pairs = zip(outline, outline[1:] + outline[:1], strict=True)
    return abs(sum(a[0] * b[1] - b[0] * a[1] for a, b in pairs)) / 2


# --- what is cut: a tool, and its volume ------------------------------------------------------------

_Made = tuple[Any, float]
_Points = list[tuple[float, float]]


def _size(rng: random.Random, low: float, high: float) -> float:
    return round(rng.uniform(low, high), 1)


def _turned(x: float, y: float, points: _Points) -> _Made:
    """A turned tool; ``points`` are (radius, z), from one end to the other, closed along the axis."""
    ring = dict.fromkeys([(0.0, points[0][1]), *points, (0.0, points[-1][1])])
    polygon = BRepBuilderAPI_MakePolygon()
    for r, z in ring:
        polygon.Add(gp_Pnt(x + r, y, z))
    polygon.Close()
    face = BRepBuilderAPI_MakeFace(polygon.Wire()).Face()
    volume = sum(
        (b[1] - a[1]) * math.pi / 3 * (a[0] ** 2 + a[0] * b[0] + b[0] ** 2)
        for a, b in zip(points, points[1:], strict=False)
    )
    return BRepPrimAPI_MakeRevol(face, gp_Ax1(gp_Pnt(x, y, 0), gp_Dir(0, 0, 1))).Shape(), volume


def _bore(rng: random.Random, x: float, y: float, z: float) -> _Made:
    r = _size(rng, 2, 8) / 2
    return _turned(x, y, [(r, 0.0), (r, z)])


def _counterbored(rng: random.Random, x: float, y: float, z: float) -> _Made:
    r, wide, deep = _size(rng, 3, 5) / 2, _size(rng, 7, 10) / 2, _size(rng, 3, 7)
    return _turned(x, y, [(r, 0.0), (r, z - deep), (wide, z - deep), (wide, z)])


def _thread(rng: random.Random, x: float, y: float, _z: float) -> _Made:
    """The core of an M5 thread from below, with relief and a drill's point."""
    r, relief, deep = 4.2 / 2, 5.4 / 2, _size(rng, 9, 13)
    point = deep + r / math.tan(math.radians(59))
    return _turned(x, y, [(relief, 0.0), (relief, 1.4), (r, 1.4), (r, deep), (0.0, point)])


def _prism(rng: random.Random, x: float, y: float, low: float, high: float, corner: float) -> _Made:
    """An upright tool, ``corner`` being the radius of its four upright edges."""
    w, length = _size(rng, 5, 8) / 2, _size(rng, 8.5, 11) / 2
    wire = BRepBuilderAPI_MakeWire()
    ends = []
    for sx, sy in ((1, -1), (1, 1), (-1, 1), (-1, -1)):
        middle = gp_Pnt(x + sx * (length - corner), y + sy * (w - corner), low)
        start, end = (
            gp_Pnt(middle.X() + dx * corner, middle.Y() + dy * corner, low)
            for dx, dy in (((0, sy), (sx, 0)) if sx != sy else ((sx, 0), (0, sy)))
        )
        ends.append((start, end, gp_Ax2(middle, gp_Dir(0, 0, 1))))
    for (_, end, _), (start, after, axes) in zip(ends[-1:] + ends[:-1], ends, strict=True):
        wire.Add(BRepBuilderAPI_MakeEdge(end, start).Edge())
        if corner:
            wire.Add(BRepBuilderAPI_MakeEdge(gp_Circ(axes, corner), start, after).Edge())
    face = BRepBuilderAPI_MakeFace(wire.Wire()).Face()
    area = 4 * w * length - (4 - math.pi) * corner**2
    return BRepPrimAPI_MakePrism(face, gp_Vec(0, 0, high - low)).Shape(), area * (high - low)


def _opening(rng: random.Random, x: float, y: float, z: float) -> _Made:
    return _prism(rng, x, y, 0.0, z, _size(rng, 0.4, 1.5))


def _pocket(rng: random.Random, x: float, y: float, z: float) -> _Made:
    return _prism(rng, x, y, z - _size(rng, 1, 6), z, _size(rng, 0.8, 2))


def _sharp_pocket(rng: random.Random, x: float, y: float, z: float) -> _Made:
    return _prism(rng, x, y, z - _size(rng, 0.5, 3), z, 0.0)


@dataclass(frozen=True)
class _Kind:
    """``faces`` that it adds to the plate."""

    faces: int
    make: Callable[[random.Random, float, float, float], _Made]


_KINDS = (
    _Kind(1, _bore),
    _Kind(3, _counterbored),
    _Kind(4, _thread),
    _Kind(5, _sharp_pocket),
    _Kind(8, _opening),
    _Kind(9, _pocket),
)


# --- a plate less tools that meet it in flat rims only ----------------------------------------------


def _without(plate: Any, tools: list[Any]) -> Any:
    """The plate with the tools' skins turned inside out in place of the faces they share with it."""
    builder = BRep_Builder()
    shell = TopoDS_Shell()
    builder.MakeShell(shell)
    lands = []
    for face in _faces(plate):
        low, high = _box(face)
        if low[2] == high[2]:
            lands.append((low, high, BRepBuilderAPI_MakeFace(face)))
        else:
            builder.Add(shell, face)
    for tool in tools:
        for face in _faces(tool):
            low, high = _box(face)
            for least, most, land in lands:
                if low[2] == high[2] == least[2] and least[1] < low[1] and high[1] < most[1]:
                    land.Add(TopoDS.Wire_s(BRepTools.OuterWire_s(face).Reversed()))
                    break
            else:
                builder.Add(shell, face.Reversed())
    for *_, land in lands:
        builder.Add(shell, land.Face())
    shell.Closed(True)
    return ShapeFix_Solid().SolidFromShell(shell)


def _faces(shape: Any) -> list[Any]:
    return [TopoDS.Face_s(f) for f in each(shape, FACE)]


def _box(face: Any) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Least and most x, y, z of a face's corners."""
    corners = [BRep_Tool.Pnt_s(TopoDS.Vertex_s(v)) for v in each(face, TopAbs_ShapeEnum.TopAbs_VERTEX)]
    spread = np.round([(p.X(), p.Y(), p.Z()) for p in corners], 6)
    return tuple(spread.min(axis=0)), tuple(spread.max(axis=0))

"""The wire's files read back by other libraries, and the part's own sections to hold them against.

What the wire leaves is rebuilt from the drawing alone: at a height a pass is the outline between its upper
and its lower one, point by point at the same share of each piece; a path is the union of its passes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import ezdxf
import numpy as np
import shapely
from OCP.BRepAdaptor import BRepAdaptor_Curve
from OCP.BRepAlgoAPI import BRepAlgoAPI_Section
from OCP.GCPnts import GCPnts_TangentialDeflection
from OCP.gp import gp_Dir, gp_Pln, gp_Pnt
from OCP.ShapeAnalysis import ShapeAnalysis_FreeBounds
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopExp import TopExp_Explorer
from OCP.TopoDS import TopoDS
from OCP.TopTools import TopTools_HSequenceOfShape

from featurize.recognise import Recognition
from routing.export.exporters import setups, wire_profiles
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.plan.make import make_plan
from routing.processes.shop import Shop
from routing.stock.blank import blank_for
from tests.support.routed import STEEL

# Points along an arc: its chords stray by less than 2e-5 mm up to a radius of 20 mm.
_PER_ARC = 400
_CHORD_MM = 1e-4


def written(
    found: Recognition, folder: Path, shop: Shop | None = None, **choices: Any
) -> tuple[Any, dict[str, Any]]:
    """(plan, what the route file says) of a part whose wire papers are in the folder."""
    asked = Choices(**{"material": STEEL, **choices})
    plan = make_plan(found, shop or load_shop(), asked)
    work = SimpleNamespace(
        part=plan.job.part,
        solid=SimpleNamespace(name="trial"),
        plan=plan,
        stock=SimpleNamespace(blank=blank_for(plan.job.part)),
        shop=plan.job.shop,
        choices=asked,
        content={"stock": {}, "features": [{"id": f.feature.id, "flags": []} for f in plan.features]},
    )
    return plan, {**setups.write(work, folder), **wire_profiles.write(work, folder)}


@dataclass(frozen=True)
class FilePass:
    """``upper`` and ``lower`` are (n, 3) of x, y and bulge at their elevations."""

    name: str
    upper: Any
    lower: Any
    upper_z: float
    lower_z: float
    closed: bool

    def points(self, z: float) -> Any:
        """Points (m, 2) of the wire's outline at a height."""
        low, high = _spread(self.lower, self.closed), _spread(self.upper, self.closed)
        return low + (z - self.lower_z) / (self.upper_z - self.lower_z) * (high - low)

    def section(self, z: float) -> Any:
        """The polygon at a height; of an open pass the line."""
        points = self.points(z)
        return shapely.make_valid(shapely.polygons(points)) if self.closed else shapely.linestrings(points)


def _spread(rows: Any, closed: bool) -> Any:
    """Points along lines and arcs, equally many on each; an arc's angle is 4 arctan(bulge)."""
    ends = np.roll(rows, -1, axis=0)[:, :2] if closed else rows[1:, :2]
    found = []
    for (x, y, b), end in zip(rows if closed else rows[:-1], ends, strict=True):
        start, t = np.array([x, y]), np.arange(_PER_ARC) / _PER_ARC
        if b == 0:
            found.append(start + t[:, None] * (end - start))
            continue
        angle, chord = 4 * np.arctan(b), end - start
        centre = (start + end) / 2 + np.array([-chord[1], chord[0]]) / (2 * np.tan(angle / 2))
        c, s = np.cos(angle * t), np.sin(angle * t)
        u = start - centre
        found.append(centre + np.column_stack([c * u[0] - s * u[1], s * u[0] + c * u[1]]))
    return np.vstack(found)


def passes_in(folder: Path, told: dict[str, Any]) -> dict[str, tuple[int, list[FilePass]]]:
    """For each path the setup and the passes, from the drawings; the route file says which layers pair."""
    found: dict[str, tuple[int, list[FilePass]]] = {}
    for p in told["wire"]["passes"]:
        space = ezdxf.readfile(folder / p["file"]).modelspace()
        (upper,), (lower,) = ([e for e in space if e.dxf.layer == name] for name in p["layers"])
        assert upper.closed == lower.closed == p["closed"]
        rows = [np.array(list(e.get_points("xyb"))) for e in (upper, lower)]
        assert len(rows[0]) == len(rows[1]) == p["corners"]
        assert [upper.dxf.elevation, lower.dxf.elevation] == [pytest_approx(h) for h in p["heights_mm"]]
        made = FilePass(p["name"], *rows, upper.dxf.elevation, lower.dxf.elevation, p["closed"])
        found.setdefault(p["cut"], (p["setup"], []))[1].append(made)
    return found


def pytest_approx(value: float) -> Any:
    import pytest

    return pytest.approx(value, abs=1e-4)


@dataclass(frozen=True)
class Axes:
    """A setup's zero as the route file has it."""

    origin: Any
    rows: Any

    @classmethod
    def of(cls, told: dict[str, Any], setup: int) -> Axes:
        zero = next(s["zero"] for s in told["setups"] if s["number"] == setup)
        return cls(np.array(zero["origin_mm"]), np.array([zero["x"], zero["y"], zero["z"]]))

    def plane(self, z: float) -> Any:
        return gp_Pln(gp_Pnt(*(self.origin + z * self.rows[2])), gp_Dir(*self.rows[2]))

    def local(self, points: Any) -> Any:
        return (points - self.origin) @ self.rows.T


def lines_at(shape: Any, axes: Axes, z: float) -> list[Any]:
    """The kernel's section of a shape at a height as runs of points (n, 2)."""
    cutting = BRepAlgoAPI_Section(shape, axes.plane(z))
    edges = TopTools_HSequenceOfShape()
    explorer = TopExp_Explorer(cutting.Shape(), TopAbs_ShapeEnum.TopAbs_EDGE)
    while explorer.More():
        edges.Append(explorer.Current())
        explorer.Next()
    wires = TopTools_HSequenceOfShape()
    ShapeAnalysis_FreeBounds.ConnectEdgesToWires_s(edges, 1e-5, False, wires)
    found = []
    for k in range(1, wires.Length() + 1):
        inner = TopExp_Explorer(wires.Value(k), TopAbs_ShapeEnum.TopAbs_EDGE)
        runs = []
        while inner.More():
            curve = BRepAdaptor_Curve(TopoDS.Edge_s(inner.Current()))
            steps = GCPnts_TangentialDeflection(curve, 0.02, _CHORD_MM)
            points = [steps.Value(i + 1) for i in range(steps.NbPoints())]
            runs.append(axes.local(np.array([(p.X(), p.Y(), p.Z()) for p in points]))[:, :2])
            inner.Next()
        found.append(_joined(runs))
    return found


def _joined(runs: list[Any]) -> Any:
    """Runs of one wire, in any order and sense, end to end."""
    line, left = runs[0], list(runs[1:])
    while left:
        ends = [(np.linalg.norm(r[e] - line[-1]), k, e) for k, r in enumerate(left) for e in (0, -1)]
        starts = [(np.linalg.norm(r[e] - line[0]), k, e) for k, r in enumerate(left) for e in (0, -1)]
        (gap, k, e), (other, m, f) = min(ends), min(starts)
        if gap <= other:
            run = left.pop(k)
            line = np.vstack([line, run if e == 0 else run[::-1]])
        else:
            run = left.pop(m)
            line = np.vstack([run if f == -1 else run[::-1], line])
    return line


def material_at(solid: Any, axes: Axes, z: float) -> Any:
    """The part's section at a height (shapely)."""
    rings = [shapely.make_valid(shapely.polygons(r)) for r in lines_at(solid, axes, z)]
    found = shapely.Polygon()
    for ring in sorted(rings, key=lambda r: -r.area):
        found = shapely.symmetric_difference(found, ring)
    return found


def beyond_mm(path: Sequence[FilePass], material: Any, z: float) -> float:
    """How deep a path cuts into the part at a height."""
    points = np.vstack([p.points(z) for p in path])
    inside = points[shapely.contains_xy(material, points[:, 0], points[:, 1])]
    if len(inside) == 0:
        return 0.0
    return float(shapely.distance(shapely.points(inside), material.boundary).max())


def left_mm(path: Sequence[FilePass], walls: Sequence[Any], z: float) -> float:
    """How far the walls' points (n, 2) are from what the path leaves at a height."""
    made = shapely.union_all([p.section(z) for p in path])
    edge = made.boundary if path[0].closed else made
    points = np.vstack(list(walls))
    return float(shapely.distance(shapely.points(points), edge).max())


def heights_between(path: Sequence[FilePass], low: float, high: float, near: float) -> list[float]:
    """Heights in every stretch between those of the passes: near its ends and inside."""
    marks = sorted({low, high, *(h for p in path for h in (p.lower_z, p.upper_z) if low < h < high)})
    return [
        a + s * (b - a)
        for a, b in zip(marks[:-1], marks[1:], strict=True)
        if b - a > 0.01
        for s in (near, 0.23, 0.5, 0.81, 1 - near)
    ]

"""The files of a part's stock: every stage, meshes, and the drawing of what grinding saves in roughing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from OCP.BRepAdaptor import BRepAdaptor_Curve, BRepAdaptor_Surface
from OCP.GeomAbs import GeomAbs_SurfaceType
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopoDS import TopoDS

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.shapes import each
from featurize.brep.solids import facets
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Kind
from routing.export.solid_files import Colour, WriteError, write_3mf, write_step, write_stl
from routing.processes.material_rules import MaterialRule
from routing.processes.shop import Shop
from routing.stock.ground import GroundStock
from routing.stock.levels import Sides
from routing.stock.roughing import drawing, rough
from routing.stock.stages import Stage, stages
from routing.stock.stock_names import DRAWING, DRILLED, GROUND, MESH_3MF, ROUGHED, STEMS, WIRED

_PROCESS = {GROUND: "surface grind", WIRED: "wire", DRILLED: "mill", ROUGHED: "mill"}


def deliver(
    part: Part,
    stock: GroundStock,
    made: Sequence[tuple[str, str, Feature, Mapping[str, float | str]]],
    shop: Shop,
    rule: MaterialRule,
    folder: Path,
    *,
    name: str,
    colours: Mapping[str, Colour],
    source_faces: Sequence[int] | None = None,
) -> dict[str, Any]:
    """Writes every file of the stock and gives what route.json says of them.

    ``made`` has process, side, feature and the details of its verdict; ``colours`` sRGB for "blank" and each
    process. Raises WriteError.
    """
    work = [m for m in made if m[2].kind != Kind.OUTSIDE_FACE]
    milled = [m for m in work if m[0] == "mill" and not m[2].bores]
    seen = Sides(part)
    found = stages(
        part,
        stock.solid,
        stock.blank,
        {
            "wire": [f for process, _, f, _ in work if process == "wire"],
            "drill": [f for process, _, f, _ in work if process == "mill" and f.bores],
        },
        [
            (part.frame.direction(side), [f for _, s, f, _ in milled if s == side])
            for side in dict.fromkeys(m[1] for m in milled)
            if len(side) == 2
        ],
        _finest(shop, [d for *_, d in milled]),
        source_faces,
        seen=seen,
    )
    known: dict[Any, tuple[str, Colour]] = {}
    told = []
    last: _Written | None = None
    for stage in found:
        labels = _labels(stage, stock, known, colours)
        try:
            written = _write(stage, labels, folder, name, last)
        except WriteError as error:
            if last is None:
                raise
            # The last body holds this one: it is never too small.
            why = (*stage.notes, f"the file holds the stock {last.stage.name}: {error}")
            stage = replace(last.stage, name=stage.name, lost_mm3=0.0, grown_mm3=0.0, notes=why)
            written = _write(stage, last.labels, folder, name, last)
        if last is None:
            ground = written.triangles
        last = written
        told.append(
            {
                "name": stage.name,
                "file": f"{STEMS[stage.name]}.step",
                "volume_mm3": stage.volume_mm3,
                "lost_mm3": stage.lost_mm3,
                "grown_mm3": stage.grown_mm3,
                "notes": list(stage.notes),
            }
        )
    write_3mf(stock.solid, folder / MESH_3MF, name=f"{name} {GROUND}", triangles=ground)
    wanted = [
        (side, f) for process, side, f, _ in work if process in ("surface grind", "mill") and not f.bores
    ]
    result = rough(part, wanted, facets(stock.blank.solid), ground, shop, rule, seen=seen)
    pictures = ([], []) if result is None else result[1:]
    (folder / DRAWING).write_text(drawing(*pictures, f"{name}: roughing by levels"), encoding="utf-8")
    return {"stages": told, "roughing": None if result is None else asdict(result[0])}


@dataclass(frozen=True, eq=False)
class _Written:
    """A stage whose files are written: the next, where it is the same body, needs no mesh or reading back."""

    stage: Stage
    labels: list[tuple[str, Colour]]
    step: Path
    title: str
    triangles: Array


def _write(
    stage: Stage, labels: list[tuple[str, Colour]], folder: Path, name: str, last: _Written | None
) -> _Written:
    step, title = folder / f"{STEMS[stage.name]}.step", f"{name} {stage.name}"
    same = last is not None and last.stage.solid.IsSame(stage.solid)
    like = (last.step, last.title) if last is not None and same else None
    write_step(stage.solid, step, name=title, faces=labels, like=like)
    triangles = last.triangles if last is not None and same else facets(stage.solid)
    write_stl(stage.solid, step.with_suffix(".stl"), name=title, triangles=triangles)
    return _Written(stage, labels, step, title, triangles)


def _finest(shop: Shop, details: Sequence[Mapping[str, float | str]]) -> Any:
    """The smallest cutter that the milled features were given: what it roughs, the others' pockets hold."""
    sizes = [float(d["cutter_mm"]) for d in details if "cutter_mm" in d]
    fits = [
        c for c in shop.cutters if c.kind != "ball" and sizes and c.diameter_mm <= min(sizes) + tol.LENGTH_MM
    ]
    return max(fits, key=lambda c: c.diameter_mm, default=None)


def _labels(
    stage: Stage, stock: GroundStock, known: dict[Any, tuple[str, Colour]], colours: Mapping[str, Colour]
) -> list[tuple[str, Colour]]:
    """Name and colour of each face, of the operation that left it; ``known`` carries on to the next stage."""
    found = []
    for shape in each(stage.solid, TopAbs_ShapeEnum.TopAbs_FACE):
        face = TopoDS.Face_s(shape)
        key = _key(face)
        if key not in known:
            if stage.name == GROUND:
                who = _grinder(face, stock)
                known[key] = (who, colours["surface grind"]) if who else ("blank", colours["blank"])
            else:
                known[key] = (stage.name[3:], colours[_PROCESS[stage.name]])
        found.append(known[key])
    return found


def _grinder(face: Any, stock: GroundStock) -> str:
    """The features whose grinding left a face: all its edges lie on the wheel's path."""
    points = []
    for shape in each(face, TopAbs_ShapeEnum.TopAbs_EDGE):
        curve = BRepAdaptor_Curve(TopoDS.Edge_s(shape))
        first, last = curve.FirstParameter(), curve.LastParameter()
        for share in (0.0, 0.37, 0.71, 1.0):
            p = curve.Value(first + share * (last - first))
            points.append((p.X(), p.Y(), p.Z()))
    for c in stock.removed:
        outline = shapely.linestrings(np.vstack([*(s.points() for s in c.path), c.path[0].start]))
        if (
            float(np.max(shapely.distance(outline, shapely.points(c.view.flat(np.array(points))))))
            < tol.LENGTH_MM
        ):
            return f"ground {' '.join(c.features)}"
    return ""


def _key(face: Any) -> tuple[Any, ...]:
    """What two faces on one surface share; of other surfaces the kernel's own."""
    surface = BRepAdaptor_Surface(face)
    if surface.GetType() == GeomAbs_SurfaceType.GeomAbs_Plane:
        plane = surface.Plane()
        normal, at = plane.Axis().Direction(), plane.Location()
        n, p = np.array([normal.X(), normal.Y(), normal.Z()]), np.array([at.X(), at.Y(), at.Z()])
        n = n * np.sign(n[int(np.argmax(np.abs(n)))])
        return ("plane", *_rounded(n, 6), *_rounded(np.array([p @ n]), 4))
    if surface.GetType() == GeomAbs_SurfaceType.GeomAbs_Cylinder:
        round_ = surface.Cylinder()
        axis, at = round_.Axis().Direction(), round_.Location()
        n, p = np.array([axis.X(), axis.Y(), axis.Z()]), np.array([at.X(), at.Y(), at.Z()])
        n = n * np.sign(n[int(np.argmax(np.abs(n)))])
        return ("cylinder", *_rounded(n, 6), *_rounded(p - (p @ n) * n, 4), round(round_.Radius(), 4))
    return ("other", hash(face.TShape()))


def _rounded(values: Array, digits: int) -> tuple[float, ...]:
    return tuple(float(v) for v in np.round(values, digits) + 0.0)

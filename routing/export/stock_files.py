"""The files of a part's stock: every stage, meshes, and the drawing of what grinding saves in roughing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Curve, BRepAdaptor_Surface
from OCP.GeomAbs import GeomAbs_SurfaceType
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopoDS import TopoDS

from featurize import tolerances as tol
from featurize.brep.shapes import each
from featurize.brep.solids import facets
from featurize.brep.surfaces import Array
from routing.export.header import UNSIGNED, FileHeader
from routing.export.kept_bodies import keep, keep_as
from routing.export.palette import rgb
from routing.export.solid_files import Colour, WriteError, write_3mf, write_step, write_stl
from routing.plan.plan import Plan, PlannedStep
from routing.processes.mill.levels import Sides
from routing.processes.protocol import BORING, Removal, Stage, Task
from routing.processes.tools import Cutter
from routing.stock.ground import GroundStock, tool_of
from routing.stock.roughing import drawing, rough
from routing.stock.stages import StockBody, StockStep, bodies
from routing.stock.stock_names import DRAWING, FOLDER, GROUND_STEM, MESH_3MF, stem


def deliver(
    plan: Plan,
    stock: GroundStock,
    folder: Path,
    *,
    name: str,
    source_faces: Sequence[int] | None = None,
    header: FileHeader = UNSIGNED,
) -> dict[str, Any]:
    """Writes every file of the stock and gives what route.json says of them. Raises WriteError."""
    part, shop, rule = plan.job.part, plan.job.shop, plan.job.shop.rule(plan.job.material)
    ground = facets(stock.solid)
    labels = _labels_of_ground(stock)
    write_step(
        stock.solid, folder / f"{GROUND_STEM}.step", name=f"{name} ground stock", faces=labels, header=header
    )
    write_stl(stock.solid, folder / f"{GROUND_STEM}.stl", name=f"{name} ground stock", triangles=ground)
    write_3mf(stock.solid, folder / MESH_3MF, name=f"{name} ground stock", triangles=ground)
    seen = Sides(part)
    assert plan.job.blanks is not None
    made = bodies(part, plan.job.blanks.bought, list(stock_steps(plan, stock)), source_faces, seen=seen)
    stages, last = [], None  # type: list[dict[str, Any]], _Written | None
    known: dict[Any, tuple[str, Colour]] = {}
    left = {step.number: _left_by(step) for step in plan.steps}
    for body in made:
        found = _labels(body, stock, known, left)
        try:
            written = _write(body, found, folder, name, last, header)
        except WriteError as error:
            if last is None:
                raise
            # The last body holds this one: it is never too small.
            why = (*body.notes, f"the file holds the stock before: {error}")
            body = replace(body, solid=last.body.solid, volume_mm3=last.body.volume_mm3, notes=why)
            written = _write(body, last.labels, folder, name, last, header)
        last = written
        stages.append(
            {
                "setup": body.setup,
                "step": body.step,
                "name": body.name,
                "file": f"{FOLDER}/{written.step.name}",
                "volume_mm3": body.volume_mm3,
                "lost_mm3": body.lost_mm3,
                "grown_mm3": body.grown_mm3,
                "levels_mm": body.levels_mm,
                "notes": list(body.notes),
            }
        )
    wanted = [
        (step.approach.side, p.task.feature)
        for step in plan.steps
        if step.stage in (Stage.GRIND, Stage.ROUGH)
        for p in step.passes
        if not p.task.feature.bores
    ]
    result = rough(part, wanted, facets(stock.blank.solid), ground, shop, rule, seen=seen)
    pictures = ([], []) if result is None else result[1:]
    (folder / DRAWING).write_text(drawing(*pictures, f"{name}: roughing by levels"), encoding="utf-8")
    return {"stages": stages, "roughing": None if result is None else asdict(result[0])}


# Parameters of an endless surface end here (mm).
_FAR = 1e3

# Steps that take a bulk, or the last of it.
_BULK = (
    *BORING,
    Stage.START_HOLE,
    Stage.GRIND,
    Stage.WIRE,
    Stage.ROUGH,
    Stage.SOFT_ROUGH,
    Stage.FINISH,
    Stage.ERODE,
)


def stock_steps(plan: Plan, stock: GroundStock) -> Iterator[StockStep]:
    """The plan's steps as stock sees them."""
    job, corners = plan.job, stock.blank.corners
    assert job.blanks is not None
    for step in plan.steps:
        blanks = job.blanks
        if (
            step.stage in (Stage.SQUARE, Stage.SIZE)
            and blanks.squaring_mm3 > tol.VOLUME_SHARE * job.blank_mm3
        ):
            to_size = step.stage == Stage.SIZE or blanks.soft is None
            yield StockStep(
                step.setup,
                step.number,
                step.stage.words,
                step.process,
                step.approach.direction,
                within=(blanks.squared if to_size or blanks.soft is None else blanks.soft).solid,
            )
        if step.stage not in _BULK or step.process not in job.processes:
            continue
        tasks = [p.task for p in step.passes]
        process = job.processes[step.process]
        common = (step.setup, step.number, step.stage.words, step.process, step.approach.direction)
        if step.stage == Stage.GRIND:
            ids = {t.feature.id for t in tasks}
            tools = tuple(tool_of(stock.blank, c) for c in stock.removed if ids & set(c.features))
            yield StockStep(*common, tools=tools)
        elif step.stage in (Stage.ROUGH, Stage.SOFT_ROUGH):
            cutter = _finest(tasks)
            pieces = tuple((t.feature, Removal()) for t in tasks)
            if cutter is not None:
                yield StockStep(*common, pieces, rough=cutter, leaves=process.leaves(job, tasks[0]))
        else:
            yield StockStep(*common, tuple((t.feature, process.removal(job, t, corners)) for t in tasks))


def _finest(tasks: Sequence[Task]) -> Cutter | None:
    """The smallest cutter that the features were given: what it roughs, the others' pockets hold."""
    owned = [t.tool for t in tasks if isinstance(t.tool, Cutter)]
    if not owned:
        return None
    smallest = min(c.diameter_mm for c in owned)
    return min(
        (c for c in owned if c.diameter_mm <= smallest + tol.LENGTH_MM), key=lambda c: c.form == "ball"
    )


@dataclass(frozen=True, eq=False)
class _Written:
    """A stage whose files are written: the next, where it is the same body, needs no mesh or reading back."""

    body: StockBody
    labels: list[tuple[str, Colour]]
    step: Path
    title: str
    triangles: Array


def _write(
    body: StockBody,
    labels: list[tuple[str, Colour]],
    folder: Path,
    name: str,
    last: _Written | None,
    header: FileHeader,
) -> _Written:
    step = folder / FOLDER / f"{stem(body.setup, body.step, body.name)}.step"
    title = f"{name} {step.stem}"
    same = last is not None and last.body.solid.IsSame(body.solid)
    like = (last.step, last.title) if last is not None and same else None
    kept = partial(keep, folder, f"{FOLDER}/{step.name}")
    write_step(body.solid, step, name=title, faces=labels, like=like, header=header, keep=kept)
    if last is not None and same:
        keep_as(folder, f"{FOLDER}/{step.name}", f"{FOLDER}/{last.step.name}")
    triangles = last.triangles if last is not None and same else facets(body.solid)
    write_stl(body.solid, step.with_suffix(".stl"), name=title, triangles=triangles)
    return _Written(body, labels, step, title, triangles)


def _left_by(step: PlannedStep) -> str:
    """The allowance that a step leaves for later ones, in words; of several from the least to the most."""
    sizes = {v for p in step.passes for v in (p.leaves.floor_mm, p.leaves.wall_mm) if v > 0}
    if not sizes:
        return ""
    words = " to ".join(f"{v:g}" for v in sorted({min(sizes), max(sizes)}))
    return f", {words} left"


def _labels(
    body: StockBody,
    stock: GroundStock,
    known: dict[Any, tuple[str, Colour]],
    left: Mapping[int, str],
) -> list[tuple[str, Colour]]:
    """Name and colour of each face, of the step that left it and with what; ``known`` carries on to the next
    body, ``left`` is what each step leaves, by its number."""
    found = []
    for shape in each(body.solid, TopAbs_ShapeEnum.TopAbs_FACE):
        face = TopoDS.Face_s(shape)
        key = _key(face)
        if key not in known:
            who = _grinder(face, stock)
            words = who or ("blank" if not body.step else f"{body.name} {body.step}{left[body.step]}")
            known[key] = words, rgb(body.process)
        found.append(known[key])
    return found


def _labels_of_ground(stock: GroundStock) -> list[tuple[str, Colour]]:
    found = []
    for shape in each(stock.solid, TopAbs_ShapeEnum.TopAbs_FACE):
        who = _grinder(TopoDS.Face_s(shape), stock)
        found.append((who, rgb("surface grind")) if who else ("blank", rgb("blank")))
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
            return f"ground {' '.join(c.features)}{_left_on(face, stock, c.features)}"
    return ""


def _left_on(face: Any, stock: GroundStock, features: Sequence[str]) -> str:
    """The allowance in front of a floor of the part that a flat ground face stands over, in words."""
    surface = BRepAdaptor_Surface(face)
    if surface.GetType() != GeomAbs_SurfaceType.GeomAbs_Plane:
        return ""
    n, p = _line(surface.Plane().Axis())
    for floor in (f for f in stock.floors if f.feature in features and f.offset_mm > tol.LENGTH_MM):
        off = np.abs((np.array(floor.points) - p) @ n)
        if float(np.abs(off - floor.offset_mm).max()) < tol.SURFACE_MM / 2:
            return f", {floor.offset_mm:g} left"
    return ""


def _key(face: Any) -> tuple[Any, ...]:
    """What two faces on one surface share, in numbers alone: a place in memory is another in each run."""
    surface = BRepAdaptor_Surface(face)
    kind = surface.GetType()
    if kind == GeomAbs_SurfaceType.GeomAbs_Plane:
        n, p = _line(surface.Plane().Axis())
        return ("plane", *_rounded(n, 6), *_rounded(np.array([p @ n]), 4))
    if kind == GeomAbs_SurfaceType.GeomAbs_Cylinder:
        n, p = _line(surface.Cylinder().Axis())
        return (
            "cylinder",
            *_rounded(n, 6),
            *_rounded(p - (p @ n) * n, 4),
            round(surface.Cylinder().Radius(), 4),
        )
    if kind == GeomAbs_SurfaceType.GeomAbs_Cone:
        cone = surface.Cone()
        n, _ = _line(cone.Axis())
        apex = np.array(cone.Apex().Coord())
        return ("cone", *_rounded(n, 6), *_rounded(apex, 4), round(abs(cone.SemiAngle()), 6))
    # Of any other, points at the ends of its own parameters, which trimming leaves alone.
    whole = BRep_Tool.Surface_s(face)
    u0, u1, v0, v1 = np.clip(whole.Bounds(), -_FAR, _FAR)
    middle = ((u0 + u1) / 2, (v0 + v1) / 2)
    points = [whole.Value(u, v).Coord() for u, v in ((u0, v0), (u0, v1), (u1, v0), middle)]
    return (str(kind), *_rounded(np.ravel(points), 4))


def _line(axis: Any) -> tuple[Array, Array]:
    """Direction (3,), the same for an axis and its opposite, and a point (3,)."""
    n, p = np.array(axis.Direction().Coord()), np.array(axis.Location().Coord())
    return n * np.sign(n[int(np.argmax(np.abs(n)))]), p


def _rounded(values: Array, digits: int) -> tuple[float, ...]:
    return tuple(float(v) for v in np.round(values, digits) + 0.0)

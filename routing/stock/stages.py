"""The stock after every operation: as ground, as wired, as drilled, as rough milled.

What is still to leave, stock less part, falls into pieces whose faces tell the features that bound them.
A piece bounded by features of one operation leaves whole; one shared with others is split by a region that
the operation sweeps. Nothing but these pieces is ever taken, so no stage can be smaller than the part; where
the kernel fails the material stays and the stage says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from OCP.BRepAlgoAPI import BRepAlgoAPI_Common, BRepAlgoAPI_Cut, BRepAlgoAPI_Section
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
from OCP.BRepPrimAPI import BRepPrimAPI_MakeCone, BRepPrimAPI_MakeCylinder, BRepPrimAPI_MakePrism
from OCP.gp import gp_Ax2, gp_Dir, gp_Pln, gp_Pnt, gp_Vec
from OCP.ShapeAnalysis import ShapeAnalysis_FreeBounds
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopoDS import TopoDS
from OCP.TopTools import TopTools_HSequenceOfShape

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.planar_path import Segment
from featurize.brep.shapes import each
from featurize.brep.solids import KernelError, cut, cut_in_turn, is_valid, prism, solids_of, volume_of
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Kind, Role
from routing.processes.shop import Cutter
from routing.stock.blank import Blank
from routing.stock.levels import ROUGH_FLOOR_MM, ROUGH_WALL_MM, Ground, Sides, tidy
from routing.stock.stock_names import DRILLED, GROUND, ROUGHED, WIRED

# What a stage may miss of the part or of the next stage, as a share of the part.
LOST_SHARE = 1e-6
# Vertices of a rough region are thinned by this, always toward the side that leaves material.
_THIN_MM = 0.04


@dataclass(frozen=True, eq=False)
class Stage:
    """``lost_mm3`` is what of the part lies outside this stage, ``grown_mm3`` what of it outside the last."""

    name: str
    solid: Any
    volume_mm3: float
    lost_mm3: float = 0.0
    grown_mm3: float = 0.0
    notes: tuple[str, ...] = ()


def stages(
    part: Part,
    ground: Any,
    blank: Blank,
    by_process: Mapping[str, Sequence[Feature]],
    rough: Sequence[tuple[Array, Sequence[Feature]]],
    cutter: Cutter | None,
    source_faces: Sequence[int] | None = None,
    *,
    seen: Sides | None = None,
) -> tuple[Stage, ...]:
    """Every stage in order, each contained in the last.

    ``by_process`` has the features that are wired ("wire") and drilled ("drill"), ``rough`` those milled
    from each direction (unit, model). ``source_faces`` are the places, as read, of the solid's faces;
    ``seen`` may know the features' plans already.
    """
    made = [Stage(GROUND, ground, volume_of(ground))]
    for name, key in ((WIRED, "wire"), (DRILLED, "drill")):
        features = by_process.get(key, ())
        last = made[-1]
        if not features:
            made.append(Stage(name, last.solid, last.volume_mm3, notes=(f"nothing is {name[3:]}",)))
            continue
        notes: list[str] = []
        tools: list[Any] = []
        try:
            pieces = _pieces(part, last.solid, source_faces)
            for f in features:
                tools += _of_feature(part, blank, f, features, pieces, notes)
        except Exception as error:  # the kernel's own have many names
            notes.append(f"left as it was: {error}")
        made.append(_less(part, last, name, tools, notes))
    try:
        made.append(_roughed(seen or Sides(part), made[-1], blank, rough, cutter))
    except Exception as error:
        last = made[-1]
        made.append(Stage(ROUGHED, last.solid, last.volume_mm3, notes=(f"left as it was: {error}",)))
    return tuple(made)


def _less(part: Part, last: Stage, name: str, tools: Sequence[Any], notes: Sequence[str]) -> Stage:
    """The last stage less tools, kept only if it is one valid solid that holds the part."""
    same = Stage(name, last.solid, last.volume_mm3, notes=tuple(dict.fromkeys(notes)))
    if not tools:
        return same
    try:
        solids = solids_of(cut_in_turn(last.solid, tools))
        # What falls off, as a slug does in the wire, is no stock: the body that holds the part stays, and it
        # is no smaller than the part.
        able = [s for s in solids if volume_of(s) > (1 - LOST_SHARE) * part.volume_mm3]
        if not able:
            raise KernelError("nothing that holds the part would be left")
        held = [(volume_of(cut(part.solid, [s])), s) for s in able]
        lost, solid = min(held, key=lambda pair: pair[0])
        grown = volume_of(cut(solid, [last.solid]))
    except Exception as error:  # the kernel's own have many names
        return Stage(name, last.solid, last.volume_mm3, notes=(*same.notes, f"left as it was: {error}"))
    if not is_valid(solid) or max(lost, grown) > LOST_SHARE * part.volume_mm3:
        return Stage(
            name,
            last.solid,
            last.volume_mm3,
            notes=(*same.notes, "left as it was: the kernel's result does not hold the part"),
        )
    return Stage(name, solid, volume_of(solid), max(0.0, lost), max(0.0, grown), same.notes)


def _pieces(part: Part, stock: Any, source_faces: Sequence[int] | None) -> list[tuple[Any, frozenset[int]]]:
    """The solids of stock less part, each with the logical faces of the part that bound it."""
    operation = BRepAlgoAPI_Cut(stock, part.solid)
    if not operation.IsDone():
        raise KernelError("the kernel could not take the part from the stock")
    logical = {place: f.id for f in part.faces for place in f.source}
    owners: dict[int, list[tuple[Any, int]]] = {}
    for k, face in enumerate(each(part.solid, TopAbs_ShapeEnum.TopAbs_FACE)):
        owner = logical.get(source_faces[k] if source_faces is not None else k, -1)
        for image in (face, *operation.Modified(face)):
            owners.setdefault(hash(image), []).append((image, owner))
    found = []
    for solid in solids_of(operation.Shape()):
        mine = each(solid, TopAbs_ShapeEnum.TopAbs_FACE)
        bounds = {o for f in mine for image, o in owners.get(hash(f), ()) if image.IsSame(f)}
        found.append((solid, frozenset(bounds)))
    return found


def _of_feature(
    part: Part,
    blank: Blank,
    feature: Feature,
    fellows: Sequence[Feature],
    pieces: Sequence[tuple[Any, frozenset[int]]],
    notes: list[str],
) -> list[Any]:
    """The solids that leave for one feature."""
    own = set(feature.faces)
    shared = {i for f in fellows for i in f.faces}
    threaded = Role.THREAD in feature.roles.values()
    taken: list[Any] = []
    for solid, bounds in pieces:
        if not bounds & own:
            continue
        if bounds <= shared and not threaded:
            taken.append(solid)
            continue
        try:
            swept = _bores(blank, feature) if feature.bores else _through(part, blank, feature)
            taken += [c for tool in swept for c in _common(solid, tool)]
        except Exception as error:
            notes.append(f"{feature.id} stays full: {error}")
    return taken


def _common(a: Any, b: Any) -> list[Any]:
    operation = BRepAlgoAPI_Common(a, b)
    if not operation.IsDone():
        raise KernelError("the kernel could not split what is left")
    return solids_of(operation.Shape())


def _bores(blank: Blank, feature: Feature) -> list[Any]:
    """Cylinders and cones of a hole's stages, the first drawn out of the blank."""
    assert feature.axis is not None
    mouth, out = np.array(feature.axis.origin), np.array(feature.axis.direction)
    clear = max(0.0, blank.extent(out)[1] - float(mouth @ out)) + 1.0
    found = []
    first = feature.bores[0]
    found.append(_turned(mouth + clear * out, -out, first.start_diameter_mm, first.start_diameter_mm, clear))
    for b in feature.bores:
        length = b.end_mm - b.start_mm
        if length > 0:
            start = mouth - b.start_mm * out
            ends = (b.start_diameter_mm, b.end_diameter_mm)
            found.append(_turned(start, -out, *ends, length))
    return found


def _turned(start: Array, along: Array, first_mm: float, last_mm: float, length_mm: float) -> Any:
    place = gp_Ax2(gp_Pnt(*start), gp_Dir(*along))
    if abs(first_mm - last_mm) < 1e-6:
        return BRepPrimAPI_MakeCylinder(place, first_mm / 2, length_mm).Shape()
    return BRepPrimAPI_MakeCone(place, first_mm / 2, last_mm / 2, length_mm).Shape()


def _through(part: Part, blank: Blank, feature: Feature) -> list[Any]:
    """The section of an opening's straight walls, exact, drawn through the blank."""
    if feature.axis is None or feature.kind == Kind.OUTSIDE_PROFILE:
        raise ValueError("it is not an opening with an axis")
    along = np.array(feature.axis.direction)
    walls = feature.faces_with(Role.LAND, Role.WALL, Role.CORNER, Role.BORE) or feature.faces
    cloud = part.mesh.vertices[np.unique(part.mesh.triangles[np.isin(part.mesh.face_ids, list(walls))])]
    reach = cloud @ along
    level = (float(reach.min()) + float(reach.max())) / 2
    middle = (cloud.min(axis=0) + cloud.max(axis=0)) / 2
    at = middle + (level - float(middle @ along)) * along
    plane = gp_Pln(gp_Pnt(*at), gp_Dir(*along))
    cutting = BRepAlgoAPI_Section(part.solid, plane)
    edges = TopTools_HSequenceOfShape()
    for e in each(cutting.Shape(), TopAbs_ShapeEnum.TopAbs_EDGE):
        edges.Append(e)
    wires = TopTools_HSequenceOfShape()
    ShapeAnalysis_FreeBounds.ConnectEdgesToWires_s(edges, 1e-5, False, wires)
    low, high = blank.extent(along)
    found = []
    flat = cloud - np.outer(cloud @ along - level, along)
    for k in range(1, wires.Length() + 1):
        wire = TopoDS.Wire_s(wires.Value(k))
        if not wire.Closed() or not _belongs(wire, flat):
            continue
        face = BRepBuilderAPI_MakeFace(plane, wire)
        if not face.IsDone():
            raise KernelError("the section of the opening is no face")
        up = BRepPrimAPI_MakePrism(face.Face(), gp_Vec(*((high - level + 1) * along))).Shape()
        down = BRepPrimAPI_MakePrism(face.Face(), gp_Vec(*((low - level - 1) * along))).Shape()
        found += [up, down]
    if not found:
        raise ValueError("no closed section of its walls")
    return found


def _belongs(wire: Any, cloud: Array) -> bool:
    """Whether a wire has the box of a feature's walls (mm, to what the mesh may miss)."""
    from OCP.Bnd import Bnd_Box
    from OCP.BRepBndLib import BRepBndLib

    box = Bnd_Box()
    BRepBndLib.AddOptimal_s(wire, box, False, False)
    low, high = (np.array([p.X(), p.Y(), p.Z()]) for p in (box.CornerMin(), box.CornerMax()))
    ends = np.array([low - cloud.min(axis=0), high - cloud.max(axis=0)])
    return bool(np.all(np.abs(ends) < 2 * tol.SURFACE_MM))


def _roughed(
    seen: Sides,
    last: Stage,
    blank: Blank,
    rough: Sequence[tuple[Array, Sequence[Feature]]],
    cutter: Cutter | None,
) -> Stage:
    """Recesses cleared by levels, with the rough allowances left on."""
    if cutter is None or not any(features for _, features in rough):
        return Stage(ROUGHED, last.solid, last.volume_mm3, notes=("nothing is rough milled",))
    notes = [f"{ROUGH_FLOOR_MM:g} on floors and {ROUGH_WALL_MM:g} on walls, cutter {cutter.diameter_mm:g}"]
    tools: list[Any] = []
    for toward, features in rough:
        top = blank.extent(toward)[1] - float(seen.part.frame.origin @ toward)
        step = max(cutter.diameter_mm, 1.0)
        for ground in seen.grounds(toward, features, top, step, cutter.radius_mm):
            tools += _cleared(ground, cutter, top)
    if not tools:
        return Stage(ROUGHED, last.solid, last.volume_mm3, notes=("no recess lets the rough cutter in",))
    return _less(seen.part, last, ROUGHED, tools, notes)


def _cleared(ground: Ground, cutter: Cutter, top_mm: float) -> Iterator[Any]:
    """What leaves a recess, from its deepest level up."""
    above = None
    levels = zip(ground.levels(cutter.radius_mm), ground.masks, strict=True)
    for level, mask in reversed(list(levels)):
        region = tidy(level.cleared.intersection(mask.buffer(cutter.radius_mm, join_style="mitre")))
        region = region.buffer(-_THIN_MM, join_style="mitre").simplify(_THIN_MM)
        if above is not None and region.symmetric_difference(above).area < 1e-3 * max(region.area, 1e-9):
            continue  # the deeper level has cleared it up to the top
        above = region
        for polygon in shapely.get_parts(region):
            if polygon.geom_type != "Polygon" or polygon.area < cutter.radius_mm**2 / 10:
                continue
            body = _prism(ground.view, polygon.exterior, level.bottom_mm, top_mm + 1)
            holes = [_prism(ground.view, r, level.bottom_mm - 1, top_mm + 2) for r in polygon.interiors]
            yield cut(body, holes) if holes else body


def _prism(view: Any, ring: Any, low_mm: float, high_mm: float) -> Any:
    points = shapely.get_coordinates(ring)[:-1]
    path = [Segment(a, b) for a, b in zip(points, np.roll(points, -1, axis=0), strict=True)]
    return prism(view, path, low_mm, high_mm)

"""What a tool sweeps that goes straight through or down an axis, as solids of the kernel."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from OCP.BRepAlgoAPI import BRepAlgoAPI_Section
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakePolygon
from OCP.BRepPrimAPI import BRepPrimAPI_MakePrism, BRepPrimAPI_MakeRevol
from OCP.gp import gp_Ax1, gp_Ax2, gp_Dir, gp_Pln, gp_Pnt, gp_Vec
from OCP.ShapeAnalysis import ShapeAnalysis_FreeBounds
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopoDS import TopoDS
from OCP.TopTools import TopTools_HSequenceOfShape

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.shapes import each
from featurize.brep.solids import KernelError
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Kind, Role
from routing.processes.protocol import Task
from routing.processes.tools import Drill, TubeElectrode


def drilled_bores(feature: Feature, blank_mm: Array) -> list[Any]:
    """A hole's stages as one solid of revolution, the first drawn out of the blank."""
    assert feature.axis is not None
    mouth, out = np.array(feature.axis.origin), np.array(feature.axis.direction)
    clear = max(0.0, float((blank_mm @ out).max()) - float(mouth @ out)) + 1.0
    profile = [(feature.bores[0].start_diameter_mm / 2, -clear)]
    for b in feature.bores:
        profile += [(b.start_diameter_mm / 2, b.start_mm), (b.end_diameter_mm / 2, b.end_mm)]
    return [turned(mouth, -out, profile)]


def pierced(task: Task, blank_mm: Array) -> list[Any]:
    """The hole for the wire, right through the blank whatever is open above or below by then."""
    assert task.at is not None
    assert isinstance(task.tool, Drill | TubeElectrode)
    at, along = np.array(task.at), task.approach.direction
    levels = blank_mm @ along - float(at @ along)
    radius = task.tool.diameter_mm / 2
    return [turned(at, along, [(radius, float(levels.min()) - 1.0), (radius, float(levels.max()) + 1.0)])]


def turned(start: Array, along: Array, profile: Sequence[tuple[float, float]]) -> Any:
    """The solid inside a profile of (radius, place along a unit direction from ``start``), up to its axis.

    One solid, not a cylinder and its point: booleans with two that share a rim may take the kernel minutes.
    """
    # Its seam lies where the kernel lays those of its own cylinders: walls that coincide are then one.
    x = gp_Ax2(gp_Pnt(*start), gp_Dir(*along)).XDirection()
    across = np.array([x.X(), x.Y(), x.Z()])
    # The kernel takes a point on the axis, but nothing that is nearly one.
    spots = [(0.0 if r < tol.LENGTH_MM else r, at) for r, at in profile]
    spots = [(0.0, spots[0][1]), *spots, (0.0, spots[-1][1])]
    spots = [
        s for k, s in enumerate(spots) if not k or np.hypot(*np.subtract(s, spots[k - 1])) > tol.LENGTH_MM
    ]
    outline = BRepBuilderAPI_MakePolygon()
    for radius, at in spots:
        outline.Add(gp_Pnt(*(start + radius * across + at * along)))
    outline.Close()
    face = BRepBuilderAPI_MakeFace(outline.Wire()).Face()
    return BRepPrimAPI_MakeRevol(face, gp_Ax1(gp_Pnt(*start), gp_Dir(*along))).Shape()


def through_opening(part: Part, feature: Feature, low_mm: float, high_mm: float) -> list[Any]:
    """The section of an opening's straight walls, exact, drawn from one level to another along its axis.

    Raises ValueError for what is no opening with an axis.
    """
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
    found = []
    flat = cloud - np.outer(cloud @ along - level, along)
    for k in range(1, wires.Length() + 1):
        wire = TopoDS.Wire_s(wires.Value(k))
        if not wire.Closed() or not _belongs(wire, flat):
            continue
        face = BRepBuilderAPI_MakeFace(plane, wire)
        if not face.IsDone():
            raise KernelError("the section of the opening is no face")
        up = BRepPrimAPI_MakePrism(face.Face(), gp_Vec(*((high_mm - level + 1) * along))).Shape()
        down = BRepPrimAPI_MakePrism(face.Face(), gp_Vec(*((low_mm - level - 1) * along))).Shape()
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

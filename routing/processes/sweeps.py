"""What a tool sweeps that goes straight through or down an axis, as solids of the kernel."""

from __future__ import annotations

from typing import Any

import numpy as np
from OCP.BRepAlgoAPI import BRepAlgoAPI_Section
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
from OCP.BRepPrimAPI import BRepPrimAPI_MakeCone, BRepPrimAPI_MakeCylinder, BRepPrimAPI_MakePrism
from OCP.gp import gp_Ax2, gp_Dir, gp_Pln, gp_Pnt, gp_Vec
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


def drilled_bores(feature: Feature, blank_mm: Array) -> list[Any]:
    """Cylinders and cones of a hole's stages, the first drawn out of the blank."""
    assert feature.axis is not None
    mouth, out = np.array(feature.axis.origin), np.array(feature.axis.direction)
    clear = max(0.0, float((blank_mm @ out).max()) - float(mouth @ out)) + 1.0
    found = []
    first = feature.bores[0]
    found.append(turned(mouth + clear * out, -out, first.start_diameter_mm, first.start_diameter_mm, clear))
    for b in feature.bores:
        length = b.end_mm - b.start_mm
        if length > 0:
            start = mouth - b.start_mm * out
            ends = (b.start_diameter_mm, b.end_diameter_mm)
            found.append(turned(start, -out, *ends, length))
    return found


def turned(start: Array, along: Array, first_mm: float, last_mm: float, length_mm: float) -> Any:
    """A cylinder or cone from a point along a unit direction; diameters at its ends."""
    place = gp_Ax2(gp_Pnt(*start), gp_Dir(*along))
    if abs(first_mm - last_mm) < 1e-6:
        return BRepPrimAPI_MakeCylinder(place, first_mm / 2, length_mm).Shape()
    # The kernel takes a point, but nothing that is nearly one.
    ends = (0.0 if d < tol.LENGTH_MM else d / 2 for d in (first_mm, last_mm))
    return BRepPrimAPI_MakeCone(place, *ends, length_mm).Shape()


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

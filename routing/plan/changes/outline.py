"""The outline of upright walls as a flat face."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from OCP.BRepAlgoAPI import BRepAlgoAPI_Section
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
from OCP.gp import gp_Dir, gp_Pln, gp_Pnt
from OCP.ShapeAnalysis import ShapeAnalysis_FreeBounds
from OCP.TopoDS import TopoDS
from OCP.TopTools import TopTools_HSequenceOfShape

from featurize import tolerances as tol
from featurize.brep.kernel_faces import kernel_faces
from featurize.brep.part import Part
from featurize.brep.shapes import EDGE, each
from featurize.brep.solids import KernelError
from featurize.brep.surfaces import Array


def floor_of(part: Part, walls: Sequence[int], up: Array, level_mm: float) -> Any:
    """The face that walls enclose at a level along a direction, looking down; raises KernelError."""
    plane = gp_Pln(gp_Pnt(*(level_mm * up)), gp_Dir(*(-up)))
    edges = TopTools_HSequenceOfShape()
    for wall in walls:
        for face in kernel_faces(part)[wall]:
            cutting = BRepAlgoAPI_Section(face, plane, False)
            cutting.Build()
            for edge in each(cutting.Shape(), EDGE):
                edges.Append(edge)
    wires = TopTools_HSequenceOfShape()
    ShapeAnalysis_FreeBounds.ConnectEdgesToWires_s(edges, tol.LENGTH_MM, False, wires)
    if wires.Length() != 1:
        raise KernelError("the walls enclose no single outline")
    made = BRepBuilderAPI_MakeFace(plane, TopoDS.Wire_s(wires.Value(1)), True)
    if not made.IsDone():
        raise KernelError("the outline of the walls is not flat")
    return made.Face()

"""Small changes to a solid, as a designer would make them: each gives one sound solid or raises KernelError.

Places and directions are in model coordinates, lengths mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from OCP.BRepAdaptor import BRepAdaptor_Curve
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Defeaturing, BRepAlgoAPI_Fuse
from OCP.BRepBuilderAPI import BRepBuilderAPI_Copy, BRepBuilderAPI_MakePolygon
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace as MakeFace
from OCP.BRepFilletAPI import BRepFilletAPI_MakeFillet
from OCP.BRepPrimAPI import BRepPrimAPI_MakeCone, BRepPrimAPI_MakeCylinder, BRepPrimAPI_MakePrism
from OCP.GeomAbs import GeomAbs_CurveType
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt, gp_Vec
from OCP.LocOpe import LocOpe_DPrism
from OCP.ShapeUpgrade import ShapeUpgrade_UnifySameDomain
from OCP.TopoDS import TopoDS

from featurize import tolerances as tol
from featurize.brep.shapes import EDGE, each
from featurize.brep.solids import KernelError, built, is_valid, solids_of, volume_of
from featurize.brep.surfaces import Array
from featurize.feature import Axis, Bore

# Tools stand out of what they cut by this, so that no skin of no thickness stays.
CLEAR_MM = 1.0


def without(solid: Any, faces: Sequence[Any]) -> Any:
    """The solid with faces taken away and their neighbours carried on: a hole filled, an edge made sharp."""
    operation = BRepAlgoAPI_Defeaturing()
    operation.SetShape(solid)
    for face in faces:
        operation.AddFaceToRemove(face)
    operation.SetRunParallel(False)
    operation.Build()
    return _done(operation, "take the faces away")


def less(solid: Any, *tools: Any) -> Any:
    """The solid less several tools."""
    return _done(built(BRepAlgoAPI_Cut(), solid, tools, "cut the part"), "cut the part")


def more(solid: Any, *bodies: Any) -> Any:
    """The solid and bodies that fill it, as one."""
    return _done(built(BRepAlgoAPI_Fuse(), solid, bodies, "fill the part"), "fill the part")


def rounded(solid: Any, edges: Sequence[Any], radius_mm: float) -> Any:
    """The solid with a radius along some of its edges."""
    operation = BRepFilletAPI_MakeFillet(solid)
    for edge in edges:
        operation.Add(radius_mm, TopoDS.Edge_s(edge))
    operation.Build()
    return _done(operation, f"put R {radius_mm:g} there")


def straight_edges_on(solid: Any, place: Array, direction: Array) -> list[Any]:
    """The straight edges of a solid that lie on a line, within what surfaces are alike by."""
    found = []
    for shape in each(solid, EDGE):
        curve = BRepAdaptor_Curve(TopoDS.Edge_s(shape))
        if curve.GetType() != GeomAbs_CurveType.GeomAbs_Line:
            continue
        ends = [np.array(curve.Value(t).Coord()) for t in (curve.FirstParameter(), curve.LastParameter())]
        off = [np.linalg.norm(np.cross(end - place, direction)) for end in ends]
        if max(off) < tol.SURFACE_MM:
            found.append(shape)
    return found


def box(axes: Array, low: Array, high: Array) -> Any:
    """A box between two corners (3,), given along the rows of ``axes`` (3, 3)."""
    corners = [(0, 0), (1, 0), (1, 1), (0, 1)]
    spans = np.array([low, high])
    points = [np.array([spans[a, 0], spans[b, 1], low[2]]) @ axes for a, b in corners]
    return block(points, (high[2] - low[2]) * axes[2])


def block(corners: Sequence[Array], way: Array) -> Any:
    """A flat polygon (its corners in order) swept along a way (3,)."""
    polygon = BRepBuilderAPI_MakePolygon()
    for corner in corners:
        polygon.Add(gp_Pnt(*map(float, corner)))
    polygon.Close()
    face = MakeFace(polygon.Wire(), True)
    if not face.IsDone():
        raise KernelError("the corners of a block lie in no plane")
    return swept(face.Face(), way)


def swept(face: Any, way: Array) -> Any:
    """A face swept along a way (3,)."""
    return BRepPrimAPI_MakePrism(face, gp_Vec(*map(float, way))).Shape()


def flared(face: Any, way_mm: float, lean_deg: float) -> Any:
    """A flat face swept along its normal, each side leaning outwards by an angle."""
    lean = float(np.radians(lean_deg))
    # The kernel measures along the lean, and narrows where the angle is positive.
    operation = LocOpe_DPrism(face, way_mm / np.cos(lean), -lean)
    if not operation.IsDone():
        raise KernelError("the kernel could not sweep the outline at an angle")
    return operation.Shape()


def bored(axis: Axis, bores: Sequence[Bore], out_mm: float = CLEAR_MM) -> list[Any]:
    """What stages of a hole take away, one body each; the first stands out of the mouth by ``out_mm``."""
    at, inwards = np.array(axis.origin), -np.array(axis.direction)
    found = []
    for n, b in enumerate(bores):
        start = b.start_mm - (out_mm if n == 0 and b.is_cylinder else 0.0)
        place = gp_Ax2(gp_Pnt(*(at + start * inwards)), gp_Dir(*inwards))
        length = b.end_mm - start
        wide, narrow = (_radius(d) for d in (b.start_diameter_mm, b.end_diameter_mm))
        if b.is_cylinder:
            found.append(BRepPrimAPI_MakeCylinder(place, wide, length).Shape())
        elif abs(length) > tol.LENGTH_MM:
            found.append(BRepPrimAPI_MakeCone(place, wide, narrow, length).Shape())
    return found


def _radius(diameter_mm: float) -> float:
    return diameter_mm / 2 if diameter_mm > tol.LENGTH_MM else 0.0


def _done(operation: Any, what: str) -> Any:
    if not operation.IsDone():
        raise KernelError(f"the kernel could not {what}")
    shape = operation.Shape()
    joined = ShapeUpgrade_UnifySameDomain(BRepBuilderAPI_Copy(shape).Shape(), True, True, False)
    joined.Build()  # spoils what it cannot join
    solids = solids_of(joined.Shape() if is_valid(joined.Shape()) else shape)
    if len(solids) != 1 or not is_valid(solids[0]) or volume_of(solids[0]) <= 0:
        raise KernelError(f"no sound part is left where one would {what}")
    return TopoDS.Solid_s(solids[0])

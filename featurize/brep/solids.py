"""The few kernel operations that stock needs, each with its check."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from OCP.Bnd import Bnd_Box
from OCP.BRep import BRep_Tool
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepBndLib import BRepBndLib
from OCP.BRepBuilderAPI import (
    BRepBuilderAPI_Copy,
    BRepBuilderAPI_MakeEdge,
    BRepBuilderAPI_MakeFace,
    BRepBuilderAPI_MakeWire,
)
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.BRepGProp import BRepGProp
from OCP.BRepPrimAPI import BRepPrimAPI_MakePrism, BRepPrimAPI_MakeRevol
from OCP.GC import GC_MakeArcOfCircle
from OCP.gp import gp_Ax1, gp_Dir, gp_Lin, gp_Pln, gp_Pnt, gp_Vec
from OCP.GProp import GProp_GProps
from OCP.IntCurvesFace import IntCurvesFace_ShapeIntersector
from OCP.TopAbs import TopAbs_Orientation, TopAbs_ShapeEnum
from OCP.TopoDS import TopoDS
from OCP.TopTools import TopTools_ListOfShape

from featurize import tolerances as tol
from featurize.brep.planar_path import Segment
from featurize.brep.shapes import each
from featurize.brep.silhouette import View
from featurize.brep.surfaces import Array
from featurize.brep.triangulation import mesh_settings, triangles_of, triangulate


class KernelError(RuntimeError):
    """A boolean or a build failed; the message says which."""


def solids_of(shape: Any) -> list[Any]:
    """The solids in a shape."""
    return each(shape, TopAbs_ShapeEnum.TopAbs_SOLID)


def volume_of(shape: Any) -> float:
    """Volume in mm3, exact for analytic faces."""
    properties = GProp_GProps()
    BRepGProp.VolumeProperties_s(shape, properties)
    return float(properties.Mass())


def area_of(shape: Any) -> float:
    """Area of all its faces, mm2."""
    properties = GProp_GProps()
    BRepGProp.SurfaceProperties_s(shape, properties)
    return float(properties.Mass())


def centre_of(shape: Any) -> Array:
    """The centre of mass (3,), mm."""
    properties = GProp_GProps()
    BRepGProp.VolumeProperties_s(shape, properties)
    return np.array(properties.CentreOfMass().Coord())


def is_valid(shape: Any) -> bool:
    """The kernel's own check of topology and geometry."""
    return bool(BRepCheck_Analyzer(shape).IsValid())


def prism(view: View, path: Sequence[Segment], start_mm: float, end_mm: float) -> Any:
    """A closed path swept along the view from one place to another (mm along it from its origin)."""
    way = gp_Vec(*((end_mm - start_mm) * np.asarray(view.along)))
    return BRepPrimAPI_MakePrism(_face(view, path, start_mm), way).Shape()


def turned(view: View, path: Sequence[Segment], at_mm: float, axis_mm: float, sense: int) -> Any:
    """A closed path at a place along the view, turned a quarter about an axis across, at a level above it.

    ``sense`` is 1 for a turn of what is lowest to the end of the view, -1 for one to its start. Raises
    KernelError where the path comes up to the axis.
    """
    if max(float(s.points()[:, 1].max()) for s in path) > axis_mm - tol.LENGTH_MM:
        raise KernelError("a wheel would stand deeper than its own axis")
    axis = gp_Ax1(gp_Pnt(*view.solid(np.array([0.0, axis_mm]), at_mm)), gp_Dir(*view.across))
    return BRepPrimAPI_MakeRevol(_face(view, path, at_mm), axis, -sense * np.pi / 2).Shape()


def _face(view: View, path: Sequence[Segment], at_mm: float) -> Any:
    wire = BRepBuilderAPI_MakeWire()
    starts = [gp_Pnt(*view.solid(s.start, at_mm)) for s in path]
    for k, s in enumerate(path):
        a, b = starts[k], starts[(k + 1) % len(path)]
        if s.mid is None:
            wire.Add(BRepBuilderAPI_MakeEdge(a, b).Edge())
        else:
            arc = GC_MakeArcOfCircle(a, gp_Pnt(*view.solid(s.mid, at_mm)), b).Value()
            wire.Add(BRepBuilderAPI_MakeEdge(arc, a, b).Edge())
    if not wire.IsDone():
        raise KernelError("the profile of a wheel does not close")
    plane = gp_Pln(starts[0], gp_Dir(*view.along))
    face = BRepBuilderAPI_MakeFace(plane, wire.Wire())
    if not face.IsDone():
        raise KernelError("the profile of a wheel is not flat")
    return face.Face()


def fused(one: Any, other: Any) -> Any:
    """Two bodies as one."""
    operation = BRepAlgoAPI_Fuse(one, other)
    if not operation.IsDone():
        raise KernelError("the kernel could not join a wheel's way")
    return operation.Shape()


def built(operation: Any, body: Any, tools: Sequence[Any], what: str) -> Any:
    """A boolean operation of a body with several tools at once, done; raises KernelError with ``what``."""
    arguments, others = TopTools_ListOfShape(), TopTools_ListOfShape()
    arguments.Append(body)
    for tool in tools:
        others.Append(tool)
    operation.SetArguments(arguments)
    operation.SetTools(others)
    operation.SetRunParallel(False)
    operation.Build()
    if not operation.IsDone():
        raise KernelError(f"the kernel could not {what}")
    return operation


def cut(body: Any, tools: Sequence[Any]) -> Any:
    """A body less several tools, in one boolean."""
    operation = built(BRepAlgoAPI_Cut(), body, tools, "cut the stock")
    operation.SimplifyResult()
    return operation.Shape()


def cut_in_turn(body: Any, tools: Sequence[Any]) -> Any:
    """A body less tools that may cross each other: those whose boxes are apart go together.

    In one boolean the kernel would part every tool by every other, for minutes where this takes seconds.
    """
    layers: list[list[tuple[Bnd_Box, Any]]] = []
    for tool in tools:
        box = Bnd_Box()
        BRepBndLib.Add_s(tool, box)
        free = (layer for layer in layers if all(box.IsOut(other) for other, _ in layer))
        layer = next(free, None)
        if layer is None:
            layers.append(layer := [])
        layer.append((box, tool))
    for layer in layers:
        body = cut(body, [tool for _, tool in layer])
    return body


def is_closed(shape: Any) -> bool:
    """Whether no shell of a shape has a free edge."""
    shells = each(shape, TopAbs_ShapeEnum.TopAbs_SHELL)
    return bool(shells) and all(BRep_Tool.IsClosed_s(s) for s in shells)


def facets(
    solid: Any, deflection_mm: float = tol.MESH_DEFLECTION_MM, angle_deg: float = tol.MESH_ANGLE_DEG
) -> Array:
    """Triangles (m, 3, 3) of a solid, against the clock from outside.

    No chord stands off by more than ``deflection_mm``, no neighbours turn by more than ``angle_deg``.
    """
    copy = BRepBuilderAPI_Copy(solid, True, False).Shape()  # a mesh left on the shape would be kept as it is
    faces = [TopoDS.Face_s(shape) for shape in each(copy, TopAbs_ShapeEnum.TopAbs_FACE)]
    triangulate(copy, faces, mesh_settings(deflection_mm, angle_deg, within_faces=True))
    found = []
    for face, mesh in zip(faces, triangles_of(faces), strict=True):
        if mesh is not None:
            reverse = face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED
            found.append(mesh.nodes[mesh.corners[:, ::-1] if reverse else mesh.corners])
    return np.vstack(found)


def distance_along(solid: Any, points: Array, direction: Array) -> Array:
    """How far a solid's skin lies from points (n, 3) along a unit direction; nan where there is none.

    A skin up to 0.1 mm behind a point counts, as a negative distance.
    """
    back = 0.1
    rays = IntCurvesFace_ShapeIntersector()
    rays.Load(solid, 1e-7)
    found = []
    for p in points:
        rays.Perform(gp_Lin(gp_Pnt(*(p - back * direction)), gp_Dir(*direction)), 0.0, 1e6)
        hits = [rays.WParameter(k + 1) - back for k in range(rays.NbPnt())]
        found.append(min(hits, key=abs) if hits else np.nan)
    return np.array(found)

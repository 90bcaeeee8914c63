"""Small questions asked of kernel shapes."""

from __future__ import annotations

from typing import Any

from OCP.BRep import BRep_Tool
from OCP.BRepGProp import BRepGProp
from OCP.GProp import GProp_GProps
from OCP.TopAbs import TopAbs_Orientation, TopAbs_ShapeEnum
from OCP.TopExp import TopExp, TopExp_Explorer
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS
from OCP.TopTools import TopTools_IndexedDataMapOfShapeListOfShape, TopTools_IndexedMapOfShape

SOLID, SHELL = TopAbs_ShapeEnum.TopAbs_SOLID, TopAbs_ShapeEnum.TopAbs_SHELL
FACE, EDGE = TopAbs_ShapeEnum.TopAbs_FACE, TopAbs_ShapeEnum.TopAbs_EDGE
_SHAPE = TopAbs_ShapeEnum.TopAbs_SHAPE
_BOUNDING = (TopAbs_Orientation.TopAbs_FORWARD, TopAbs_Orientation.TopAbs_REVERSED)


def mapped(shape: Any, kind: Any) -> Any:
    """The kernel's indexed map (from 1) of the sub-shapes of a kind, each once."""
    found = TopTools_IndexedMapOfShape()
    TopExp.MapShapes_s(shape, kind, found)
    return found


def each(shape: Any, kind: Any) -> list[Any]:
    """The sub-shapes of a kind, each once, in TopExp.MapShapes order."""
    found = mapped(shape, kind)
    return [found(i + 1) for i in range(found.Extent())]


def outside(shape: Any, kind: Any, parent: Any) -> list[Any]:
    """The sub-shapes of a kind that are in no ``parent`` kind."""
    explorer, found = TopExp_Explorer(shape, kind, parent), []
    while explorer.More():
        found.append(explorer.Current())
        explorer.Next()
    return found


def unlocated(shape: Any) -> Any:
    """The shape at its definition's own place: the same for every copy of it."""
    return shape.Located(TopLoc_Location())


def free_edges(shape: Any) -> int:
    """How many edges bound one face only: 0 for a closed skin."""
    faces_of = TopTools_IndexedDataMapOfShapeListOfShape()
    TopExp.MapShapesAndAncestors_s(shape, EDGE, FACE, faces_of)  # a seam counts its face twice
    return sum(
        faces_of.FindFromIndex(i).Size() == 1
        and faces_of.FindKey(i).Orientation() in _BOUNDING
        and not BRep_Tool.Degenerated_s(TopoDS.Edge_s(faces_of.FindKey(i)))
        for i in range(1, faces_of.Extent() + 1)
    )


def volume_mm3(shape: Any) -> float:
    """Signed volume: negative when the skin faces inwards."""
    props = GProp_GProps()
    BRepGProp.VolumeProperties_s(shape, props)
    return float(props.Mass())


def centroid(face: Any) -> tuple[float, float, float]:
    """Centre of a face's area."""
    props = GProp_GProps()
    BRepGProp.SurfaceProperties_s(face, props)
    centre = props.CentreOfMass()
    return centre.X(), centre.Y(), centre.Z()


def plural(count: int, thing: str) -> str:
    """ "1 free edge", "3 free edges"."""
    return f"{count} {thing}" + ("" if count == 1 else "s")

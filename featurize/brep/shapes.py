"""Small questions asked of kernel shapes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Curve
from OCP.BRepGProp import BRepGProp
from OCP.GProp import GProp_GProps
from OCP.TopAbs import TopAbs_Orientation, TopAbs_ShapeEnum
from OCP.TopExp import TopExp, TopExp_Explorer
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS
from OCP.TopTools import TopTools_IndexedDataMapOfShapeListOfShape, TopTools_IndexedMapOfShape
from scipy.spatial import cKDTree

SOLID, SHELL = TopAbs_ShapeEnum.TopAbs_SOLID, TopAbs_ShapeEnum.TopAbs_SHELL
FACE, EDGE = TopAbs_ShapeEnum.TopAbs_FACE, TopAbs_ShapeEnum.TopAbs_EDGE
_GAP_SAMPLES = 33  # odd, so that one is the middle
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


@dataclass(frozen=True, order=True)
class Gap:
    """How far two things that should meet are apart (mm), and where."""

    width_mm: float = 0.0
    place: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @classmethod
    def between(cls, one: Any, other: Any) -> Gap:
        """The gap between two points (gp_Pnt); infinite where one is no number."""
        width = one.Distance(other)
        return cls(width if math.isfinite(width) else math.inf, (one.X(), one.Y(), one.Z()))

    def __str__(self) -> str:
        x, y, z = self.place
        return f"{self.width_mm:.3g} mm at x {x:.3f}, y {y:.3f}, z {z:.3f}"


def free_edges(shape: Any) -> int:
    """How many edges bound one face only: 0 for a closed skin."""
    return len(_free(shape))


def _free(shape: Any) -> list[Any]:
    faces_of = TopTools_IndexedDataMapOfShapeListOfShape()
    TopExp.MapShapesAndAncestors_s(shape, EDGE, FACE, faces_of)  # a seam counts its face twice
    edges = ((faces_of.FindKey(i), faces_of.FindFromIndex(i)) for i in range(1, faces_of.Extent() + 1))
    return [
        edge
        for edge, faces in edges
        if faces.Size() == 1
        and edge.Orientation() in _BOUNDING
        and not BRep_Tool.Degenerated_s(TopoDS.Edge_s(edge))
    ]


def widest_gap(shape: Any) -> Gap:
    """Where the middle of a free edge is farthest from the next free edge (which is sampled)."""
    share = [i / (_GAP_SAMPLES - 1) for i in range(_GAP_SAMPLES)]
    lines = []
    for edge in _free(shape):
        curve = BRepAdaptor_Curve(TopoDS.Edge_s(edge))
        first, last = curve.FirstParameter(), curve.LastParameter()
        at = (curve.Value(first + s * (last - first)) for s in share)
        lines.append([(p.X(), p.Y(), p.Z()) for p in at])
    middles = [line[_GAP_SAMPLES // 2] for line in lines]
    points = [p for line in lines for p in line]
    if len(lines) < 2:
        return Gap(math.inf, middles[0]) if lines else Gap()
    # One more than an edge has samples: at least one is of another edge.
    distances, found = cKDTree(points).query(middles, _GAP_SAMPLES + 1)
    gaps = []
    for own, (middle, far, near) in enumerate(zip(middles, distances, found, strict=True)):
        others = [d for d, j in zip(far.tolist(), near.tolist(), strict=True) if j // _GAP_SAMPLES != own]
        gaps.append(Gap(others[0], middle))
    return max(gaps)


def volume_mm3(shape: Any) -> float:
    """Signed volume: negative when the skin faces inwards."""
    props = GProp_GProps()
    BRepGProp.VolumeProperties_s(shape, props)
    return float(props.Mass())


def area_and_centre(face: Any) -> tuple[float, float, float, float]:
    """A face's area (mm2) and the centre of it (mm)."""
    props = GProp_GProps()
    BRepGProp.SurfaceProperties_s(face, props)
    centre = props.CentreOfMass()
    return float(props.Mass()), centre.X(), centre.Y(), centre.Z()


def centroid(face: Any) -> tuple[float, float, float]:
    """Centre of a face's area."""
    return area_and_centre(face)[1:]


def plural(count: int, thing: str) -> str:
    """ "1 free edge", "3 free edges"."""
    return f"{count} {thing}" + ("" if count == 1 else "s")

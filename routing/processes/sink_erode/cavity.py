"""What an electrode has to fill: the void over a feature, drawn out past its mouth and its open sides.

The void is the feature's silhouette seen from the electrode, swept from its lowest point to its mouth, less
the part. Its walls are therefore the part's own faces, exact; only where it ends in the air of another
feature is it the silhouette that bounds it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from OCP.Bnd import Bnd_Box
from OCP.BRep import BRep_Builder
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.BRepAlgoAPI import BRepAlgoAPI_Fuse
from OCP.BRepBndLib import BRepBndLib
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeVertex
from OCP.BRepExtrema import BRepExtrema_DistShapeShape
from OCP.BRepPrimAPI import BRepPrimAPI_MakePrism
from OCP.GeomAbs import GeomAbs_SurfaceType
from OCP.gp import gp_Pnt, gp_Vec
from OCP.ShapeUpgrade import ShapeUpgrade_UnifySameDomain
from OCP.TopAbs import TopAbs_Orientation, TopAbs_ShapeEnum
from OCP.TopoDS import TopoDS, TopoDS_Compound
from OCP.TopTools import TopTools_ListOfShape

from featurize import tolerances as tol
from featurize.brep.frame import SIDES
from featurize.brep.part import Part
from featurize.brep.planar_path import Segment
from featurize.brep.shapes import each
from featurize.brep.silhouette import View
from featurize.brep.solids import KernelError, cut, prism, solids_of, volume_of
from featurize.brep.surfaces import Array, Plane
from featurize.feature import Feature
from routing.processes.outlines import outline_of
from routing.processes.sink_erode.ends import opens_below

# A void smaller than this (mm3) is the noise of a boolean.
_NOISE_MM3 = 1e-6
# Planes of one boolean's result agree to this; far below the smallest gap.
_SAME_PLANE_MM = 1e-5


@dataclass(frozen=True, eq=False)
class Cavity:
    """``pieces`` are solids, seen in ``view`` (along it is toward the electrode); heights are along it.

    ``outline`` (shapely, in the view) is the feature's silhouette. ``open_sides`` are those of the part's box
    that the void reaches, without the one the electrode comes from.
    """

    part: Part
    feature: Feature
    view: View
    outline: Any
    pieces: tuple[Any, ...]
    low_mm: float
    mouth_mm: float
    top_mm: float  # the part's highest point
    open_sides: tuple[str, ...]
    open_below: bool  # it ends in the air of another feature, at its low level

    @property
    def volume_mm3(self) -> float:
        return sum(volume_of(piece) for piece in self.pieces)

    @cached_property
    def _skin(self) -> list[tuple[Any, Any]]:
        """The part's faces, each with its box."""
        return [(_box_of([f]), f) for f in each(self.part.solid, TopAbs_ShapeEnum.TopAbs_FACE)]

    def clearance_mm(self, bodies: Sequence[Any], near_mm: float) -> float:
        """The least distance of solids from the part's skin, exact up to ``near_mm``. Raises KernelError.

        Only the faces that come as near to a box about the solids are measured: a part has hundreds.
        """
        box = _box_of(bodies)
        box.Enlarge(near_mm)
        beside = [face for its, face in self._skin if not box.IsOut(its)]
        return distance_mm(_together(bodies), _together(beside))


def _box_of(shapes: Iterable[Any]) -> Any:
    box = Bnd_Box()
    for shape in shapes:
        BRepBndLib.Add_s(shape, box)
    return box


def _together(shapes: Iterable[Any]) -> Any:
    builder, found = BRep_Builder(), TopoDS_Compound()
    builder.MakeCompound(found)
    for shape in shapes:
        builder.Add(found, shape)
    return found


def distance_mm(a: Any, b: Any) -> float:
    """The kernel's least distance between two shapes; 0 inside a solid. Raises KernelError."""
    measure = BRepExtrema_DistShapeShape(a, b)
    if not measure.IsDone():
        raise KernelError("the kernel could not measure a distance")
    return float(measure.Value())


def vertex(point: Iterable[float]) -> Any:
    """A point as a shape."""
    return BRepBuilderAPI_MakeVertex(gp_Pnt(*(float(c) for c in point))).Vertex()


def cavity_of(part: Part, feature: Feature, toward: Array, *, margin_mm: float) -> Cavity:
    """The void over a feature, seen from a unit direction (3,) in model coordinates.

    ``margin_mm`` (under the gap) widens the silhouette of curved walls, whose facets lie inside them.
    Raises KernelError where there is no such void.
    """
    toward = np.asarray(toward, float) / np.linalg.norm(toward)
    view = View.of(part, toward)
    ids = np.array(feature.faces)
    cloud = part.mesh.vertices[part.mesh.corners(ids)]
    heights = (cloud - view.origin) @ toward
    whole = (part.mesh.vertices - view.origin) @ toward
    low, mouth = float(heights.min()), float(heights.max())
    below = opens_below(part, feature, toward)
    if not below and not _flat_at(part, feature, view, low):
        low = max(low - 4 * part.mesh.deflection_mm, float(whole.min()))
    outline = outline_of(part, view, ids)
    flat_walls = all(isinstance(part.faces[i].surface, Plane) for i in feature.faces)
    swept = outline if flat_walls else outline.buffer(margin_mm, join_style="mitre")
    if part.frame.side_of(toward) is not None:
        swept = shapely.intersection(swept, shapely.box(*_box(part, view)))
    columns = [_column(view, p, low, mouth) for p in shapely.get_parts(swept) if p.area > tol.LENGTH_MM]
    probes = [vertex(part.faces[i].points[0]) for i in feature.faces]
    pieces = [
        solid
        for column in columns
        for solid in solids_of(cut(column, [part.solid]))
        if volume_of(solid) > _NOISE_MM3 and any(distance_mm(solid, p) < tol.LENGTH_MM for p in probes)
    ]
    if not pieces:
        raise KernelError("no void stands over the feature")
    open_sides = tuple(
        s
        for s in SIDES
        if float(part.frame.direction(s) @ toward) < 0.5
        and any(_faces_on(piece, *_side_plane(part, s)) for piece in pieces)
    )
    return Cavity(
        part,
        feature,
        view,
        outline,
        tuple(pieces),
        low,
        mouth,
        max(mouth, float(whole.max())),
        open_sides,
        below,
    )


def drawn_out(cavity: Cavity, sideways_mm: float, upward_mm: float) -> list[Any]:
    """The void's pieces, drawn out of the open sides, down where they open, and up from the mouth."""
    found = []
    up = cavity.view.along
    for piece in cavity.pieces:
        if cavity.open_below:
            low = -cavity.low_mm - float(cavity.view.origin @ up)
            piece = _grown(piece, -up, low, sideways_mm)
        for side in cavity.open_sides:
            normal, level = _side_plane(cavity.part, side)
            piece = _grown(piece, normal, level, sideways_mm)
        mouth = cavity.mouth_mm + float(cavity.view.origin @ up)
        found.append(_grown(piece, up, mouth, cavity.top_mm - cavity.mouth_mm + upward_mm))
    return found


def raised(cavity: Cavity, body: Any, overrun_mm: float) -> Any:
    """A body that ends at the mouth, drawn straight up to its base."""
    up = cavity.view.along
    mouth = cavity.mouth_mm + float(cavity.view.origin @ up)
    return _grown(body, up, mouth, cavity.top_mm - cavity.mouth_mm + overrun_mm)


def fused(shapes: Sequence[Any]) -> Any:
    """Solids made one, with what is coplanar merged. Raises KernelError."""
    solids = joined(shapes)
    if len(solids) != 1:
        raise KernelError(f"the electrode falls into {len(solids)} pieces")
    return solids[0]


def joined(shapes: Sequence[Any]) -> list[Any]:
    """Solids, those that touch made one, with what is coplanar merged. Raises KernelError."""
    if len(shapes) < 2:
        return list(shapes)
    operation = BRepAlgoAPI_Fuse()
    first, others = TopTools_ListOfShape(), TopTools_ListOfShape()
    first.Append(shapes[0])
    for shape in shapes[1:]:
        others.Append(shape)
    operation.SetArguments(first)
    operation.SetTools(others)
    operation.SetRunParallel(False)
    operation.Build()
    if not operation.IsDone():
        raise KernelError("the kernel could not join the electrode")
    merge = ShapeUpgrade_UnifySameDomain(operation.Shape(), True, True, False)
    merge.Build()
    return solids_of(merge.Shape())


def outward(face: Any) -> tuple[Array, Array] | None:
    """A point and the outward normal of a flat face of a solid; None where it is curved."""
    surface = BRepAdaptor_Surface(TopoDS.Face_s(face))
    if surface.GetType() != GeomAbs_SurfaceType.GeomAbs_Plane:
        return None
    plane = surface.Plane()
    n, p = plane.Axis().Direction(), plane.Location()
    normal = np.array([n.X(), n.Y(), n.Z()])
    if not plane.Direct():
        normal = -normal
    if face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED:
        normal = -normal
    return np.array([p.X(), p.Y(), p.Z()]), normal


def _flat_at(part: Part, feature: Feature, view: View, level_mm: float) -> bool:
    """Whether the feature's lowest face is flat and square to the view: then its level is exact."""
    surfaces = [part.faces[i].surface for i in feature.faces]
    return any(
        float(s.normal @ view.along) > 1 - 1e-9
        and abs(float((s.origin - view.origin) @ view.along) - level_mm) < _SAME_PLANE_MM
        for s in surfaces
        if isinstance(s, Plane)
    )


def _box(part: Part, view: View) -> tuple[float, float, float, float]:
    flat = view.flat(part.mesh.vertices)
    return (*flat.min(axis=0), *flat.max(axis=0))


def _column(view: View, polygon: Any, low_mm: float, high_mm: float) -> Any:
    body = _prism(view, polygon.exterior, low_mm, high_mm)
    holes = [_prism(view, r, low_mm - 1, high_mm + 1) for r in polygon.interiors]
    return cut(body, holes) if holes else body


def _prism(view: View, ring: Any, low_mm: float, high_mm: float) -> Any:
    points = shapely.get_coordinates(ring)[:-1]
    return prism(
        view,
        [Segment(a, b) for a, b in zip(points, np.roll(points, -1, axis=0), strict=True)],
        low_mm,
        high_mm,
    )


def _side_plane(part: Part, side: str) -> tuple[Array, float]:
    """Outward normal and offset (model mm) of a side of the part's box."""
    normal = part.frame.direction(side)
    k = "xyz".index(side[1])
    local = float(part.high[k]) if side[0] == "+" else -float(part.low[k])
    return normal, local + float(part.frame.origin @ normal)


def _faces_on(solid: Any, normal: Array, level_mm: float) -> list[Any]:
    """Flat faces of a solid that look along a direction at a level."""
    found = []
    for face in each(solid, TopAbs_ShapeEnum.TopAbs_FACE):
        flat = outward(face)
        if (
            flat
            and float(flat[1] @ normal) > 1 - 1e-9
            and abs(float(flat[0] @ normal) - level_mm) < _SAME_PLANE_MM
        ):
            found.append(face)
    return found


def _grown(solid: Any, normal: Array, level_mm: float, length_mm: float) -> Any:
    faces = _faces_on(solid, normal, level_mm)
    if not faces or length_mm <= 0:
        return solid
    way = gp_Vec(*(float(c) for c in length_mm * normal))
    return fused([solid, *(BRepPrimAPI_MakePrism(face, way).Shape() for face in faces)])

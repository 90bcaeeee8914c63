"""A solid as plain data that a browser can draw.

Arrays are little-endian, in base64: float32 for places (mm) and directions, uint32 for indices. Faces do
not share corners, so that each can be coloured and moved on its own.
"""

from __future__ import annotations

import base64
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from featurize.brep.surfaces import Array

# For the eye: this share of the diagonal is under a pixel on a screen ...
_SHARE = 4e-4
# ... and a round wall turns by this much from facet to facet, with its normals blended.
_ANGLE_DEG = 15.0

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class MeshEdge:
    """Places (in TopExp.MapShapes order, from 0) of the faces that meet and of the edge; points (n, 3)."""

    faces: tuple[int, int]
    points: Array
    place: int


@dataclass(frozen=True)
class ViewMesh:
    """Corners and unit normals (n, 3); triangles (m, 3), against the clock from outside, and their faces."""

    positions: Array
    normals: Array
    triangles: Ints
    face_of_triangle: Ints
    edges: tuple[MeshEdge, ...]

    @property
    def low(self) -> Array:
        return np.asarray(self.positions.min(axis=0))

    @property
    def high(self) -> Array:
        return np.asarray(self.positions.max(axis=0))


def mesh_of(solid: Any, deflection_mm: float | None = None) -> ViewMesh:
    """The facets and edges of a solid (TopoDS), which itself is left without a mesh.

    Raises ValueError when the kernel meshes no face of it.
    """
    from OCP.BRep import BRep_Tool
    from OCP.BRepBuilderAPI import BRepBuilderAPI_Copy
    from OCP.BRepMesh import BRepMesh_IncrementalMesh
    from OCP.TopAbs import TopAbs_Orientation
    from OCP.TopLoc import TopLoc_Location
    from OCP.TopoDS import TopoDS

    from featurize.brep.shapes import FACE, mapped
    from featurize.brep.triangulation import triangles_of

    copy = BRepBuilderAPI_Copy(solid, False, False).Shape()
    size = deflection_mm or _SHARE * _diagonal_mm(solid)
    BRepMesh_IncrementalMesh(copy, size, False, np.radians(_ANGLE_DEG), False)
    faces = mapped(copy, FACE)
    shapes = [TopoDS.Face_s(faces(place + 1)) for place in range(faces.Extent())]
    positions, triangles, owners = [], [], []
    meshes: list[Any] = []
    start = 0
    for place, (face, mesh) in enumerate(zip(shapes, triangles_of(shapes), strict=True)):
        at = TopLoc_Location()
        meshes.append((BRep_Tool.Triangulation_s(face, at), at, start))
        if mesh is None:
            continue
        turned = face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED
        positions.append(mesh.nodes)
        triangles.append((mesh.corners[:, ::-1] if turned else mesh.corners) + start)
        owners.append(np.full(len(mesh.corners), place))
        start += len(mesh.nodes)
    if not positions:
        raise ValueError("the solid has no face that can be meshed")
    where, sides = np.vstack(positions), np.vstack(triangles)
    edges = tuple(_edges(copy, faces, meshes, where))
    return ViewMesh(where, _normals(where, sides), sides, np.concatenate(owners), edges)


def model_of(
    solid: Any,
    labels: Sequence[tuple[str, str]] | None = None,
    deflection_mm: float | None = None,
    *,
    source_faces: Sequence[int] | None = None,
) -> dict[str, Any]:
    """A solid for ``makeViewer``, as JSON data.

    Keys: positions, normals, triangles, face_of_triangle (arrays), edges [{faces, place, points}],
    low, high (mm), and labels where given: (palette key, words) of each face. A face's number is its place
    (from 0) in TopExp.MapShapes, or what ``source_faces`` has there: its place in the file as read.
    """
    return packed(mesh_of(solid, deflection_mm), labels, source_faces=source_faces)


def packed(
    mesh: ViewMesh,
    labels: Sequence[tuple[str, str]] | None = None,
    *,
    source_faces: Sequence[int] | None = None,
) -> dict[str, Any]:
    """What ``model_of`` gives, of a mesh that is there already."""
    count = int(mesh.face_of_triangle.max()) + 1
    named = np.arange(count) if source_faces is None else np.asarray(source_faces)
    entry = _body(mesh)
    entry["face_of_triangle"] = _text(named[mesh.face_of_triangle], "<u4")
    for edge, text in zip(mesh.edges, entry["edges"], strict=True):
        text |= {"faces": [int(named[f]) for f in edge.faces], "place": edge.place}
    if labels is not None:
        entry["labels"] = {
            str(face): list(words) for face, words in zip(named.tolist(), labels, strict=False)
        }
    return entry


def body_of(solid: Any, deflection_mm: float | None = None) -> dict[str, Any]:
    """A stock body as JSON data: as ``model_of``, but nothing in it can be told apart."""
    return _body(mesh_of(solid, deflection_mm))


def _body(mesh: ViewMesh) -> dict[str, Any]:
    return {
        "positions": _text(mesh.positions, "<f4"),
        "normals": _text(mesh.normals, "<f4"),
        "triangles": _text(mesh.triangles, "<u4"),
        "edges": [{"points": _text(edge.points, "<f4")} for edge in mesh.edges],
        "low": [round(float(v), 6) for v in mesh.low],
        "high": [round(float(v), 6) for v in mesh.high],
    }


def _text(values: NDArray[Any], kind: str) -> str:
    return base64.b64encode(np.ascontiguousarray(values, kind).tobytes()).decode("ascii")


def _diagonal_mm(solid: Any) -> float:
    from OCP.Bnd import Bnd_Box
    from OCP.BRepBndLib import BRepBndLib

    box = Bnd_Box()
    BRepBndLib.Add_s(solid, box, False)
    return float(np.sqrt(box.SquareExtent()))


def _normals(points: Array, triangles: Ints) -> Array:
    """Of each corner, the mean over its face's facets, by area."""
    a, b, c = (points[triangles[:, k]] for k in range(3))
    across = np.cross(b - a, c - a)
    total = np.zeros_like(points)
    for k in range(3):
        np.add.at(total, triangles[:, k], across)
    length = np.linalg.norm(total, axis=1, keepdims=True)
    return np.asarray(np.divide(total, length, out=np.zeros_like(total), where=length > 0))


def _edges(solid: Any, faces: Any, meshes: Sequence[Any], points: Array) -> Iterator[MeshEdge]:
    """Edges between two faces; seams, which bound one face twice, are no edges of the part."""
    from OCP.BRep import BRep_Tool
    from OCP.TopoDS import TopoDS

    from featurize.brep.shapes import EDGE, mapped

    edges = mapped(solid, EDGE)
    owners: list[list[int]] = [[] for _ in range(edges.Extent())]
    for place in range(faces.Extent()):  # the kernel's own lists of ancestors are slow to walk from here
        own = mapped(faces(place + 1), EDGE)
        for k in range(own.Extent()):
            owners[edges.FindIndex(own(k + 1)) - 1].append(place)
    for i, around in enumerate(owners):
        edge = TopoDS.Edge_s(edges(i + 1))
        if len(around) != 2 or BRep_Tool.Degenerated_s(edge):
            continue
        mesh, at, start = meshes[around[0]]
        line = mesh and BRep_Tool.PolygonOnTriangulation_s(edge, mesh, at)
        if line:
            nodes = np.array([line.Node(k + 1) for k in range(line.NbNodes())]) - 1
            yield MeshEdge((around[0], around[1]), points[start + nodes], i)

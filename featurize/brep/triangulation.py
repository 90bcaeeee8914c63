"""The kernel's triangles of many faces as arrays, fetched in one call.

A call for each node would cost more than the meshing. The kernel writes shapes in its binary form fast;
faces that have triangles but neither surface nor edges give a file of triangles only.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Sequence
from contextlib import suppress
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from OCP.BinTools import BinTools, BinTools_FormatVersion
from OCP.BRep import BRep_Builder, BRep_Tool
from OCP.BRepMesh import BRepMesh_IncrementalMesh
from OCP.IMeshTools import IMeshTools_MeshAlgoType, IMeshTools_Parameters
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS_Compound, TopoDS_Face

from featurize import tolerances as tol
from featurize.brep.surfaces import Array
from featurize.errors import StepError
from featurize.isolate import run_apart

_HEADING = b"\nTriangulations "
# Numbers of nodes and of triangles, whether the nodes have surface parameters, the deflection.
_HEAD = struct.Struct("<ii?d")
# From here on the quick mesher and its trial take less time than the default (measured).
_MANY_WIRES = 9
# More time than this means that the mesher hangs: some ten times what it takes.
_TRIAL_S, _TRIAL_S_PER_WIRE = 3.0, 0.05


class Triangles(NamedTuple):
    """``nodes`` (n, 3) in model mm, their surface parameters ``uv`` (n, 2), ``corners`` (m, 3) in nodes.

    Corners run as the surface does, whatever the face's sense.
    """

    nodes: Array
    uv: Array
    corners: NDArray[np.int64]


def triangulate(solid: Any, faces: Sequence[Any], settings: Any) -> None:
    """Mesh a solid with the kernel's default mesher, faces with many holes with its other one.

    The default takes time square in the holes of a face. The other gives the same facets soon, but on some
    faces none, and on some it crashes or never ends: a fork tries it first.
    """
    holed = [face for face in faces if _wires(face) > _MANY_WIRES]
    if holed:
        limit_s = _TRIAL_S + _TRIAL_S_PER_WIRE * sum(map(_wires, holed))
        with suppress(StepError):
            run_apart(lambda: _mesh_quickly(holed, settings), time_limit_s=limit_s)
            _mesh_quickly(holed, settings)
    settings.MeshAlgo = IMeshTools_MeshAlgoType.IMeshTools_MeshAlgoType_DEFAULT
    BRepMesh_IncrementalMesh(solid, settings)  # what is meshed stays


def _wires(face: Any) -> int:
    return int(face.NbChildren())


def _mesh_quickly(faces: Sequence[Any], settings: Any) -> None:
    settings.MeshAlgo = IMeshTools_MeshAlgoType.IMeshTools_MeshAlgoType_Delabella
    for face in faces:
        BRepMesh_IncrementalMesh(face, settings)


def mesh_settings(
    deflection_mm: float, angle_deg: float = tol.MESH_ANGLE_DEG, *, within_faces: bool = False
) -> Any:
    """How far chords of edges, and ``within_faces`` those of facets, may stand off, and neighbours turn."""
    settings = IMeshTools_Parameters()
    settings.Deflection = deflection_mm
    settings.Angle = np.radians(angle_deg)
    settings.ControlSurfaceDeflection = within_faces
    return settings


def triangles_of(faces: Sequence[Any]) -> list[Triangles | None]:
    """What a mesh of the faces left on each; None for one too small to mesh."""
    builder, bare = BRep_Builder(), TopoDS_Compound()
    builder.MakeCompound(bare)
    kept, places = [], []
    for face in faces:
        place = TopLoc_Location()
        kept.append(BRep_Tool.Triangulation_s(face, place))
        places.append(place)
    # Faces that share a definition share its triangles, which are written once.
    distinct = {id(mesh): mesh for mesh in kept if mesh is not None}
    for mesh in distinct.values():
        face = TopoDS_Face()
        builder.MakeFace(face, mesh)
        builder.Add(bare, face)
    stream = io.BytesIO()
    version = BinTools_FormatVersion.BinTools_FormatVersion_VERSION_3
    BinTools.Write_s(bare, stream, True, False, version)
    read = dict(zip(distinct, _read(stream.getvalue()), strict=True))
    return [
        _placed(read[id(mesh)], place) if mesh is not None else None
        for mesh, place in zip(kept, places, strict=True)
    ]


def _read(data: bytes) -> list[Triangles]:
    at = data.index(_HEADING) + len(_HEADING)
    end = data.index(b"\n", at)
    count, at = int(data[at:end]), end + 1
    found = []
    for _ in range(count):
        nodes, triangles, parametric, _ = _HEAD.unpack_from(data, at)
        at += _HEAD.size
        points = np.frombuffer(data, "<f8", 3 * nodes, at).reshape(-1, 3)
        at += points.nbytes
        uv = np.frombuffer(data, "<f8", 2 * nodes if parametric else 0, at).reshape(-1, 2)
        at += uv.nbytes
        corners = np.frombuffer(data, "<i4", 3 * triangles, at).reshape(-1, 3)
        at += corners.nbytes
        found.append(Triangles(points, uv, corners.astype(np.int64) - 1))
    return found


def _placed(mesh: Triangles, place: Any) -> Triangles:
    if place.IsIdentity():
        return mesh
    move = place.Transformation()
    matrix = np.array([[move.Value(i, j) for j in (1, 2, 3, 4)] for i in (1, 2, 3)])
    return mesh._replace(nodes=mesh.nodes @ matrix[:, :3].T + matrix[:, 3])

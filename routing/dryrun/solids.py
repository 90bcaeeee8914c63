"""Solids as closed meshes, and the few operations that the dry run needs of them.

Lengths mm, model coordinates unless said otherwise. Chords of round edges stand off at most ``CHORD_MM``;
flat
and ruled walls are exact.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import manifold3d
import numpy as np
from manifold3d import CrossSection, FillRule, Manifold, Mesh64, OpType
from numpy.typing import NDArray
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.GeomAbs import GeomAbs_SurfaceType
from OCP.TopAbs import TopAbs_Orientation
from OCP.TopoDS import TopoDS

from featurize.brep.shapes import FACE, each
from featurize.brep.surfaces import Array
from featurize.brep.triangulation import mesh_settings, triangles_of, triangulate

# Half of what a wall may be off before it is a finding, so that two meshes of one round agree.
CHORD_MM = 0.002
# Points of two faces' meshes on their common edge, which rounding keeps apart.
_MERGE_MM = 1e-6
# Half as wide as this an upright wall is drawn from above.
_HAIR_MM = 1e-4


class MeshError(ValueError):
    """A solid that has no closed mesh."""


def of_shape(shape: Any, chord_mm: float = CHORD_MM) -> Manifold:
    """A kernel solid; the triangles of its k-th face (in the order of the shape) have face id k.

    Raises MeshError where its facets do not close.
    """
    faces = [TopoDS.Face_s(f) for f in each(shape, FACE)]
    triangulate(shape, faces, mesh_settings(chord_mm, within_faces=True))
    nodes: list[Array] = []
    corners: list[NDArray[np.int64]] = []
    owners: list[NDArray[np.int64]] = []
    count = 0
    for k, (face, mesh) in enumerate(zip(faces, triangles_of(faces), strict=True)):
        if mesh is None:
            continue
        turned = face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED
        own = mesh.corners[:, ::-1] if turned else mesh.corners
        nodes.append(mesh.nodes)
        corners.append(own + count)
        owners.append(np.full(len(own), k))
        count += len(mesh.nodes)
    return closed(np.concatenate(nodes), np.concatenate(corners), np.concatenate(owners))


def cone_chords_mm(shape: Any, solid: Manifold) -> dict[int, float]:
    """How far facets of cones stand off them, by face id: the kernel keeps only rims to the chord."""
    mesh = solid.to_mesh64()
    corners = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts, dtype=np.int64)]
    owners = np.asarray(mesh.face_id, dtype=np.int64)
    found = {}
    for k, face in enumerate(each(shape, FACE)):
        surface = BRepAdaptor_Surface(TopoDS.Face_s(face))
        own = corners[owners == k]
        if surface.GetType() != GeomAbs_SurfaceType.GeomAbs_Cone or not len(own):
            continue
        cone = surface.Cone()
        apex, way = cone.Apex(), cone.Axis().Direction()
        off = (own + np.roll(own, 1, axis=1)) / 2 - np.array([apex.X(), apex.Y(), apex.Z()])
        along = off @ np.array([way.X(), way.Y(), way.Z()])
        across = np.sqrt(np.maximum((off**2).sum(axis=2) - along**2, 0.0))
        lean = abs(cone.SemiAngle())
        found[k] = float(np.abs(across * np.cos(lean) - np.abs(along) * np.sin(lean)).max())
    return found


def closed(points: Array, corners: NDArray[np.int64], owners: NDArray[np.int64] | None = None) -> Manifold:
    """Triangles (m, 3) in points (n, 3), with what face each is of. Raises MeshError if they do not close."""
    _, first, place = np.unique(points, axis=0, return_index=True, return_inverse=True)
    corners = place.reshape(-1)[corners]
    real = (
        (corners[:, 0] != corners[:, 1]) & (corners[:, 1] != corners[:, 2]) & (corners[:, 2] != corners[:, 0])
    )
    mesh = Mesh64(
        vert_properties=np.ascontiguousarray(points[first]),
        tri_verts=np.ascontiguousarray(corners[real], dtype=np.uint64),
        face_id=None if owners is None else np.ascontiguousarray(owners[real], dtype=np.uint64),
        tolerance=_MERGE_MM,
    )
    mesh.merge()
    solid = Manifold(mesh)
    if solid.status() != manifold3d.Error.NoError:
        raise MeshError(f"its facets do not close ({solid.status().name})")
    if solid.volume() <= 0:
        raise MeshError("its facets enclose nothing")
    return solid


def of_stl(path: Path) -> Manifold:
    """A binary STL file. Raises MeshError where it is cut short or does not close."""
    data = path.read_bytes()
    (count,) = struct.unpack_from("<I", data, 80) if len(data) >= 84 else (0,)
    if not count or len(data) != 84 + 50 * count:
        raise MeshError("not a whole binary STL file")
    facets = np.frombuffer(data, np.dtype([("n", "<f4", 3), ("p", "<f4", (3, 3)), ("a", "<u2")]), count, 84)
    points = facets["p"].reshape(-1, 3).astype(float)
    return closed(points, np.arange(3 * count).reshape(-1, 3))


def moved(solid: Manifold, axes: Array, origin: Array) -> Manifold:
    """From own coordinates to the model's: ``axes`` rows X, Y, Z (3, 3), ``origin`` (3,)."""
    return solid.transform(np.ascontiguousarray(np.column_stack([axes.T, origin])))


def local(solid: Manifold, axes: Array, origin: Array) -> Manifold:
    """The other way: from the model's coordinates to own ones."""
    return solid.transform(np.ascontiguousarray(np.column_stack([axes, -axes @ origin])))


def joined(solids: Sequence[Manifold]) -> Manifold:
    return Manifold.batch_boolean(list(solids), OpType.Add) if solids else Manifold()


def apart(solid: Manifold) -> list[Manifold]:
    """Its connected pieces."""
    return list(solid.decompose()) if not solid.is_empty() else []


def points_of(solid: Manifold) -> Array:
    """Its vertices (n, 3)."""
    return np.asarray(solid.to_mesh64().vert_properties[:, :3])


def prism(outline: CrossSection, low_mm: float, high_mm: float) -> Manifold:
    """An outline in XY between two heights."""
    if outline.is_empty() or high_mm <= low_mm:
        return Manifold()
    return Manifold.extrude(outline, high_mm - low_mm).translate((0, 0, low_mm))


def ruled(upper: Array, lower: Array, high_mm: float, low_mm: float) -> Manifold:
    """Between two closed outlines (n, 2) of as many corners, each straight to its fellow.

    Raises MeshError if that is no solid.
    """
    n = len(upper)
    if (_area(upper) + _area(lower)) < 0:
        upper, lower = upper[::-1], lower[::-1]
    points = np.vstack(
        [np.column_stack([lower, np.full(n, low_mm)]), np.column_stack([upper, np.full(n, high_mm)])]
    )
    here = np.arange(n)
    after = (here + 1) % n
    sides = np.vstack(
        [np.column_stack([here, after, after + n]), np.column_stack([here, after + n, here + n])]
    )
    caps = [_filled(lower)[:, ::-1], _filled(upper) + n]
    return closed(points, np.vstack([sides, *caps]))


def _filled(outline: Array) -> NDArray[np.int64]:
    return np.asarray(manifold3d.triangulate([np.ascontiguousarray(outline)], -1), dtype=np.int64)


def _area(outline: Array) -> float:
    x, y = outline.T
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2


def flat(triangles: Array) -> CrossSection:
    """What triangles (m, 3, 2) cover together; of upright walls alone, seen from the edge, hairs."""
    first, second, third = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    u, v = second - first, third - first
    turn = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    real = np.abs(turn) > 1e-12
    own = np.where((turn < 0)[:, None, None], triangles[:, ::-1], triangles)[real]
    pieces = own if len(own) else _hairs(triangles)
    return CrossSection([np.ascontiguousarray(t) for t in pieces], FillRule.NonZero)


def _hairs(triangles: Array) -> Array:
    """Flat quads (m, 4, 2) about the longest edges of triangles (m, 3, 2) without area."""
    edges = np.roll(triangles, -1, axis=1) - triangles
    lengths = np.linalg.norm(edges, axis=2)
    which = np.arange(len(triangles)), lengths.argmax(axis=1)
    start, edge, length = triangles[which], edges[which], lengths[which]
    real = length > _HAIR_MM
    start, along = start[real], edge[real]
    across = np.column_stack([-along[:, 1], along[:, 0]]) / length[real, None] * _HAIR_MM
    end = start + along
    return np.stack([start - across, end - across, end + across, start + across], axis=1)


def filled(region: CrossSection) -> CrossSection:
    """Without its holes."""
    rings = [r for r in region.to_polygons() if _area(r) > 0]
    return CrossSection(rings, FillRule.NonZero) if rings else CrossSection()


def circle(radius_mm: float) -> int:
    """Sides of a polygon whose chords stand off a circle by at most ``CHORD_MM``, a multiple of 8."""
    angle = np.arccos(max(1 - CHORD_MM / max(radius_mm, CHORD_MM), 0.0))
    return max(16, 8 * int(np.ceil(np.pi / angle / 8)))


def all_of(shapes: Iterable[CrossSection]) -> CrossSection:
    return CrossSection.batch_boolean(list(shapes), OpType.Add)

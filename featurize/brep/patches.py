"""The kernel's faces as patches: triangles, samples and a surface as plain data.

The kernel is asked once for each face; what is elementary is worked out for all faces of a kind at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.BRepMesh import BRepMesh_IncrementalMesh
from OCP.BRepTools import BRepTools
from OCP.gp import gp_Pnt, gp_Vec
from OCP.TopAbs import TopAbs_Orientation

from featurize import tolerances as tol
from featurize.brep import elementary
from featurize.brep.facets import across_rulings
from featurize.brep.fit import fit_surface
from featurize.brep.surfaces import Array, Cone, Cylinder, Freeform, Plane, Surface
from featurize.brep.triangulation import Triangles, mesh_settings, triangles_of

# Refining a mesh makes its area grow by the bulge of its chords, a few percent; folds multiply it.
_FOLDED = 1.5
_REVERSED = TopAbs_Orientation.TopAbs_REVERSED


@dataclass(eq=False)
class Patch:
    """One kernel face: its ``triangles`` (m, 3) over ``vertices`` (n, 3), seen from outside, and samples
    ``points`` (k, 3) with outward ``normals``, at surface parameters ``uv`` (k, 2)."""

    kernel_face: Any
    adaptor: Any
    vertices: Array
    triangles: NDArray[np.int64]
    uv: Array
    points: Array
    normals: Array
    surface: Surface
    recut: bool = False  # facets are ours, within the deflection

    @property
    def sense(self) -> float:
        """1 where the outward normal is du x dv of the surface, else -1."""
        return -1.0 if self.kernel_face.Orientation() == _REVERSED else 1.0

    def normals_on(self, edge: Any, parameters: Array) -> Array:
        """Outward normals (n, 3) along one of the face's edges, from the surface itself."""
        curve = BRep_Tool.CurveOnSurface_s(edge, self.kernel_face, 0.0, 0.0)
        uv = [curve.Value(float(t)) for t in parameters]
        return _evaluate(self, np.array([(p.X(), p.Y()) for p in uv]))[1]


def patches_of(faces: Sequence[Any], deflection_mm: float) -> list[Patch]:
    """A patch for each face of a meshed solid; bent splines are meshed again."""
    patches = _patches(faces)
    return [_refined(p, deflection_mm) if _is_bent_spline(p) else p for p in patches]


def _patches(faces: Sequence[Any]) -> list[Patch]:
    meshes = triangles_of(faces)
    patches = [_bare(face, mesh) for face, mesh in zip(faces, meshes, strict=True)]
    kinds: dict[Any, list[Patch]] = {}
    for patch in patches:
        kinds.setdefault(patch.adaptor.GetType(), []).append(patch)
    for kind in elementary.KINDS:
        _sample_elementary(kind, kinds.get(kind, []))
    for patch, mesh in zip(patches, meshes, strict=True):
        if patch.adaptor.GetType() not in elementary.KINDS:
            _sample_fitted(patch, mesh)
    return patches


def _bare(face: Any, mesh: Triangles | None) -> Patch:
    """A patch that has its triangles, and knows the parameters of its samples."""
    adaptor = BRepAdaptor_Surface(face, mesh is None)
    nothing = np.empty((0, 3))
    if mesh is None:
        # A face too small to mesh still needs a surface: sample its parameter rectangle.
        uv, corners = _parameter_grid(adaptor), np.empty((0, 3), np.int64)
        return Patch(face, adaptor, nothing, corners, uv, nothing, nothing, Freeform())
    corners = mesh.corners
    size = _twice_areas(mesh.nodes[corners])
    step = max(1, len(corners) // tol.SAMPLES_PER_FACE)
    chosen = np.argsort(-size, kind="stable")[::step][: tol.SAMPLES_PER_FACE]
    uv = mesh.uv[corners[chosen]].mean(axis=1)
    turned = corners[:, ::-1] if face.Orientation() == _REVERSED else corners
    return Patch(face, adaptor, mesh.nodes, turned, uv, nothing, nothing, Freeform())


def _sample_elementary(kind: Any, patches: Sequence[Patch]) -> None:
    """Points, normals and surfaces of all faces that lie on surfaces of one elementary kind."""
    if not patches:
        return
    placed = np.array([elementary.placement(p.adaptor) for p in patches])
    counts = [len(p.uv) for p in patches]
    found = elementary.sampled(kind, np.repeat(placed, counts, axis=0), np.vstack([p.uv for p in patches]))
    normals = found.normals * np.repeat([p.sense for p in patches], counts)[:, None]
    starts = np.cumsum([0, *counts[:-1]])
    hollow = np.sum(found.away[starts] * normals[starts], axis=1) < 0
    for k, (patch, start, count) in enumerate(zip(patches, starts.tolist(), counts, strict=True)):
        patch.points, patch.normals = found.points[start : start + count], normals[start : start + count]
        patch.surface = elementary.surface(
            kind, placed[k], bool(hollow[k]), patch.points[0], patch.normals[0]
        )


def _sample_fitted(patch: Patch, mesh: Triangles | None) -> None:
    """Points and normals of a face on any other surface, and the simplest surface through them."""
    patch.points, patch.normals = _evaluate(patch, patch.uv)
    if mesh is None:
        patch.surface = _fitted(patch.points, patch.normals)
        return
    stride = max(1, len(mesh.uv) // tol.SAMPLES_PER_FACE)
    rim_points, rim_normals = _evaluate(patch, mesh.uv[::stride])
    good = np.linalg.norm(rim_normals, axis=1) > 0.5  # poles have no normal
    patch.surface = _fitted(
        np.vstack([patch.points, rim_points[good]]), np.vstack([patch.normals, rim_normals[good]])
    )
    _recut(patch, patch.surface, mesh.uv)


def _xyz(v: Any) -> Array:
    return np.array([v.X(), v.Y(), v.Z()])


def _evaluate(patch: Patch, uv: Array) -> tuple[Array, Array]:
    """Points and outward normals (n, 3) at surface parameters (n, 2)."""
    p, du, dv = gp_Pnt(), gp_Vec(), gp_Vec()
    points, normals = np.empty((len(uv), 3)), np.empty((len(uv), 3))
    for k, (u, v) in enumerate(uv):
        patch.adaptor.D1(float(u), float(v), p, du, dv)
        points[k] = p.X(), p.Y(), p.Z()
        normal = du.Crossed(dv)
        normals[k] = normal.X(), normal.Y(), normal.Z()
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    return points, patch.sense * normals / np.where(lengths > 0, lengths, 1.0)


def _recut(patch: Patch, surface: Surface, uv: Array) -> None:
    """Better facets for a cylinder or cone written as a spline along its rulings."""
    if not isinstance(surface, Cylinder | Cone):
        return
    p, du, dv = gp_Pnt(), gp_Vec(), gp_Vec()
    patch.adaptor.D1(float(patch.uv[0, 0]), float(patch.uv[0, 1]), p, du, dv)
    along = surface.axis if isinstance(surface, Cylinder) else _xyz(p) - surface.apex
    along = along / np.linalg.norm(along)
    lean = [float(np.linalg.norm(np.cross(along, _xyz(d)))) / max(d.Magnitude(), 1e-300) for d in (du, dv)]
    if min(lean) > tol.FIT_SINE:
        return  # a strip wound round the axis, such as a thread's root
    cut = across_rulings(uv, patch.triangles, ruling=int(np.argmin(lean)))
    if cut is None:
        return
    before, kept = mesh_area(patch)[0], patch.triangles
    patch.triangles = cut
    patch.recut = mesh_area(patch)[0] < _FOLDED * before
    if not patch.recut:
        patch.triangles = kept


def _fitted(points: Array, normals: Array) -> Surface:
    good = np.linalg.norm(normals, axis=1) > 0.5
    return fit_surface(points[good], normals[good])


def _parameter_grid(adaptor: Any) -> Array:
    u = np.linspace(adaptor.FirstUParameter(), adaptor.LastUParameter(), 5)
    v = np.linspace(adaptor.FirstVParameter(), adaptor.LastVParameter(), 5)
    return np.array([(a, b) for a in u[1:-1] for b in v[1:-1]])


def _is_bent_spline(patch: Patch) -> bool:
    """Whether a spline face is curved in a way that only more points can follow."""
    known = patch.adaptor.GetType() in elementary.KINDS
    return not (known or patch.recut or isinstance(patch.surface, Plane))


def _refined(patch: Patch, deflection_mm: float) -> Patch:
    """A spline face meshed again, until every facet is within the deflection; its edges keep their points.

    On planes and cylinders written as B-splines that would make tens of thousands of facets.
    """
    BRepTools.Clean_s(patch.kernel_face)
    BRepMesh_IncrementalMesh(patch.kernel_face, mesh_settings(deflection_mm, within_faces=True))
    (finer,) = _patches([patch.kernel_face])
    # On strips wound round an axis the kernel's refinement may fold over itself: keep the plain mesh.
    sound = mesh_area(finer)[0] < _FOLDED * mesh_area(patch)[0]
    return finer if sound else patch


def mesh_area(patch: Patch) -> tuple[float, Array]:
    """Area (mm2) and centre (3,) of a patch's triangles."""
    if len(patch.triangles) == 0:
        return 0.0, patch.points.mean(axis=0)
    corners = patch.vertices[patch.triangles]
    sizes = _twice_areas(corners) / 2
    total = float(sizes.sum())
    if total <= 0:
        return 0.0, patch.points.mean(axis=0)
    return total, np.asarray(sizes @ corners.mean(axis=1) / total)


def _twice_areas(corners: Array) -> Array:
    """Of triangles (m, 3, 3)."""
    a, b = (corners[:, 1] - corners[:, 0]).T, (corners[:, 2] - corners[:, 0]).T
    x, y, z = a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]
    return np.asarray(np.sqrt(x * x + y * y + z * z))

"""From a kernel solid to the part graph.

The kernel is asked once for each face and edge; everything later works on numpy arrays.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from OCP.Bnd import Bnd_Box
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Curve, BRepAdaptor_Surface
from OCP.BRepBndLib import BRepBndLib
from OCP.BRepGProp import BRepGProp_Domain, BRepGProp_Face, BRepGProp_Vinert
from OCP.BRepMesh import BRepMesh_IncrementalMesh
from OCP.BRepTools import BRepTools
from OCP.GeomAbs import GeomAbs_CurveType as CurveType
from OCP.GeomAbs import GeomAbs_SurfaceType as Type
from OCP.gp import gp_Pnt, gp_Vec
from OCP.IMeshTools import IMeshTools_MeshAlgoType, IMeshTools_Parameters
from OCP.TopAbs import TopAbs_Orientation, TopAbs_ShapeEnum
from OCP.TopExp import TopExp, TopExp_Explorer
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS
from OCP.TopTools import TopTools_IndexedMapOfShape

from featurize import tolerances as tol
from featurize.brep.facets import across_rulings
from featurize.brep.find_frame import find_frame
from featurize.brep.fit import fit_surface
from featurize.brep.part import Convexity, Edge, Face, Mesh, Part
from featurize.brep.surfaces import Array, Cone, Cylinder, Freeform, Plane, Sphere, Surface, Torus
from featurize.brep.surfaces_at import normals_at, same_surface
from featurize.errors import Code, StepError

_EDGE, _FACE, _VERTEX = (
    TopAbs_ShapeEnum.TopAbs_EDGE,
    TopAbs_ShapeEnum.TopAbs_FACE,
    TopAbs_ShapeEnum.TopAbs_VERTEX,
)
# Refining a mesh makes its area grow by the bulge of its chords, a few percent; folds multiply it.
_FOLDED = 1.5
_REVERSED = TopAbs_Orientation.TopAbs_REVERSED
_EXACTLY_SUMMED = (Type.GeomAbs_Plane, Type.GeomAbs_Cylinder, Type.GeomAbs_Cone)


def build_part(
    solid: Any,
    *,
    face_names: Sequence[str] = (),
    source_faces: Sequence[int] | None = None,
    source_face_count: int | None = None,
    name: str = "",
    count: int = 1,
    healed: Sequence[str] = (),
) -> Part:
    """The graph of one solid (millimetres).

    ``face_names`` are indexed by the face's place in the solid as read; ``source_faces`` gives that
    place for each face of ``solid`` (the identity when nothing was healed).
    Raises StepError when the geometry cannot be worked with.
    """
    try:
        return _build(solid, face_names, source_faces, source_face_count, name, count, healed)
    except Exception as error:  # broken geometry makes the kernel and numpy fail in many ways
        what = f"{name or 'A part'} has geometry that cannot be worked with"
        raise StepError(Code.UNREADABLE, f"{what}: repair it and export it again.") from error


def _build(
    solid: Any,
    face_names: Sequence[str],
    source_faces: Sequence[int] | None,
    source_face_count: int | None,
    name: str,
    count: int,
    healed: Sequence[str],
) -> Part:
    deflection_mm = _deflection(solid)
    _triangulate(solid, deflection_mm)
    kernel_faces = _mapped(solid, _FACE)
    patches = [_patch(TopoDS.Face_s(kernel_faces(i + 1))) for i in range(kernel_faces.Extent())]
    patches = [_refined(p, deflection_mm) if _is_bent_spline(p) else p for p in patches]
    pieces = _edge_pieces(solid, kernel_faces, patches)
    owner = _join(patches, pieces)
    places = list(source_faces) if source_faces is not None else list(range(len(patches)))
    faces = _logical_faces(patches, owner, places, face_names)
    edges = _logical_edges(pieces, owner)
    mesh = _mesh(patches, owner, deflection_mm)
    frame = find_frame(faces, mesh)
    local = frame.local(mesh.vertices)
    return Part(
        solid=solid,
        faces=faces,
        edges=edges,
        mesh=mesh,
        frame=frame,
        low=local.min(axis=0),
        high=local.max(axis=0),
        volume_mm3=_volume_mm3(patches, pieces),
        source_face_count=source_face_count if source_face_count is not None else len(patches),
        name=name,
        count=count,
        healed=tuple(healed),
    )


def _volume_mm3(patches: list[_Patch], pieces: list[_Piece]) -> float:
    """The volume from each face's share of it, after the divergence theorem.

    The kernel's plain sum is exact on faces bounded by lines and circles; on splines it is off by 1e-4
    without a limit, with which it takes time square in the edges of a face.
    """
    winding = {p for piece in pieces if not piece.elementary for p in piece.patches}
    here = gp_Pnt(*patches[0].points[0].tolist())
    total = 0.0
    for k, patch in enumerate(patches):
        exact = patch.adaptor.GetType() in _EXACTLY_SUMMED and k not in winding
        face, domain = BRepGProp_Face(patch.kernel_face), BRepGProp_Domain(patch.kernel_face)
        limit = () if exact else (tol.VOLUME_SHARE,)
        total += BRepGProp_Vinert(face, domain, here, *limit).Mass()
    return float(total)


@dataclass(eq=False)
class _Patch:
    """One kernel face."""

    surface: Surface
    adaptor: Any
    kernel_face: Any
    vertices: Array
    triangles: NDArray[np.int64]
    points: Array
    normals: Array
    uv: Array  # surface parameters (n, 2) of the points
    recut: bool = False  # facets are ours, within the deflection

    def normals_on(self, edge: Any, parameters: Array, points: Array) -> Array:
        """Outward normals (n, 3) along one of the face's edges."""
        exact = normals_at(self.surface, points)
        if exact is not None:
            return exact
        curve = BRep_Tool.CurveOnSurface_s(edge, self.kernel_face, 0.0, 0.0)
        uv = [curve.Value(float(t)) for t in parameters]
        return _evaluate(self, np.array([(p.X(), p.Y()) for p in uv]))[1]


def _mapped(shape: Any, kind: Any) -> Any:
    found = TopTools_IndexedMapOfShape()
    TopExp.MapShapes_s(shape, kind, found)
    return found


def _vec(v: Any) -> Array:
    return np.array([v.X(), v.Y(), v.Z()])


def _evaluate(patch: _Patch, uv: Array) -> tuple[Array, Array]:
    """Points and outward normals (n, 3) at surface parameters (n, 2)."""
    sign = -1.0 if patch.kernel_face.Orientation() == _REVERSED else 1.0
    p, du, dv = gp_Pnt(), gp_Vec(), gp_Vec()
    points, normals = np.empty((len(uv), 3)), np.empty((len(uv), 3))
    for k, (u, v) in enumerate(uv):
        patch.adaptor.D1(float(u), float(v), p, du, dv)
        points[k] = p.X(), p.Y(), p.Z()
        normal = du.Crossed(dv)
        normals[k] = normal.X(), normal.Y(), normal.Z()
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    return points, sign * normals / np.where(lengths > 0, lengths, 1.0)


def _patch(face: Any) -> _Patch:
    adaptor = BRepAdaptor_Surface(face, True)
    location = TopLoc_Location()
    poly = BRep_Tool.Triangulation_s(face, location)
    patch = _Patch(
        Freeform(),
        adaptor,
        face,
        np.empty((0, 3)),
        np.empty((0, 3), np.int64),
        np.empty((0, 3)),
        np.empty((0, 3)),
        np.empty((0, 2)),
    )
    if poly is None:
        # A face too small to mesh still needs a surface: sample its parameter rectangle.
        patch.uv = _parameter_grid(adaptor)
        patch.points, patch.normals = _evaluate(patch, patch.uv)
        patch.surface = _analytic(patch) or _fitted(patch.points, patch.normals)
        return patch
    move = location.Transformation()
    identity = location.IsIdentity()
    nodes = [
        poly.Node(i) if identity else poly.Node(i).Transformed(move) for i in range(1, poly.NbNodes() + 1)
    ]
    patch.vertices = np.array([(n.X(), n.Y(), n.Z()) for n in nodes])
    triangles = np.array([poly.Triangle(i).Get() for i in range(1, poly.NbTriangles() + 1)], np.int64) - 1
    patch.triangles = triangles[:, ::-1] if face.Orientation() == _REVERSED else triangles
    uv_nodes = np.array([(t.X(), t.Y()) for t in (poly.UVNode(i) for i in range(1, poly.NbNodes() + 1))])
    corners = patch.vertices[triangles]
    sizes = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    step = max(1, len(triangles) // tol.SAMPLES_PER_FACE)
    chosen = np.argsort(-sizes, kind="stable")[::step][: tol.SAMPLES_PER_FACE]
    patch.uv = uv_nodes[triangles[chosen]].mean(axis=1)
    patch.points, patch.normals = _evaluate(patch, patch.uv)
    surface = _analytic(patch)
    if surface is None:
        stride = max(1, len(uv_nodes) // tol.SAMPLES_PER_FACE)
        rim_points, rim_normals = _evaluate(patch, uv_nodes[::stride])
        good = np.linalg.norm(rim_normals, axis=1) > 0.5  # poles have no normal
        surface = _fitted(
            np.vstack([patch.points, rim_points[good]]), np.vstack([patch.normals, rim_normals[good]])
        )
        _recut(patch, surface, uv_nodes)
    patch.surface = surface
    return patch


def _recut(patch: _Patch, surface: Surface, uv: Array) -> None:
    """Better facets for a cylinder or cone written as a spline along its rulings."""
    if not isinstance(surface, Cylinder | Cone):
        return
    p, du, dv = gp_Pnt(), gp_Vec(), gp_Vec()
    patch.adaptor.D1(float(patch.uv[0, 0]), float(patch.uv[0, 1]), p, du, dv)
    along = surface.axis if isinstance(surface, Cylinder) else _vec(p) - surface.apex
    along = along / np.linalg.norm(along)
    lean = [float(np.linalg.norm(np.cross(along, _vec(d)))) / max(d.Magnitude(), 1e-300) for d in (du, dv)]
    if min(lean) > tol.FIT_SINE:
        return  # a strip wound round the axis, such as a thread's root
    cut = across_rulings(uv, patch.triangles, ruling=int(np.argmin(lean)))
    if cut is None:
        return
    before, kept = _mesh_area(patch)[0], patch.triangles
    patch.triangles = cut
    patch.recut = _mesh_area(patch)[0] < _FOLDED * before
    if not patch.recut:
        patch.triangles = kept


def _fitted(points: Array, normals: Array) -> Surface:
    good = np.linalg.norm(normals, axis=1) > 0.5
    return fit_surface(points[good], normals[good])


def _parameter_grid(adaptor: Any) -> Array:
    u = np.linspace(adaptor.FirstUParameter(), adaptor.LastUParameter(), 5)
    v = np.linspace(adaptor.FirstVParameter(), adaptor.LastVParameter(), 5)
    return np.array([(a, b) for a in u[1:-1] for b in v[1:-1]])


def _analytic(patch: _Patch) -> Surface | None:
    """The kernel's own analytic surface, with the sense of the material; None for other types."""
    adaptor, points, normals = patch.adaptor, patch.points, patch.normals
    kind = adaptor.GetType()
    if kind == Type.GeomAbs_Plane:
        return Plane(points[0], normals[0])
    make = _ANALYTIC.get(kind)
    if make is None:
        return None
    surface = make(adaptor)
    # The sense follows from one exact normal: try the pin, keep the bore if it disagrees.
    pin = normals_at(surface(False), points[:1])
    assert pin is not None
    return surface(hollow=bool(pin[0] @ normals[0] < 0))


def _cylinder(adaptor: Any) -> Callable[..., Surface]:
    c = adaptor.Cylinder()
    origin, axis = _vec(c.Location()), _vec(c.Axis().Direction())
    return lambda hollow: Cylinder(origin, axis, c.Radius(), hollow)


def _cone(adaptor: Any) -> Callable[..., Surface]:
    c = adaptor.Cone()
    axis = _vec(c.Axis().Direction()) * (1.0 if c.SemiAngle() > 0 else -1.0)
    apex = _vec(c.Apex())
    return lambda hollow: Cone(apex, axis, abs(float(np.degrees(c.SemiAngle()))), hollow)


def _sphere(adaptor: Any) -> Callable[..., Surface]:
    s = adaptor.Sphere()
    return lambda hollow: Sphere(_vec(s.Location()), s.Radius(), hollow)


def _torus(adaptor: Any) -> Callable[..., Surface]:
    t = adaptor.Torus()
    axis = _vec(t.Axis().Direction())
    return lambda hollow: Torus(_vec(t.Location()), axis, t.MajorRadius(), t.MinorRadius(), hollow)


_ANALYTIC: dict[Any, Callable[[Any], Callable[..., Surface]]] = {
    Type.GeomAbs_Cylinder: _cylinder,
    Type.GeomAbs_Cone: _cone,
    Type.GeomAbs_Sphere: _sphere,
    Type.GeomAbs_Torus: _torus,
}


@dataclass(eq=False)
class _Piece:
    """One kernel edge between two kernel faces, or inside one."""

    patches: tuple[int, int]
    points: Array
    length_mm: float
    curve: str
    circle: tuple[Array, Array, float] | None
    ends: tuple[int, int]
    turn_deg: float  # 180 less the angle through the material
    elementary: bool  # a line or circle to the kernel too
    place: int  # in the solid's edges


def _edge_pieces(solid: Any, kernel_faces: Any, patches: list[_Patch]) -> list[_Piece]:
    kernel_edges = _mapped(solid, _EDGE)
    vertices = _mapped(solid, _VERTEX)
    uses: list[list[tuple[int, bool]]] = [[] for _ in range(kernel_edges.Extent())]
    oriented: dict[tuple[int, int], Any] = {}
    for f in range(len(patches)):
        walk = TopExp_Explorer(kernel_faces(f + 1), _EDGE)
        while walk.More():
            edge = walk.Current()
            place = kernel_edges.FindIndex(edge) - 1
            uses[place].append((f, edge.Orientation() == _REVERSED))
            oriented[place, f] = TopoDS.Edge_s(edge)
            walk.Next()
    pieces = []
    for place, used in enumerate(uses):
        if len(used) != 2 or used[0][0] == used[1][0]:
            continue  # a seam, or an edge of a broken solid
        edge = TopoDS.Edge_s(kernel_edges(place + 1))
        if BRep_Tool.Degenerated_s(edge):
            continue
        (a, reverse), (b, _) = used
        curve = BRepAdaptor_Curve(edge)
        t0, t1 = curve.FirstParameter(), curve.LastParameter()
        straight = curve.GetType().name == "GeomAbs_Line"
        parameters = np.linspace(t0, t1, _samples_along(curve, straight))
        p, d = gp_Pnt(), gp_Vec()
        points, along = np.empty((len(parameters), 3)), np.empty((len(parameters), 3))
        for k, t in enumerate(parameters):
            curve.D1(float(t), p, d)
            points[k] = p.X(), p.Y(), p.Z()
            along[k] = d.X(), d.Y(), d.Z()
        if reverse:
            along = -along
        kind, circle = ("line", None) if straight else _curve_kind(points)
        inner = slice(1, -1)
        na = patches[a].normals_on(oriented[place, a], parameters[inner], points[inner])
        nb = patches[b].normals_on(oriented[place, b], parameters[inner], points[inner])
        into_a = np.cross(na, along[inner])
        into_a /= np.maximum(np.linalg.norm(into_a, axis=1, keepdims=True), 1e-300)
        turn = np.degrees(np.arctan2(-np.sum(nb * into_a, axis=1), np.sum(na * nb, axis=1)))
        first, last = TopExp.FirstVertex_s(edge), TopExp.LastVertex_s(edge)
        pieces.append(
            _Piece(
                (a, b),
                points,
                _length(points, kind, circle),
                kind,
                circle,
                (vertices.FindIndex(first) - 1, vertices.FindIndex(last) - 1),
                float(np.median(turn)),
                straight or curve.GetType() == CurveType.GeomAbs_Circle,
                place,
            )
        )
    return pieces


def _samples_along(curve: Any, straight: bool) -> int:
    """Points that show an edge's course: the span ends, a half circle's arc, or each bend of a spline."""
    if straight:
        return 3
    if curve.GetType() == CurveType.GeomAbs_BSplineCurve:
        # A helix of many turns is one spline; a few points would fold its turns onto each other.
        return int(np.clip(4 * curve.NbKnots() + 1, 17, 513))
    return 17


def _curve_kind(points: Array) -> tuple[str, tuple[Array, Array, float] | None]:
    """Line, circle (with centre, axis, radius) or other, whatever the exporter called it."""
    chord = points - points[0]
    spread = float(np.max(np.linalg.norm(chord, axis=1)))
    if spread < tol.LENGTH_MM:
        return "other", None
    far = chord[int(np.argmax(np.linalg.norm(chord, axis=1)))] / spread
    if float(np.max(np.linalg.norm(chord - np.outer(chord @ far, far), axis=1))) < tol.FIT_MM:
        return "line", None
    _, _, rows = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)
    flat = (points - points.mean(axis=0)) @ rows.T
    if float(np.max(np.abs(flat[:, 2]))) > tol.FIT_MM:
        return "other", None
    system = np.column_stack([2 * flat[:, :2], np.ones(len(flat))])
    solution, *_ = np.linalg.lstsq(system, np.sum(flat[:, :2] ** 2, axis=1), rcond=None)
    radius = float(np.sqrt(max(0.0, solution[2] + solution[0] ** 2 + solution[1] ** 2)))
    away = np.linalg.norm(flat[:, :2] - solution[:2], axis=1) - radius
    if float(np.max(np.abs(away))) > tol.FIT_MM:
        return "other", None
    centre = points.mean(axis=0) + solution[:2] @ rows[:2]
    return "circle", (centre, rows[2], radius)


def _length(points: Array, kind: str, circle: tuple[Array, Array, float] | None) -> float:
    chords = np.linalg.norm(np.diff(points, axis=0), axis=1)
    if kind != "circle" or circle is None:
        return float(chords.sum())
    return float(np.sum(2 * circle[2] * np.arcsin(np.minimum(1.0, chords / (2 * circle[2])))))


def _join(patches: list[_Patch], pieces: list[_Piece]) -> list[int]:
    """For each kernel face the first kernel face of the logical face it belongs to."""
    root = list(range(len(patches)))

    def find(i: int) -> int:
        while root[i] != i:
            root[i] = root[root[i]]
            i = root[i]
        return i

    for piece in pieces:
        a, b = piece.patches
        if abs(piece.turn_deg) > tol.TANGENT_DEG or find(a) == find(b):
            continue
        middle = piece.points[len(piece.points) // 2]
        if same_surface(patches[a].surface, patches[b].surface, middle) or _one_freeform(
            patches[a], patches[b]
        ):
            root[max(find(a), find(b))] = min(find(a), find(b))
    return [find(i) for i in range(len(patches))]


def _one_freeform(a: _Patch, b: _Patch) -> bool:
    """Whether two patches are trimmed from one free surface: equal parameters give equal points."""
    if not (isinstance(a.surface, Freeform) and isinstance(b.surface, Freeform)):
        return False
    whole = BRep_Tool.Surface_s(b.kernel_face)  # in the model's coordinates
    u0, u1, v0, v1 = whole.Bounds()
    inside = (a.uv >= (u0, v0)) & (a.uv <= (u1, v1))
    if not np.all(inside):
        return False
    there = np.array([_vec(whole.Value(float(u), float(v))) for u, v in a.uv])
    return bool(np.max(np.linalg.norm(there - a.points, axis=1)) < tol.LENGTH_MM)


def _logical_faces(
    patches: list[_Patch], owner: list[int], places: list[int], names: Sequence[str]
) -> tuple[Face, ...]:
    groups: dict[int, list[int]] = {}
    for i, first in enumerate(owner):
        groups.setdefault(first, []).append(i)
    faces = []
    for id_, members in enumerate(groups.values()):
        sizes = [_mesh_area(patches[i]) for i in members]
        chief = members[int(np.argmax([a[0] for a in sizes]))]
        area = sum(a[0] for a in sizes)
        weights = np.array([max(a[0], 1e-12) for a in sizes])
        all_points = np.vstack([np.vstack([patches[i].points, patches[i].vertices]) for i in members])
        source = tuple(sorted({places[i] for i in members}))
        faces.append(
            Face(
                id=id_,
                source=source,
                names=tuple(dict.fromkeys(names[i] for i in source if i < len(names) and names[i])),
                surface=patches[chief].surface,
                area_mm2=float(area),
                centroid=np.average(np.array([a[1] for a in sizes]), axis=0, weights=weights),
                points=np.vstack([patches[i].points for i in members]),
                normals=np.vstack([patches[i].normals for i in members]),
                low=all_points.min(axis=0),
                high=all_points.max(axis=0),
            )
        )
    return tuple(faces)


def _mesh_area(patch: _Patch) -> tuple[float, Array]:
    if len(patch.triangles) == 0:
        return 0.0, patch.points.mean(axis=0)
    corners = patch.vertices[patch.triangles]
    sizes = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2
    total = float(sizes.sum())
    if total <= 0:
        return 0.0, patch.points.mean(axis=0)
    return total, np.average(corners.mean(axis=1), axis=0, weights=sizes)


def _ids(owner: list[int]) -> list[int]:
    order: dict[int, int] = {}
    return [order.setdefault(first, len(order)) for first in owner]


def _logical_edges(pieces: list[_Piece], owner: list[int]) -> tuple[Edge, ...]:
    ids = _ids(owner)
    edges: list[Edge] = []
    for piece in pieces:
        a, b = ids[piece.patches[0]], ids[piece.patches[1]]
        if a == b:
            continue
        if abs(piece.turn_deg) <= tol.TANGENT_DEG:
            convexity = Convexity.TANGENT
        else:
            convexity = Convexity.CONVEX if piece.turn_deg > 0 else Convexity.CONCAVE
        edges.append(
            Edge(
                id=len(edges),
                faces=(a, b),
                convexity=convexity,
                dihedral_deg=180.0 - piece.turn_deg,
                length_mm=piece.length_mm,
                curve=piece.curve,
                points=piece.points,
                ends=piece.ends,
                circle=piece.circle,
                place=piece.place,
            )
        )
    return tuple(edges)


def _triangulate(solid: Any, deflection_mm: float) -> None:
    """Mesh a solid. The kernel's default takes time square in the holes of a face; its other way gives
    the same facets soon, but none at all on some splines."""
    settings = _mesh_settings(deflection_mm)
    settings.MeshAlgo = IMeshTools_MeshAlgoType.IMeshTools_MeshAlgoType_Delabella
    BRepMesh_IncrementalMesh(solid, settings)
    found = _mapped(solid, _FACE)
    faces = (TopoDS.Face_s(found(i + 1)) for i in range(found.Extent()))
    if any(BRep_Tool.Triangulation_s(face, TopLoc_Location()) is None for face in faces):
        BRepMesh_IncrementalMesh(solid, _mesh_settings(deflection_mm))  # what is meshed stays


def _mesh_settings(deflection_mm: float) -> Any:
    settings = IMeshTools_Parameters()
    settings.Deflection = deflection_mm
    settings.Angle = np.radians(tol.MESH_ANGLE_DEG)
    settings.ControlSurfaceDeflection = False
    return settings


def _is_bent_spline(patch: _Patch) -> bool:
    """Whether a spline face is curved in a way that only more points can follow."""
    analytic = patch.adaptor.GetType() in _ANALYTIC
    return not (analytic or patch.recut or isinstance(patch.surface, Plane))


def _refined(patch: _Patch, deflection_mm: float) -> _Patch:
    """A spline face meshed again, until every facet is within the deflection; its edges keep their points.

    On planes and cylinders written as B-splines that would make tens of thousands of facets.
    """
    BRepTools.Clean_s(patch.kernel_face)
    settings = _mesh_settings(deflection_mm)
    settings.ControlSurfaceDeflection = True
    BRepMesh_IncrementalMesh(patch.kernel_face, settings)
    finer = _patch(patch.kernel_face)
    # On strips wound round an axis the kernel's refinement may fold over itself: keep the plain mesh.
    sound = _mesh_area(finer)[0] < _FOLDED * _mesh_area(patch)[0]
    return finer if sound else patch


def _deflection(solid: Any) -> float:
    """Chord height for the mesh: fine on die inserts, in proportion on larger parts."""
    box = Bnd_Box()
    BRepBndLib.Add_s(solid, box, False)
    return float(max(tol.MESH_DEFLECTION_MM, np.sqrt(box.SquareExtent()) * tol.MESH_SHARE))


def _mesh(patches: list[_Patch], owner: list[int], deflection_mm: float) -> Mesh:
    ids = _ids(owner)
    offsets = np.cumsum([0] + [len(p.vertices) for p in patches])
    return Mesh(
        vertices=np.vstack([p.vertices for p in patches]),
        triangles=np.vstack([p.triangles + offsets[i] for i, p in enumerate(patches)]),
        face_ids=np.concatenate([np.full(len(p.triangles), ids[i], np.int64) for i, p in enumerate(patches)]),
        deflection_mm=deflection_mm,
    )

"""From a kernel solid to the part graph.

The kernel is asked once for each face and edge; everything later works on numpy arrays.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from OCP.Bnd import Bnd_Box
from OCP.BRep import BRep_Tool
from OCP.BRepBndLib import BRepBndLib
from OCP.BRepGProp import BRepGProp_Domain, BRepGProp_Face, BRepGProp_Vinert
from OCP.gp import gp_Pnt
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopoDS import TopoDS

from featurize import tolerances as tol
from featurize.brep import elementary
from featurize.brep.find_frame import find_frame
from featurize.brep.part import Convexity, Edge, Face, Mesh, Part
from featurize.brep.patches import Patch, mesh_area, patches_of
from featurize.brep.pieces import EdgePiece, mapped, pieces_of
from featurize.brep.surfaces import Cone, Cylinder, Freeform, Plane, Surface
from featurize.brep.surfaces_at import same_line, same_surface
from featurize.brep.triangulation import mesh_settings, triangulate
from featurize.errors import Code, StepError

_EXACTLY_SUMMED = (elementary.PLANE, elementary.CYLINDER, elementary.CONE)


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
    found = mapped(solid, TopAbs_ShapeEnum.TopAbs_FACE)
    kernel_faces = [TopoDS.Face_s(found(i + 1)) for i in range(found.Extent())]
    triangulate(solid, kernel_faces, mesh_settings(deflection_mm))
    patches = patches_of(kernel_faces, deflection_mm)
    pieces = pieces_of(solid, patches)
    owner = _join(patches, pieces)
    places = list(source_faces) if source_faces is not None else list(range(len(patches)))
    faces = _logical_faces(patches, owner, places, face_names)
    edges = _logical_edges(pieces, patches, owner)
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


def _volume_mm3(patches: list[Patch], pieces: list[EdgePiece]) -> float:
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


def _join(patches: list[Patch], pieces: list[EdgePiece]) -> list[int]:
    """For each kernel face the first kernel face of the logical face it belongs to."""
    root = list(range(len(patches)))

    def find(i: int) -> int:
        while root[i] != i:
            root[i] = root[root[i]]
            i = root[i]
        return i

    for piece in pieces:
        a, b = piece.patches
        if not _is_smooth(piece, patches) or find(a) == find(b):
            continue
        middle = piece.points[len(piece.points) // 2]
        if same_surface(patches[a].surface, patches[b].surface, middle) or _one_freeform(
            patches[a], patches[b]
        ):
            root[max(find(a), find(b))] = min(find(a), find(b))
    return [find(i) for i in range(len(patches))]


def _is_smooth(piece: EdgePiece, patches: list[Patch]) -> bool:
    """Whether no edge is seen there. Flats, and what is turned about one axis, are never rough fillets."""
    a, b = (patches[p].surface for p in piece.patches)
    exact = (isinstance(a, Plane) and isinstance(b, Plane)) or _are_coaxial(a, b)
    # Rounded far below any tolerance: an angle right at the limit falls on one side however the part lies.
    return round(abs(piece.turn_deg), 3) <= (tol.SMOOTH_DEG if exact else tol.TANGENT_DEG)


def _are_coaxial(a: Surface, b: Surface) -> bool:
    lines = [
        (s.origin, s.axis) if isinstance(s, Cylinder) else (s.apex, s.axis)
        for s in (a, b)
        if isinstance(s, Cylinder | Cone)
    ]
    return len(lines) == 2 and same_line(*lines[0], *lines[1])


def _one_freeform(a: Patch, b: Patch) -> bool:
    """Whether two patches are trimmed from one free surface: equal parameters give equal points."""
    if not (isinstance(a.surface, Freeform) and isinstance(b.surface, Freeform)):
        return False
    whole = BRep_Tool.Surface_s(b.kernel_face)  # in the model's coordinates
    u0, u1, v0, v1 = whole.Bounds()
    inside = (a.uv >= (u0, v0)) & (a.uv <= (u1, v1))
    if not np.all(inside):
        return False
    at = (whole.Value(float(u), float(v)) for u, v in a.uv)
    there = np.array([(p.X(), p.Y(), p.Z()) for p in at])
    return bool(np.max(np.linalg.norm(there - a.points, axis=1)) < tol.LENGTH_MM)


def _logical_faces(
    patches: list[Patch], owner: list[int], places: list[int], names: Sequence[str]
) -> tuple[Face, ...]:
    groups: dict[int, list[int]] = {}
    for i, first in enumerate(owner):
        groups.setdefault(first, []).append(i)
    faces = []
    for id_, members in enumerate(groups.values()):
        sizes = [mesh_area(patches[i]) for i in members]
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


def _ids(owner: list[int]) -> list[int]:
    order: dict[int, int] = {}
    return [order.setdefault(first, len(order)) for first in owner]


def _logical_edges(pieces: list[EdgePiece], patches: list[Patch], owner: list[int]) -> tuple[Edge, ...]:
    ids = _ids(owner)
    edges: list[Edge] = []
    for piece in pieces:
        a, b = ids[piece.patches[0]], ids[piece.patches[1]]
        if a == b:
            continue
        if _is_smooth(piece, patches):
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


def _deflection(solid: Any) -> float:
    """Chord height for the mesh: fine on die inserts, in proportion on larger parts."""
    box = Bnd_Box()
    BRepBndLib.Add_s(solid, box, False)
    return float(max(tol.MESH_DEFLECTION_MM, np.sqrt(box.SquareExtent()) * tol.MESH_SHARE))


def _mesh(patches: list[Patch], owner: list[int], deflection_mm: float) -> Mesh:
    ids = _ids(owner)
    offsets = np.cumsum([0] + [len(p.vertices) for p in patches])
    return Mesh(
        vertices=np.vstack([p.vertices for p in patches]),
        triangles=np.vstack([p.triangles + offsets[i] for i, p in enumerate(patches)]),
        face_ids=np.concatenate([np.full(len(p.triangles), ids[i], np.int64) for i, p in enumerate(patches)]),
        deflection_mm=deflection_mm,
    )

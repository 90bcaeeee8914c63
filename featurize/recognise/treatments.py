"""Chamfers and rounds: narrow faces that break the edge between two others."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Convexity, Edge
from featurize.brep.surfaces import Cone, Cylinder, Freeform, Plane, Sphere, Torus
from featurize.brep.surfaces_at import parallel
from featurize.feature import Axis, Feature, Kind, Role
from featurize.recognise.blends import blend_of
from featurize.recognise.scene import Scene, vec

ORDER = 25
# A chamfer is much longer than it is wide; wider bevels are judged by the void they leave.
_SLENDER = 0.35
_MAX_WIDTH_MM = 3.0


def find(scene: Scene) -> list[Feature]:
    """Chamfers and edge rounds over free faces."""
    return [*_chamfers(scene), *_rounds(scene)]


def _chamfers(scene: Scene) -> list[Feature]:
    chosen = [f for f in sorted(scene.free) if _is_chamfer(scene, f)]
    features = []
    for group in scene.rejoined(scene.groups(chosen, Convexity.TANGENT)):
        features.append(
            Feature(
                id="",
                kind=Kind.CHAMFER,
                faces=tuple(group),
                roles=dict.fromkeys(group, Role.FACE),
                dims=chamfer_sizes(scene, group),
                axis=Axis(vec(scene.face(group[0]).centroid), vec(scene.face(group[0]).normals[0])),
                opens_to=_sides(scene, group),
                evidence=("narrow, between two faces it meets in outward edges",),
            )
        )
    return features


def _long_edges(scene: Scene, f: int) -> list[tuple[int, float, list[Edge]]]:
    """Neighbours of a face by shared length, longest first."""
    by_face: dict[int, list[Edge]] = {}
    for e in scene.part.edges_of(f):
        other = e.faces[0] if e.faces[1] == f else e.faces[1]
        by_face.setdefault(other, []).append(e)
    rows = [(o, sum(e.length_mm for e in es), es) for o, es in by_face.items()]
    return sorted(rows, key=lambda r: (-round(r[1], 6), r[0]))


def _is_chamfer(scene: Scene, f: int) -> bool:
    face = scene.face(f)
    if not isinstance(face.surface, (Plane, Cone)) or scene.side_of(face) is not None:
        return False
    edges = scene.part.edges_of(f)
    if any(e.convexity == Convexity.CONCAVE for e in edges):
        return False
    rows = _long_edges(scene, f)
    if len(rows) < 2:
        return False
    (a, length_a, edges_a), (b, length_b, edges_b) = rows[0], rows[1]
    length = max(length_a, length_b)
    width = face.area_mm2 / max(length, tol.LENGTH_MM)
    if width > min(_MAX_WIDTH_MM, _SLENDER * length) or min(length_a, length_b) < 0.3 * length:
        return False
    if any(e.convexity != Convexity.CONVEX for e in edges_a + edges_b):
        return False
    turns = [_turn(es) for es in (edges_a, edges_b)]
    # The two turns together make the corner that was broken.
    return all(t > 10 for t in turns) and 60 <= sum(turns) <= 120 and a != b


def chamfer_sizes(scene: Scene, faces: Sequence[int]) -> dict[str, float]:
    """Angle to the face it leans on (the smaller one), ``width_mm`` along that face, and length."""
    widths, angles, length = [], [], 0.0
    for f in faces:
        rows = _bevelled(_long_edges(scene, f))
        long = rows[0][1] if rows else 0.0
        length += long
        s = scene.face(f).surface
        widths.append(_width(rows))
        neighbours = [_turn(es) for _, _, es in rows[:2]]
        if isinstance(s, (Plane, Cone)) and neighbours:
            angles.append(min(neighbours))
    if not angles:
        return {"width_mm": max(widths), "length_mm": length}
    angle = min(angles)
    return {
        "width_mm": max(widths) * float(np.cos(np.radians(angle))),
        "length_mm": length,
        "angle_deg": angle,
    }


def _bevelled(rows: list[tuple[int, float, list[Edge]]]) -> list[tuple[int, float, list[Edge]]]:
    """The rows of the faces that are bevelled; those met square are the chamfer's ends, long or not."""
    leaning = [r for r in rows if abs(90.0 - _turn(r[2])) > tol.TANGENT_DEG]
    return leaning if len(leaning) >= 2 else rows


def _turn(edges: Sequence[Edge]) -> float:
    """Mean angle between the normals across edges."""
    return 180.0 - float(np.mean([e.dihedral_deg for e in edges]))


def _width(rows: list[tuple[int, float, list[Edge]]]) -> float:
    """Distance between the two long edges, measured square to them."""
    if len(rows) < 2:
        return 0.0
    a = rows[0][2][0].points
    others = np.vstack([e.points for e in rows[1][2]])
    middle = a[len(a) // 2]
    along = a[-1] - a[0]
    length = float(np.linalg.norm(along))
    if rows[0][2][0].curve == "line" and length > tol.LENGTH_MM:
        offsets = others - middle
        along = along / length
        return float(np.min(np.linalg.norm(offsets - np.outer(offsets @ along, along), axis=1)))
    return float(np.min(np.linalg.norm(others - middle, axis=1)))


def _sides(scene: Scene, faces: Sequence[int]) -> tuple[str, ...]:
    """Sides of the frame looked to by the flat faces around."""
    found = {s for f in faces for o in scene.part.across(f) if (s := scene.side_of(scene.face(o)))}
    return tuple(sorted(found))


def _rounds(scene: Scene) -> list[Feature]:
    candidates = {f for f in scene.free if _is_round(scene, f)}
    # A round between two walls of one recess (an island's corner) is part of that recess.
    cuts = scene.groups(scene.free - candidates, Convexity.CONCAVE, Convexity.TANGENT)
    of = {f: k for k, g in enumerate(cuts) for f in g}
    features = []
    for group in scene.rejoined(scene.groups(candidates, Convexity.TANGENT)):
        supports = {o for f in group for o in scene.part.across(f, Convexity.TANGENT)} - set(group)
        owners = {of.get(s, ("outside", s)) for s in supports}
        if len(supports) >= 2 and len(owners) == 1 and all(s in of for s in supports):
            continue
        radii = [r for f in group for r in _radii(scene, f)]
        widest = {"largest_radius_mm": max(radii)} if max(radii) - min(radii) > tol.SURFACE_MM else {}
        length = max(sum(e.length_mm for e, _, outer in scene.rim(group) if outer == s) for s in supports)
        features.append(
            Feature(
                id="",
                kind=Kind.EDGE_ROUND,
                faces=tuple(group),
                roles=dict.fromkeys(group, Role.FACE),
                dims={"radius_mm": min(radii), **widest, "length_mm": length},
                axis=Axis(vec(scene.face(group[0]).centroid), vec(scene.face(group[0]).normals[0])),
                opens_to=_sides(scene, group),
                evidence=("runs smoothly into the faces on both sides, material inside the curve",),
            )
        )
    return features


def _is_round(scene: Scene, f: int) -> bool:
    s = scene.face(f).surface
    if isinstance(s, Freeform):
        blend = blend_of(scene, f)
        return blend is not None and not blend.hollow
    if not isinstance(s, (Cylinder, Torus, Sphere)) or s.hollow:
        return False
    tangents = [e for e in scene.part.edges_of(f) if e.convexity == Convexity.TANGENT]
    faces = {o for e in tangents for o in e.faces} - {f}
    if len(faces) < 2:
        return False
    if isinstance(s, Cylinder):
        # Smooth along both straight sides; a full pin has none.
        straight = [e for e in tangents if e.curve == "line" and _along(e, s)]
        return len({o for e in straight for o in e.faces} - {f}) >= 2
    return True


def _along(e: Edge, s: Cylinder) -> bool:
    chord = e.points[-1] - e.points[0]
    length = float(np.linalg.norm(chord))
    return length > tol.LENGTH_MM and parallel(chord / length, s.axis, 1.0)


def _radii(scene: Scene, f: int) -> tuple[float, ...]:
    """The radius of a round; for a variable one the least and the most."""
    s, blend = scene.face(f).surface, blend_of(scene, f)
    if blend is not None:
        return blend.least_mm, blend.most_mm
    if isinstance(s, Torus):
        return (s.minor_mm,)
    return (s.radius_mm,) if isinstance(s, (Cylinder, Sphere)) else (0.0,)

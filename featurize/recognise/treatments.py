"""Chamfers and rounds: narrow faces that break the edge between two others."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from featurize import tolerances as tol
from featurize.brep.part import Convexity, Edge
from featurize.brep.surfaces import Array, Cylinder, Freeform, Plane, Sphere, Torus
from featurize.brep.surfaces_at import parallel
from featurize.feature import Axis, Feature, Kind, Role
from featurize.recognise.bevels import bevel_of, has_own_floor
from featurize.recognise.blends import blend_of
from featurize.recognise.scene import Scene, vec

ORDER = 25
# A bevel that takes more than this off both faces is a slanted wall (common practice, no source).
_MAX_LEG_MM = 7.0
# Points along an edge turn by 11 deg at most, a circle's: its arcs stand off their chords by half of this.
_SAGITTA = 0.05


def find(scene: Scene) -> list[Feature]:
    """Chamfers and edge rounds over free faces."""
    return [*_chamfers(scene), *_rounds(scene)]


def breaks(scene: Scene) -> frozenset[int]:
    """Faces that break an outward edge, whatever feature they are counted to."""
    faces = (f.id for f in scene.part.faces)
    return scene.kept(
        "breaks", lambda: frozenset(f for f in faces if _is_chamfer(scene, f) or _is_round(scene, f))
    )


def unbroken(scene: Scene, f: int) -> Array:
    """Mesh corners (n, 3) of one face but for those where its edges are broken.

    A chamfer or round on one wall's rim lets the walls beside it reach behind that wall.
    """
    broken = [e for e in scene.part.edges_of(f) if (set(e.faces) - {f}) & breaks(scene)]
    corners = scene.vertices(f)
    if not broken:
        return corners

    def make() -> Array:
        kept = ~np.any([_on_edge(corners, e, _breadth(scene, e, f)) for e in broken], axis=0)
        return corners[kept] if kept.any() else corners

    return scene.kept(("unbroken", f), make)


def _breadth(scene: Scene, e: Edge, beside: int) -> float:
    """How broad a strip along an edge is, the one that is not ``beside``."""
    strip = e.faces[0] if e.faces[1] == beside else e.faces[1]
    longest = max(o.length_mm for o in scene.part.edges_of(strip))
    return scene.face(strip).area_mm2 / max(longest, tol.LENGTH_MM)


def _on_edge(points: Array, e: Edge, near_mm: float) -> NDArray[np.bool_]:
    """Which points (n, 3) are this near to an edge, give or take a bend's sagitta."""
    start, way = e.points[:-1], np.diff(e.points, axis=0)
    size = np.maximum(np.sum(way * way, axis=1), 1e-24)
    away = points[:, None] - start
    share = np.clip(np.sum(away * way, axis=2) / size, 0, 1)
    gap = np.linalg.norm(away - share[..., None] * way, axis=2)
    return np.asarray(np.any(gap < near_mm + tol.SURFACE_MM + _SAGITTA * np.sqrt(size), axis=1))


def _chamfers(scene: Scene) -> list[Feature]:
    # A bevel that has a floor of its own is a step, one that runs on as a wall is that wall: so is what
    # another cut has parted from them.
    narrow = {f for f in scene.free if _is_chamfer(scene, f)}
    like = {scene.surface[f] for f in narrow}
    cuts = {
        scene.surface[f]
        for f in scene.free
        if scene.surface[f] in like
        and (has_own_floor(scene, f) or (f not in narrow and _is_wall(scene, f, narrow)))
    }
    chosen = {f for f in narrow if scene.surface[f] not in cuts}
    chosen |= {f for f in scene.free - chosen if _bends(scene, f, chosen)}
    features = []
    for group in scene.rejoined(scene.groups(chosen, Convexity.TANGENT)):
        features.append(
            Feature(
                id="",
                kind=Kind.CHAMFER,
                faces=tuple(group),
                roles=dict.fromkeys(group, Role.FACE),
                dims=_chamfer_sizes(scene, group),
                axis=Axis(vec(scene.face(group[0]).centroid), vec(scene.face(group[0]).normals[0])),
                opens_to=_sides(scene, group),
                evidence=("narrow, between two faces it meets in outward edges",),
            )
        )
    return features


def _bends(scene: Scene, f: int, chamfers: set[int]) -> bool:
    """Whether a free surface takes chamfers on round a bend of their edge."""
    beside = scene.part.across(f, Convexity.TANGENT)
    edge = {o for c in beside for o in scene.part.across(c, Convexity.CONVEX)}
    return (
        isinstance(scene.face(f).surface, Freeform)
        and bool(beside)
        and beside <= chamfers
        and bool(edge & scene.part.across(f, Convexity.CONVEX))
    )


def _is_wall(scene: Scene, f: int, narrow: set[int]) -> bool:
    """Whether a face meets others than chamfers in inward corners or smoothly."""
    return bool(scene.part.across(f, Convexity.CONCAVE, Convexity.TANGENT) - narrow)


def _is_chamfer(scene: Scene, f: int) -> bool:
    bevel = bevel_of(scene, f)
    return (
        bevel is not None
        and not bevel.hollow
        and bevel.width_mm * np.sin(np.radians(bevel.turns_deg[0])) < _MAX_LEG_MM + tol.SURFACE_MM
        and scene.side_of(scene.face(f)) is None
    )


def _chamfer_sizes(scene: Scene, faces: Sequence[int]) -> dict[str, float]:
    """Angle to the face it leans on (the smaller one), ``width_mm`` along that face, and length."""
    bevels = [bevel for f in faces if (bevel := bevel_of(scene, f)) is not None]
    angle = min(b.turns_deg[0] for b in bevels)
    return {
        "width_mm": max(b.width_mm for b in bevels) * float(np.cos(np.radians(angle))),
        "length_mm": sum(b.length_mm for b in bevels),
        "angle_deg": angle,
    }


def _sides(scene: Scene, faces: Sequence[int]) -> tuple[str, ...]:
    """Sides of the frame looked to by the flat faces around."""
    found = {s for f in faces for o in scene.part.across(f) if (s := scene.side_of(scene.face(o)))}
    return tuple(sorted(found))


def _rounds(scene: Scene) -> list[Feature]:
    candidates = {f for f in scene.free if _is_round(scene, f)}
    candidates |= {f for f in scene.free - candidates if _goes_on(scene, f, candidates)}
    # A round between two walls of one recess (an island's corner) is part of that recess.
    cuts = scene.groups(scene.free - candidates, Convexity.CONCAVE, Convexity.TANGENT)
    of = {f: k for k, g in enumerate(cuts) for f in g}
    features = []
    for group in scene.rejoined(scene.groups(candidates, Convexity.TANGENT)):
        supports = {o for f in group for o in scene.part.across(f, Convexity.TANGENT)} - set(group)
        owners = {of.get(s, ("outside", s)) for s in supports}
        if len(supports) >= 2 and len(owners) == 1 and all(s in of for s in supports):
            continue
        radii = [r for f in group for r in _radii(scene, f)] or [0.0]
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


def _goes_on(scene: Scene, f: int, rounds: set[int]) -> bool:
    """Whether a curved face runs smoothly into rounds, and into what they run into: another cut left it."""
    s = scene.face(f).surface
    if isinstance(s, Plane) or (isinstance(s, Cylinder) and s.hollow):
        return False
    smooth = scene.part.across(f, Convexity.TANGENT)
    beside, supports = smooth & rounds, smooth - rounds
    return (
        bool(beside)
        and all(supports & scene.part.across(r, Convexity.TANGENT) for r in beside)
        and scene.face(f).area_mm2 < sum(scene.face(r).area_mm2 for r in beside)
    )


def _along(e: Edge, s: Cylinder) -> bool:
    chord = e.points[-1] - e.points[0]
    length = float(np.linalg.norm(chord))
    return length > tol.LENGTH_MM and parallel(chord / length, s.axis, 1.0)


def _radii(scene: Scene, f: int) -> tuple[float, ...]:
    """The radius of a round; of a variable one the least and the most; none of what a cut left of one."""
    s, blend = scene.face(f).surface, blend_of(scene, f)
    if blend is not None:
        return blend.least_mm, blend.most_mm
    if isinstance(s, Torus):
        return (s.minor_mm,)
    return (s.radius_mm,) if isinstance(s, (Cylinder, Sphere)) else ()

"""What breaks the edge between two broader faces: chamfers outside, webs inside.
They are flats and cones, and free surfaces where a bore comes out askew.

Where two faces met in an edge, a bevel leaves two edges that run alike, and its normal lies between the
normals of the two faces. What else bounds it are its ends: walls of any kind, or further bevels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.spatial import cKDTree

from featurize import tolerances as tol
from featurize.brep.part import Convexity, Edge
from featurize.brep.surfaces import Array, Cone, Cylinder, Freeform, Plane, Torus
from featurize.brep.surfaces_at import normals_at
from featurize.recognise.scene import Scene, mesh_span

# A bevel turns from each of the two faces by this much at least (less is draft or relief) and at most. No
# angle that is drawn lies at a limit.
_TURN_DEG = (7.9, 76.1)
# The edge that was broken turned by this much at least and at most.
_EDGE_TURN_DEG = (44.9, 150.1)
# Another bevel at its end may let it reach past its long edges, to this many times its width.
_BEYOND = 1.25
# The two long edges run alike within this.
_ALIKE_DEG = 5.0
# ... where they bend in space, so that a free surface lies between: its normals are those of points near.
_ALIKE_FREE_DEG = 10.0
# A web narrower than this share of the narrower of the two walls is none of the sides of a section.
_NARROW_WEB = 0.3
# A bevel is narrower than this share of the broader of the two faces: the sides of an octagon are as broad.
_NARROWER = 0.97


@dataclass(frozen=True)
class Bevel:
    """``beside`` are the two faces whose edge is broken, ``turns_deg`` the turns to them, the lesser first.

    ``width_mm`` is measured across the bevel; ``hollow`` for a web in an inward edge.
    """

    beside: tuple[int, int]
    turns_deg: tuple[float, float]
    width_mm: float
    length_mm: float
    hollow: bool
    slender: bool  # a small share of the narrower of the two


def bevel_of(scene: Scene, f: int) -> Bevel | None:
    """What edge a face breaks, or None when it does no such thing."""
    if not isinstance(scene.face(f).surface, Plane | Cone | Freeform):
        return None
    return scene.kept(("bevel", f), lambda: _find(scene, f))


def webs(scene: Scene, faces: Sequence[int]) -> dict[int, Bevel]:
    """Those of a recess' faces that break its inward edges, the narrowest first."""
    inside = set(faces)
    found = {f: b for f in faces if (b := bevel_of(scene, f)) and b.hollow and inside.issuperset(b.beside)}
    return dict(sorted(found.items(), key=lambda fb: (round(fb[1].width_mm, 6), fb[0])))


@dataclass(frozen=True, eq=False)
class _Side:
    """A face beside a bevel and the edges there, of one sense; ``turn_deg`` is over 0 for outward ones."""

    face: int
    edges: Sequence[Edge]
    turn_deg: float
    length_mm: float


def _find(scene: Scene, f: int) -> Bevel | None:
    sides = _sides(scene, f)
    pairs = sorted(combinations(sides, 2), key=lambda p: -round(min(s.length_mm for s in p), 6))
    for a, b in pairs:
        whole = abs(a.turn_deg + b.turn_deg)
        if a.turn_deg * b.turn_deg < 0 or not _EDGE_TURN_DEG[0] <= whole <= _EDGE_TURN_DEG[1]:
            continue
        width = _between(scene, f, a, b)
        if width is None or not _lies_between(scene, f, a, b, width):
            continue
        breadths = [_breadth(scene, f, s) for s in (a, b)]
        if width >= _NARROWER * max(breadths):
            continue
        less, more = sorted((a, b), key=lambda s: (round(abs(s.turn_deg), 3), s.face))
        return Bevel(
            (less.face, more.face),
            (abs(less.turn_deg), abs(more.turn_deg)),
            width,
            max(a.length_mm, b.length_mm),
            hollow=a.turn_deg < 0,
            slender=width < _NARROW_WEB * min(breadths),
        )
    return None


def has_own_floor(scene: Scene, f: int) -> bool:
    """Whether a face stands on a floor that no other wall stands on, in a corner or a fillet: the two are a
    step."""
    if any(_is_fillet(scene, o) for o in scene.part.across(f, Convexity.TANGENT)):
        return True
    return any(
        all(scene.surface[g] == scene.surface[f] for g in scene.part.across(o, Convexity.CONCAVE))
        and not _breaks_wall_of(scene, f, o)
        and not ((b := bevel_of(scene, o)) and not b.hollow)  # a chamfer goes on round a corner
        for o in scene.part.across(f, Convexity.CONCAVE)
    )


def _is_fillet(scene: Scene, f: int) -> bool:
    s = scene.face(f).surface
    return isinstance(s, Cylinder | Torus) and s.hollow


def _breaks_wall_of(scene: Scene, f: int, floor: int) -> bool:
    """Whether a face lies along the edge of a wall that stands on the same floor further on."""
    beside = scene.part.across(f, Convexity.CONVEX)
    return any(
        scene.surface[g] == scene.surface[floor]
        for wall in beside
        for g in scene.part.across(wall, Convexity.CONCAVE)
    )


def _sides(scene: Scene, f: int) -> list[_Side]:
    by_face: dict[int, list[Edge]] = {}
    for e in scene.part.edges_of(f):
        by_face.setdefault(e.faces[0] if e.faces[1] == f else e.faces[1], []).append(e)
    found = []
    for other, edges in sorted(by_face.items()):
        turns = [180.0 - e.dihedral_deg for e in edges]
        one_sense = len({e.convexity for e in edges} - {Convexity.TANGENT}) == 1
        turn = float(np.mean(turns))
        if one_sense and _TURN_DEG[0] <= abs(turn) <= _TURN_DEG[1]:
            found.append(_Side(other, edges, turn, sum(e.length_mm for e in edges)))
    return found


def _between(scene: Scene, f: int, a: _Side, b: _Side) -> float | None:
    """Width between two sides whose edges run alike, None where they do not."""
    here = max(a.edges, key=lambda e: e.length_mm).points
    p = here[len(here) // 2]
    there = np.vstack([e.points for e in b.edges])
    q = there[int(np.argmin(np.linalg.norm(there - p, axis=1)))]
    runs = []
    for side, at, sign in ((a, p, 1.0), (b, q, -1.0)):
        own, other = _normal(scene, f, at), _normal(scene, side.face, at)
        if own is None or other is None:
            return None
        run = sign * np.cross(own, other)
        runs.append(run / max(float(np.linalg.norm(run)), 1e-12))
    free = isinstance(scene.face(f).surface, Freeform)
    if float(runs[0] @ runs[1]) < np.cos(np.radians(_ALIKE_FREE_DEG if free else _ALIKE_DEG)):
        return None
    return _circles_apart(a, b) or float(np.linalg.norm((q - p) - ((q - p) @ runs[0]) * runs[0]))


def _lies_between(scene: Scene, f: int, side: _Side, opposite: _Side, width_mm: float) -> bool:
    """Whether a face reaches no further than from one of its long edges to the other."""
    if isinstance(s := scene.face(f).surface, Plane):
        at = side.edges[0].points
        other = _normal(scene, side.face, at[len(at) // 2])
        assert other is not None
        run = np.cross(s.normal, other)
        across = np.cross(s.normal, run / np.linalg.norm(run))
        low, high = mesh_span(scene, f, across)
    elif isinstance(s, Freeform):
        return _is_strip(scene, f, [*side.edges, *opposite.edges], width_mm)
    else:
        assert isinstance(s, Cone)
        low, high = mesh_span(scene, f, s.axis)
        low, high = (h / float(np.cos(np.radians(s.half_angle_deg))) for h in (low, high))
    return high - low < _BEYOND * width_mm + 2 * tol.SURFACE_MM


def _is_strip(scene: Scene, f: int, edges: Sequence[Edge], width_mm: float) -> bool:
    """Whether a free surface keeps within reach of its long edges."""
    away = cKDTree(np.vstack([e.points for e in edges])).query(scene.vertices(f))[0]
    # Points along an edge stand apart: what lies between two of them is half a step off.
    step = max(float(np.linalg.norm(np.diff(e.points, axis=0), axis=1).max()) for e in edges)
    return float(away.max()) < float(np.hypot(_BEYOND * width_mm, step / 2)) + tol.SURFACE_MM


def _normal(scene: Scene, f: int, at: Array) -> Array | None:
    face = scene.face(f)
    if isinstance(face.surface, Freeform):
        mesh = scene.part.mesh
        a, b, c = mesh.vertices[mesh.triangles[mesh.rows([f])]].transpose(1, 0, 2)
        # Facets of a strip reach from one long edge to the other: its corners say best how near one is.
        near = int(np.argmin(sum(np.linalg.norm(corner - at, axis=1) for corner in (a, b, c))))
        normal = np.cross(b[near] - a[near], c[near] - a[near])
        return np.asarray(normal / max(float(np.linalg.norm(normal)), 1e-12))
    found = normals_at(face.surface, at[None])
    return found[0] if found is not None else None


def _circles_apart(a: _Side, b: _Side) -> float | None:
    """Exact distance between arcs about one axis."""
    one, other = a.edges[0].circle, b.edges[0].circle
    if one is None or other is None:
        return None
    shift = other[0] - one[0]
    along = float(shift @ one[1])
    off = float(np.linalg.norm(shift - along * one[1]))
    return float(np.hypot(along, one[2] - other[2])) if off < tol.SURFACE_MM else None


def _breadth(scene: Scene, f: int, side: _Side) -> float:
    """How far a face beside a bevel reaches away from it."""
    e = max(side.edges, key=lambda e: e.length_mm)
    at = e.points[len(e.points) // 2]
    own, other = _normal(scene, f, at), _normal(scene, side.face, at)
    assert own is not None
    assert other is not None
    away = other * float(own @ other) - own  # in the face, square to the edge
    away *= -1.0 if side.turn_deg < 0 else 1.0
    away /= np.linalg.norm(away)
    return mesh_span(scene, side.face, away)[1] - float(at @ away)

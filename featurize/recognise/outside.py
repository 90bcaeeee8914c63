"""Outside faces (on the blank) and outside profiles (an outline that is no rectangle)."""

from __future__ import annotations

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Convexity, Face
from featurize.brep.rays import escapes
from featurize.brep.surfaces import Array, Cylinder, Plane
from featurize.brep.surfaces_at import parallel, square
from featurize.feature import Axis, Feature, Kind, Role
from featurize.recognise.scene import Scene, span, vec
from featurize.recognise.sizes import is_wall

ORDER = 10
# A turned or ground blank: the outside cylinder reaches the box within this share of its radius.
_ROUND_SHARE = 1e-3
# Below this share of the outline, flats on the box are what is left of a contoured outline.
_BOX_SHARE = 0.5
# Directions tried around the part.
_BEARINGS = 24


def find(scene: Scene) -> list[Feature]:
    """Flat faces on the part's box, the round of a disc, and the walls of a contoured outline."""
    z = scene.part.frame.axes[2]
    ground = [f for f in sorted(scene.free) if scene.on_box(scene.face(f))]
    ground += [f for f in sorted(scene.free) if _is_blank_round(scene, scene.face(f))]
    outline = _outline(scene, ground, z)
    features = [
        Feature(
            id="",
            kind=Kind.OUTSIDE_FACE,
            faces=(f,),
            roles={f: Role.FACE},
            axis=Axis(vec(scene.face(f).centroid), vec(scene.face(f).normals[0])),
            opens_to=(side,) if (side := scene.side_of(scene.face(f))) else (),
            evidence=("lies on the part's box",),
        )
        for f in ground
        if f not in outline
    ]
    if outline:
        cloud = scene.cloud(outline)
        low, high = span(cloud, z)
        radii = [
            s.radius_mm for f in outline if isinstance(s := scene.face(f).surface, Cylinder) and s.hollow
        ]
        features.append(
            Feature(
                id="",
                kind=Kind.OUTSIDE_PROFILE,
                faces=tuple(sorted(outline)),
                roles=dict.fromkeys(outline, Role.WALL),
                dims={"height_mm": high - low, **({"corner_radius_mm": min(radii)} if radii else {})},
                axis=Axis(vec(cloud.mean(axis=0)), vec(z)),
                evidence=("walls square to the working side, seen from outside all the way round",),
            )
        )
    return features


def _is_blank_round(scene: Scene, face: Face) -> bool:
    """A cylinder that is the whole round outside: it touches the box on all four sides."""
    s = face.surface
    if not isinstance(s, Cylinder) or s.hollow:
        return False
    part = scene.part
    for k in range(3):
        if not parallel(s.axis, part.frame.axes[k], tol.AXIS_DEG):
            continue
        centre = part.frame.local(s.origin)
        across = [j for j in range(3) if j != k]
        return all(
            abs(centre[j] - s.radius_mm - part.low[j]) < _ROUND_SHARE * s.radius_mm + tol.SURFACE_MM
            and abs(centre[j] + s.radius_mm - part.high[j]) < _ROUND_SHARE * s.radius_mm + tol.SURFACE_MM
            for j in across
        )
    return False


def _outline(scene: Scene, ground: list[int], z: Array) -> set[int]:
    """Faces of a contoured outline along z, or nothing when the outline is the blank's own.

    Walls square to z from which sight is free sideways are the outline; when most of its length is
    box or blank round, what is left of it are single cuts (notches, chamfers), not an outline.
    """
    walls = [f for f in sorted(scene.free) if _is_wall(scene.face(f), z)]
    low, high = scene.part.low[2], scene.part.high[2]
    if any(isinstance(scene.face(f).surface, Cylinder) for f in ground):
        return set()
    tall = [
        f
        for f in walls
        if float(np.ptp(scene.part.frame.local(scene.vertices(f))[:, 2])) >= 0.5 * (high - low)
    ]
    # The walls on the box first: where these and theirs are no outline, openings need no look round.
    pieces = sorted(scene.groups(tall), key=lambda g: set(ground).isdisjoint(g))
    full: list[int] = []
    for piece in pieces:
        full += [f for f in piece if f in ground or _faces_out(scene, scene.face(f))]
        if not set(ground).isdisjoint(piece) and not _is_outline(scene, full, ground):
            return set()
    return set(full) if _is_outline(scene, full, ground) else set()


def _is_outline(scene: Scene, full: list[int], ground: list[int]) -> bool:
    """Whether walls seen from outside make one ring that is not the blank's own."""
    ring = set(full)
    contoured = ring - set(ground)
    if not contoured or len(scene.groups(full)) != 1:
        return False
    on_box = sum(scene.face(f).area_mm2 for f in full if f in ground)
    if on_box >= _BOX_SHARE * sum(scene.face(f).area_mm2 for f in full):
        return False
    # What stands on a floor, or meets in inward corners between flats, is a cut and not an outline.
    for f in contoured:
        for e in scene.part.edges_of(f):
            flats = all(isinstance(scene.face(g).surface, Plane) for g in e.faces)
            if e.convexity == Convexity.CONCAVE and (flats or not set(e.faces) <= ring):
                return False
    # A ring closes on itself: each wall has a neighbour on two sides.
    if len(ring) == 2:
        return _meet_twice(scene, *ring)
    return len(ring) == 1 or all(len(scene.part.across(f) & ring) >= 2 for f in ring)


def _meet_twice(scene: Scene, one: int, other: int) -> bool:
    """Whether two upright walls meet in two places, as a disc's round and its one flat do."""
    shared = [e.points for e in scene.part.edges_of(one) if set(e.faces) == {one, other}]
    spots = scene.part.frame.local(np.concatenate(shared))[:, :2] if shared else np.zeros((1, 2))
    return float(np.ptp(spots, axis=0).max()) > tol.VOID_MM


def _is_wall(face: Face, z: Array) -> bool:
    if isinstance(face.surface, Plane):
        return square(face.surface.normal, z)
    return is_wall(face, z, tol.TANGENT_DEG)


def _faces_out(scene: Scene, face: Face) -> bool:
    """Whether sight is free, square to z, from nearly all of a wall's samples."""
    frame = scene.part.frame
    points = scene.off_surface(face.id)
    seen = np.zeros(len(points), bool)
    for turn in np.linspace(0, 2 * np.pi, _BEARINGS, endpoint=False):
        direction = np.cos(turn) * frame.axes[0] + np.sin(turn) * frame.axes[1]
        facing = (face.normals @ direction > 0.1) & ~seen
        if facing.any():
            seen[facing] = escapes(scene.part.mesh, points[facing], direction)
    return float(seen.mean()) > 0.9

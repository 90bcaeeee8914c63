"""Contoured surfaces: freely curved faces that are cut as such."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Convexity, Face
from featurize.brep.surfaces import Cone, Cylinder, Freeform, Plane, Sphere, Torus
from featurize.feature import Axis, Feature, Kind, Role
from featurize.recognise.blends import blend_of
from featurize.recognise.corners import fillets_runouts
from featurize.recognise.scene import Scene, vec
from featurize.recognise.sizes import is_wall, smallest_rectangle

ORDER = 35


def find(scene: Scene) -> list[Feature]:
    """Groups of freely curved faces, with the round faces that run smoothly into them and the flat bottom
    that they fence in."""
    seeds = {f for f in scene.free if _is_contour(scene, scene.face(f))}
    # Spheres, tori and the like that continue a contour belong to it; a fillet between flats does not.
    curved = {
        f for f in scene.free if isinstance(scene.face(f).surface, (Sphere, Torus, Cone, Cylinder, Freeform))
    }
    features = []
    for group in scene.groups(seeds | (curved & _smooth_next(scene, seeds))):
        if not set(group) & seeds:
            continue
        features.append(contour(scene, [*group, *_floors_within(scene, group)]))
    return features


def contour(scene: Scene, group: Sequence[int]) -> Feature:
    """A group of faces as a contoured surface, looked at from the side it faces most."""
    normal = np.mean([scene.face(f).normals.mean(axis=0) for f in group], axis=0)
    size = float(np.linalg.norm(normal))
    frame = scene.part.frame
    dots = frame.axes @ (normal / size if size > 0.1 else frame.axes[2])
    k = int(np.argmax(np.abs(dots)))
    side = ("+" if dots[k] > 0 else "-") + "xyz"[k]
    access = frame.direction(side)
    cloud = scene.cloud(group)
    width, length = smallest_rectangle(scene, group, access)
    return Feature(
        id="",
        kind=Kind.CONTOURED_SURFACE,
        faces=tuple(sorted(group)),
        roles={f: Role.FLOOR if isinstance(scene.face(f).surface, Plane) else Role.FACE for f in group},
        dims={"width_mm": width, "length_mm": length, "depth_mm": float(np.ptp(cloud @ access))},
        axis=Axis(vec(cloud.mean(axis=0)), vec(access)),
        opens_to=(side,),
        evidence=("curved in both directions or along no straight line",),
        confidence=0.9,
    )


def _floors_within(scene: Scene, group: Sequence[int]) -> list[int]:
    """Flats that curved walls fence in all round, in inward corners: the bottom of a cavity."""
    walls = set(group)
    beside = {o for f in group for o in scene.part.across(f, Convexity.CONCAVE)} & scene.free
    return sorted(
        f
        for f in beside
        if isinstance(scene.face(f).surface, Plane)
        and all(e.convexity == Convexity.CONCAVE and walls & set(e.faces) for e in scene.part.edges_of(f))
    )


def _smooth_next(scene: Scene, seeds: set[int]) -> set[int]:
    return {o for f in seeds for o in scene.part.across(f, Convexity.TANGENT)}


def _is_contour(scene: Scene, face: Face) -> bool:
    s = face.surface
    if isinstance(s, Freeform):
        return (
            blend_of(scene, face.id) is None
            and face.id not in fillets_runouts(scene)
            and not any(is_wall(face, axis, tol.TANGENT_DEG) for axis in scene.part.frame.axes)
        )
    if isinstance(s, (Sphere, Torus)):
        return not _is_blend(scene, face)
    return False


def _is_blend(scene: Scene, face: Face) -> bool:
    """Whether a sphere or torus runs smoothly into faces on two sides: a fillet or round."""
    smooth = scene.part.across(face.id, Convexity.TANGENT)
    return len(smooth) >= 2

"""What shapes a cut's inward edges, radii and webs, and the void in front of the rest of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from featurize.brep.part import Convexity
from featurize.brep.surfaces import Cylinder, Plane
from featurize.recognise.bevels import webs
from featurize.recognise.scene import Scene
from featurize.recognise.volume import Void, void_of

# Round walls of a cross-section that turn further than this are no corner radii.
_CORNER_TURN_DEG = 100.0
_ACUTE_TURN_DEG = 160.0


def void_before(scene: Scene, faces: Sequence[int]) -> Void | None:
    """The convex void in front of faces, or of those that break no inward edge: webs and radii may run along
    a part of one."""
    void = void_of(scene, faces)
    if void is None:
        inside = set(faces)
        radii = {
            f
            for f in faces
            if len(scene.part.across(f, Convexity.TANGENT) & inside) == 2 and is_corner(scene, f)
        }
        bare = sorted(inside - webs(scene, faces).keys() - radii)
        void = void_of(scene, bare) if bare else None
    return void


def is_corner(scene: Scene, f: int) -> bool:
    """Whether a round wall is a corner's radius: an acute corner's turns further, between two flats."""
    s = scene.face(f).surface
    if not isinstance(s, Cylinder) or not s.hollow:
        return False
    turn = _turn_deg(scene, f)
    flats = [o for o in scene.part.across(f, Convexity.TANGENT) if isinstance(scene.face(o).surface, Plane)]
    return turn <= (_ACUTE_TURN_DEG if len(flats) == 2 else _CORNER_TURN_DEG)


def _turn_deg(scene: Scene, f: int) -> float:
    """Angle a round wall turns through."""
    normals = scene.face(f).normals
    mean = normals.mean(axis=0)
    length = float(np.linalg.norm(mean))
    if length < 1e-6:
        return 360.0
    return 2 * float(np.degrees(np.max(np.arccos(np.clip(normals @ (mean / length), -1, 1)))))

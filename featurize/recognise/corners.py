"""What shapes a cut's inward edges, radii and webs, and the void in front of the rest of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from featurize import tolerances as tol
from featurize.brep.part import Convexity
from featurize.brep.surfaces import Array, Cylinder, Freeform, Plane, Torus
from featurize.recognise.bevels import webs
from featurize.recognise.scene import Scene, span
from featurize.recognise.volume import Void, void_of

# Round walls of a cross-section that turn further than this are no corner radii.
_CORNER_TURN_DEG = 100.0
_ACUTE_TURN_DEG = 160.0


def void_before(scene: Scene, faces: Sequence[int]) -> Void | None:
    """The convex void in front of faces, or of those that break no inward edge: webs and radii may run along
    a part of one."""
    void = void_of(scene, faces)
    if void is None:
        bare = sorted(set(faces) - edge_breaks(scene, faces))
        void = void_of(scene, bare) if bare else None
    return void


def edge_breaks(scene: Scene, faces: Sequence[int]) -> set[int]:
    """Those of a recess' faces that break its inward edges: webs and radii."""
    runouts = fillets_runouts(scene) & set(faces)
    walls = set(faces) - runouts
    radii = {
        f for f in faces if len(scene.part.across(f, Convexity.TANGENT) & walls) == 2 and is_corner(scene, f)
    }
    return radii | runouts | webs(scene, faces).keys()


def fillets_runouts(scene: Scene) -> frozenset[int]:
    """Free patches in which fillets run out where another cut has taken a wall beside them: smaller than the
    fillets, and smooth with these and with walls of theirs alone."""

    def make() -> frozenset[int]:
        patches = (f.id for f in scene.part.faces if isinstance(f.surface, Freeform))
        chains = scene.groups(patches, Convexity.TANGENT)
        return frozenset(f for chain in chains if _is_runout(scene, chain) for f in chain)

    return scene.kept("fillets' runouts", make)


def _is_runout(scene: Scene, chain: Sequence[int]) -> bool:
    smooth = {o for f in chain for o in scene.part.across(f, Convexity.TANGENT)} - set(chain)
    fillets = {f for f in smooth if isinstance(s := scene.face(f).surface, Cylinder | Torus) and s.hollow}
    walls = {o for f in fillets for o in scene.part.across(f, Convexity.TANGENT)}
    area = sum(scene.face(f).area_mm2 for f in chain)
    return bool(fillets) and smooth - fillets <= walls and area < sum(scene.face(f).area_mm2 for f in fillets)


def behind_breaks(scene: Scene, faces: Sequence[int], points: Array) -> NDArray[np.bool_]:
    """Which points (n, 3) of the frame lie in what webs and radii leave in a recess' inward corners."""
    world = scene.part.frame.world(points)
    behind = np.zeros(len(points), bool)
    for f in edge_breaks(scene, faces) if len(points) else ():
        run = max((e.points[-1] - e.points[0] for e in scene.part.edges_of(f)), key=np.linalg.norm)
        s = scene.face(f).surface
        if isinstance(s, Cylinder):
            run = s.axis
            out = world - s.origin
            out = out - np.outer(out @ run, run)
            away = np.linalg.norm(out, axis=1)
            normals = scene.face(f).normals
            mean = normals.mean(axis=0)
            turned = -(out @ mean) / np.maximum(away, tol.LENGTH_MM)
            here = (away > s.radius_mm - tol.SURFACE_MM) & (turned > float((normals @ mean).min()))
        elif isinstance(s, Plane):
            here = (world - s.origin) @ s.normal < tol.SURFACE_MM
        else:
            continue
        low, high = span(scene.vertices(f), run)
        behind |= here & (world @ run > low - tol.SURFACE_MM) & (world @ run < high + tol.SURFACE_MM)
    return behind


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

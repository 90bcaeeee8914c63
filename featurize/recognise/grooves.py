"""Turned grooves: rings cut into a shaft or into a bore.

A groove is a chain of faces of revolution about one axis, joined in inward corners, whose profile is
deeper in its middle than at both of its ends. That tells a seal or snap-ring groove, an undercut at a
shoulder and a round or V-shaped one from steps and counterbores, which are deepest at an end.
"""

from __future__ import annotations

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Convexity, Face
from featurize.brep.surfaces import Array, Cone, Cylinder, Plane, Torus
from featurize.brep.surfaces_at import parallel, same_line
from featurize.feature import Axis, CrossSection, Feature, Kind, Role
from featurize.recognise.holes import coverage
from featurize.recognise.scene import Scene, vec

# Before openings (15) and holes (20): a bore with a groove in it is two stretches of one bore.
ORDER = 12
# A keyway may break a groove; less of it than this is something else.
_LEAST_TURN = 0.55
_Line = tuple[Array, Array]


def find(scene: Scene) -> list[Feature]:
    """All grooves over free faces."""
    features: list[Feature] = []
    taken: set[int] = set()
    for f in sorted(scene.free):
        if f in taken or (line := _line_of(scene.face(f))) is None:
            continue
        ring = _ring(scene, f, line, taken)
        feature = _groove(scene, sorted(ring), *line)
        if feature is not None:
            features.append(feature)
            taken |= ring
    return features


def _line_of(face: Face) -> _Line | None:
    """The axis of a face of revolution; None for planes, balls and the rest."""
    s = face.surface
    if isinstance(s, Cylinder):
        return s.origin, s.axis
    if isinstance(s, Cone):
        return s.apex, s.axis
    if isinstance(s, Torus) and s.hollow:  # the other kind is a rounded edge
        return s.centre, s.axis
    return None


def _ring(scene: Scene, seed: int, line: _Line, taken: set[int]) -> set[int]:
    """Faces about one axis that are joined to the seed in inward corners, or by fillets."""
    ring, stack = {seed}, [seed]
    while stack:
        f = stack.pop()
        inward = scene.part.across(f, Convexity.CONCAVE)
        around = scene.part.across(f, Convexity.CONCAVE, Convexity.TANGENT)
        for other in (around & scene.free) - ring - taken:
            fillet = isinstance(scene.face(f).surface, Torus) or isinstance(scene.face(other).surface, Torus)
            if _about(scene.face(other), line) and (other in inward or fillet):
                ring.add(other)
                stack.append(other)
    return ring


def _about(face: Face, line: _Line) -> bool:
    if isinstance(face.surface, Plane):
        return parallel(face.surface.normal, line[1], tol.AXIS_DEG)
    own = _line_of(face)
    return own is not None and same_line(*line, *own)


def _groove(scene: Scene, ring: list[int], origin: Array, axis: Array) -> Feature | None:
    if any(  # what else it is joined to is no ring: a step, a keyway's floor
        other not in ring for f in ring for other in scene.part.across(f, Convexity.CONCAVE)
    ):
        return None
    curved = [f for f in ring if not isinstance(scene.face(f).surface, Plane)]
    if coverage(scene, curved, origin, axis) < _LEAST_TURN:
        return None
    offsets = scene.cloud(ring) - origin
    heights = offsets @ axis
    radii = np.linalg.norm(offsets - np.outer(heights, axis), axis=1)
    low, high = float(heights.min()), float(heights.max())
    ends = [radii[heights < low + tol.SURFACE_MM], radii[heights > high - tol.SURFACE_MM]]
    outward = _mean_outward(scene, curved, origin, axis) > 0
    if outward:  # in a shaft the floor is the narrowest place
        rim, floor = min(float(e.max()) for e in ends), float(radii.min())
        depth = rim - floor
    else:
        rim, floor = max(float(e.min()) for e in ends), float(radii.max())
        depth = floor - rim
    mouth = _mouth(scene, ring, axis)
    if depth < tol.VOID_MM and mouth is not None:  # leaning flanks: it is widest at its floor
        rim = mouth[1]
        depth = rim - floor if outward else floor - rim
    if depth < tol.VOID_MM or high - low < tol.SURFACE_MM or not _has_round_rim(scene, ring, axis, rim):
        return None
    lead = axis * np.sign(axis[int(np.argmax(np.round(np.abs(axis), 6)))])
    middle = origin + (low + high) / 2 * axis
    frame = scene.part.frame
    sides = [s for s in ("+x", "-x", "+y", "-y", "+z", "-z") if abs(frame.direction(s) @ axis) < 0.5]
    bottoms = {f: r for f in curved if (r := _bottom(scene.face(f), outward, floor)) is not None}
    if bottoms:  # chords fall short of the true floor
        exact = next(iter(bottoms.values()))
        depth, floor = depth + abs(exact - floor), exact
    feet = [s.minor_mm for f in curved if isinstance(s := scene.face(f).surface, Torus)]
    return Feature(
        id="",
        kind=Kind.GROOVE,
        faces=tuple(ring),
        roles={f: Role.FLOOR if f in bottoms else Role.WALL for f in ring},
        dims={
            "diameter_mm": 2 * floor,
            "width_mm": high - low,
            "depth_mm": depth,
            **({"floor_radius_mm": min(feet)} if feet else {}),
            **(
                {"neck_width_mm": mouth[0], "head_width_mm": high - low}
                if mouth is not None and mouth[0] < high - low - tol.SURFACE_MM
                else {}
            ),
        },
        axis=Axis(vec(middle), vec(lead)),
        opens_to=tuple(sides) if outward else (),
        cross_section=CrossSection.ROUND,
        evidence=("a ring about one axis, deeper in the middle than at both ends", _where(outward)),
    )


def _bottom(face: Face, outward: bool, near: float) -> float | None:
    """The exact radius of a groove's floor, if this face is it."""
    s = face.surface
    if isinstance(s, Cylinder):
        radius = s.radius_mm
    elif isinstance(s, Torus):
        radius = s.major_mm + (-s.minor_mm if outward else s.minor_mm)
    else:
        return None
    return radius if abs(radius - near) < tol.VOID_MM else None


def _has_round_rim(scene: Scene, ring: list[int], axis: Array, radius: float) -> bool:
    """Whether the shallower end is turned: a pin between two square plates is no groove."""
    circles = (e.circle for e, _, _ in scene.rim(ring))
    return any(
        c is not None and abs(c[2] - radius) < tol.VOID_MM and parallel(c[1], axis, tol.AXIS_DEG)
        for c in circles
    )


def _mouth(scene: Scene, ring: list[int], axis: Array) -> tuple[float, float] | None:
    """Width and radius of a mouth between two turned edges of one radius."""
    circles = [
        e.circle for e, _, _ in scene.rim(ring) if e.circle is not None and parallel(e.circle[1], axis)
    ]
    if len(circles) < 2:
        return None
    heights, radii = [float(c[0] @ axis) for c in circles], [c[2] for c in circles]
    even = max(radii) - min(radii) < tol.SURFACE_MM
    return (max(heights) - min(heights), max(radii)) if even else None


def _where(outward: bool) -> str:
    return "in a shaft" if outward else "in a bore"


def _mean_outward(scene: Scene, faces: list[int], origin: Array, axis: Array) -> float:
    """Mean radial part of the normals: positive on a shaft, negative in a bore."""
    total = 0.0
    for f in faces:
        face = scene.face(f)
        offsets = face.points - origin
        radial = offsets - np.outer(offsets @ axis, axis)
        radial /= np.maximum(np.linalg.norm(radial, axis=1, keepdims=True), tol.LENGTH_MM)
        total += face.area_mm2 * float(np.mean(np.sum(radial * face.normals, axis=1)))
    return total

"""Engraved and raised marks: lettering and logos in one plane, each group of them one feature.

A mark is what leaves a flat face and comes back to it within a millimetre: faces that are joined with each
other and bounded by that plane alone. What makes marks lettering is how they are drawn: narrow strokes, with
corners all about or free curves, that leave most of the hull around them alone. A pocket, however shallow, is
drawn from a few lines and arcs and fills its hull.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from typing import Any

import numpy as np
import shapely

from featurize import tolerances as tol
from featurize.brep.part import Edge
from featurize.brep.surfaces import Array, Freeform, Plane, orthonormal_basis
from featurize.feature import Axis, Feature, Kind, Role
from featurize.recognise.scene import Scene, mesh_span, vec
from featurize.recognise.sizes import roles_in_recess, smallest_corner

ORDER = 5  # before the holes, pockets and bosses that single marks look like

# All common practice, no source: marks are 0.1 to 0.5 mm deep, logos up to twice that ...
_DEEPEST_MM = 1.0
# ... their strokes a tenth to a fifth of the height of letters, and these at most so large.
_BROADEST_MM = 3.0
_LARGEST_MM = 30.0
# A letter has more walls than what is drawn as one shape (hexagons, slots), or a free curve.
_FEW_WALLS = 6
# It leaves this share of its hull alone; a rounded rectangle or a relieved corner does not.
_OF_HULL = 0.85
# Several marks of one shape are lettering ("11") only when no common cutter makes them at once.
_PATTERN_MM = 1.0
# Two shapes are equal within this share of their area and outline.
_EQUAL = 1e-3
# Strokes of a ring are even: what lies between its outlines strays from one breadth by less than this share.
_EVEN = 0.1
# A stroke is as broad as the cutter that clears this share of its mark; round what ends sharp it cannot.
_CLEARED = 0.9
# Halvings that find it.
_HALVINGS = 12


@dataclass(frozen=True, eq=False)
class _Mark:
    """``faces`` between a plane and ``deep_mm`` under it (over it when negative); ``outline``: its mouth or
    foot in the plane's two directions; ``walls`` along it without what stands in it; ``free``: whether one of
    them follows a free curve."""

    faces: tuple[int, ...]
    deep_mm: float
    outline: Any
    walls: int
    free: bool

    @property
    def stroke_mm(self) -> float:
        """Mean breadth of the strokes: exact for long ones of one breadth."""
        return 2.0 * float(self.outline.area) / float(self.outline.length)

    @cached_property
    def size_mm(self) -> float:
        """The longer side of its box."""
        return _box(self.outline)[1]

    def is_lettering(self) -> bool:
        return (
            (self.free or self.walls > _FEW_WALLS)
            and self.stroke_mm < _BROADEST_MM + tol.SURFACE_MM
            and self.size_mm < _LARGEST_MM + tol.SURFACE_MM
            and self.outline.area < _OF_HULL * self.outline.convex_hull.area
        )

    def is_ring(self) -> bool:
        """Whether one stroke of even breadth goes once round: a groove."""
        if len(self.outline.interiors) != 1:
            return False
        inner = shapely.Polygon(self.outline.interiors[0])
        grown = shapely.Polygon(self.outline.exterior).buffer(-self.stroke_mm)
        return bool(inner.symmetric_difference(grown).area < _EVEN * self.outline.area)

    def equals(self, other: _Mark) -> bool:
        pairs = (
            (self.outline.area, other.outline.area),
            (self.outline.length, other.outline.length),
        )
        return all(abs(a - b) < _EQUAL * a for a, b in pairs)


def find(scene: Scene) -> list[Feature]:
    """Groups of marks over free faces, plane by plane."""
    planes: dict[int, list[int]] = {}
    for face in scene.part.faces:
        if isinstance(face.surface, Plane):
            planes.setdefault(scene.surface[face.id], []).append(face.id)
    features: list[Feature] = []
    taken: set[int] = set()
    for plane in planes.values():
        for group in _groups(_marks(scene, plane, scene.free - taken)):
            if marks := _lettering(group):
                features.append(_feature(scene, plane, marks))
                taken |= set(features[-1].faces)
    return features


def _marks(scene: Scene, plane: Sequence[int], free: frozenset[int]) -> list[_Mark]:
    normal = _normal(scene, plane)
    level = _level(scene, plane)
    marks: list[_Mark] = []
    seen = set(plane)
    for seed in sorted({o for f in plane for o in scene.part.across(f)} - seen):
        if seed in seen:
            continue
        members, stack, whole = {seed}, [seed], True
        while stack:
            f = stack.pop()
            # A face once seen belongs to no mark, nor does what is joined with it.
            if f in seen or f not in free or not _is_near(scene, f, normal, level):
                whole = False
                break
            beside = scene.part.across(f) - set(plane) - members
            members |= beside
            stack += beside
        seen |= members
        if whole and (mark := _mark(scene, plane, sorted(members))) is not None:
            marks.append(mark)
    return marks


def _normal(scene: Scene, plane: Sequence[int]) -> Array:
    surface = scene.face(plane[0]).surface
    assert isinstance(surface, Plane)
    return surface.normal


def _level(scene: Scene, plane: Sequence[int]) -> float:
    return float(scene.vertices(plane[0])[0] @ _normal(scene, plane))


def _is_near(scene: Scene, f: int, normal: Array, level: float) -> bool:
    """Whether a face lies within reach of a plane, on one side of it, and looks its way or across."""
    low, high = (h - level for h in mesh_span(scene, f, normal))
    return (
        low > -_DEEPEST_MM - tol.SURFACE_MM
        and high < _DEEPEST_MM + tol.SURFACE_MM
        and (low > -tol.SURFACE_MM or high < tol.SURFACE_MM)
        and float((scene.face(f).normals @ normal).min()) > -np.sin(np.radians(tol.TANGENT_DEG))
    )


def _mark(scene: Scene, plane: Sequence[int], faces: Sequence[int]) -> _Mark | None:
    normal = _normal(scene, plane)
    flat = orthonormal_basis(normal)[:2]
    rim = [(e, inner) for e, inner, _ in scene.rim(faces)]
    pieces = shapely.get_parts(
        shapely.polygonize([shapely.LineString(np.round(e.points @ flat.T, 5)) for e, _ in rim])
    )
    if not len(pieces):
        return None
    outline = max(pieces, key=lambda p: float(shapely.Polygon(p.exterior).area))
    ends = [h for f in faces for h in mesh_span(scene, f, normal)]
    at = _level(scene, plane)
    deep = max(at - min(ends), at - max(ends), key=abs)
    if abs(deep) < tol.SURFACE_MM:
        return None
    outer = [(e, f) for e, f in rim if _lies_on(e, outline.exterior, flat)]
    free = any(e.curve == "other" or isinstance(scene.face(f).surface, Freeform) for e, f in outer)
    return _Mark(tuple(faces), deep, outline, len({f for _, f in outer}), free)


def _lies_on(e: Edge, ring: Any, flat: Array) -> bool:
    middle = e.points[len(e.points) // 2] @ flat.T
    return bool(ring.distance(shapely.Point(middle)) < tol.SURFACE_MM)


def _groups(marks: Sequence[_Mark]) -> list[list[_Mark]]:
    """Marks of one depth, each no further from another than the larger of the two is long."""
    group = list(range(len(marks)))
    for a, b in combinations(range(len(marks)), 2):
        one, other = marks[a], marks[b]
        if (
            group[a] != group[b]
            and abs(one.deep_mm - other.deep_mm) < tol.SURFACE_MM
            and one.outline.distance(other.outline) < max(one.size_mm, other.size_mm)
        ):
            group = [group[a] if g == group[b] else g for g in group]
    return [[m for m, g in zip(marks, group, strict=True) if g == k] for k in dict.fromkeys(group)]


def _lettering(group: Sequence[_Mark]) -> list[_Mark]:
    """Letters, with the dots, strokes and rings among them; nothing where no mark is a letter."""
    letters = [m for m in group if m.is_lettering()]
    if all(m.is_ring() for m in letters):  # or where there is none
        return []
    pattern = len(letters) > 1 and all(letters[0].equals(m) for m in letters)
    if pattern and letters[0].stroke_mm > _PATTERN_MM - tol.SURFACE_MM:
        return []
    largest = max(m.size_mm for m in letters) + tol.SURFACE_MM
    return [m for m in group if m in letters or m.stroke_mm < _BROADEST_MM or m.size_mm < largest]


def _feature(scene: Scene, plane: Sequence[int], marks: Sequence[_Mark]) -> Feature:
    normal = _normal(scene, plane)
    flat = orthonormal_basis(normal)
    faces = sorted(f for m in marks for f in m.faces)
    # What stands in a mark or lies within a raised one, but for the blank's skin, is made with it.
    islands = [f for f in plane if scene.part.across(f) and scene.part.across(f) <= set(faces)]
    islands = [f for f in islands if f in scene.free and not scene.on_box(scene.face(f))]
    raised = marks[0].deep_mm < 0
    skin = [f for f in faces if raised and scene.on_box(scene.face(f))]
    faces = sorted({*faces, *islands} - set(skin))
    roles = roles_in_recess(scene, faces, normal) | dict.fromkeys(
        islands, Role.FLOOR if raised else Role.ISLAND
    )
    box = shapely.MultiPolygon([m.outline for m in marks])
    width, length = _box(box)
    deep = abs(marks[0].deep_mm)
    corner = smallest_corner(scene, faces, normal)
    centre = np.array(box.minimum_rotated_rectangle.centroid.coords[0])
    level = _level(scene, plane) + (deep if raised else 0.0)
    toward = scene.part.frame.axes @ normal
    k = int(np.argmax(np.abs(toward)))
    return Feature(
        id="",
        kind=Kind.RAISED_MARKS if raised else Kind.ENGRAVING,
        faces=tuple(faces),
        roles=roles,
        dims={
            "width_mm": width,
            "length_mm": length,
            "height_mm" if raised else "depth_mm": deep,
            "mark_count": float(len(marks)),
            "stroke_mm": min(_stroke(m.outline) for m in marks),
            **({"corner_radius_mm": corner} if corner is not None else {}),
        },
        axis=Axis(vec(centre @ flat[:2] + level * normal), vec(normal)),
        opens_to=(("+" if toward[k] > 0 else "-") + "xyz"[k],),
        evidence=(
            f"{len(marks)} narrow marks of one {'height' if raised else 'depth'} in one plane",
            "free curves or many corners, most of the hull left alone",
        ),
    )


def _box(shape: Any) -> tuple[float, float]:
    """The shorter and longer side of the smallest rectangle around a plane shape."""
    corners = shapely.get_coordinates(shape.minimum_rotated_rectangle)
    sides = np.linalg.norm(np.diff(corners[:3], axis=0), axis=1)
    return float(sides.min()), float(sides.max())


def _stroke(outline: Any) -> float:
    """Diameter of the widest cutter that clears nearly all of a mark, by bisection."""
    low, high = 0.0, 4.0 * float(outline.area) / float(outline.length)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        cleared = outline.buffer(-middle / 2).buffer(middle / 2)
        low, high = (middle, high) if cleared.area > _CLEARED * outline.area else (low, middle)
    return low

"""Where the wire is threaded and how it comes to its outline.

The start hole stands in the largest circle that the opening holds at every height. The lead-in ends square
to the outline. All limits are the shop's.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from featurize import tolerances as tol
from featurize.brep.surfaces import Array
from routing.processes.wire.outline import Outline
from routing.processes.wire.profiles import Cut
from routing.processes.wire.shop import WireMachine

# Arcs in chords while the circle is sought; what is found is then measured on the arcs themselves.
_CHORD_MM = 2e-5
_SEEK_MM = 1e-5


# A diameter and a depth (mm) to the process that makes such a hole, and how.
Piercing = Callable[[float, float], tuple[str, str] | None]


@dataclass(frozen=True)
class Circle:
    """In the plane across the wire, mm."""

    centre: tuple[float, float]
    radius_mm: float


def largest_circle(outlines: Sequence[Outline]) -> Circle | None:
    """The largest circle inside all of several closed outlines, within 0.0001 mm of the largest there is.

    Where many are as large, as in an oblong, the one about the centroid. None where nothing is inside all.
    """
    region = shapely.intersection_all([o.polygon(_CHORD_MM) for o in outlines])
    pieces = [p for p in shapely.get_parts(region) if p.geom_type == "Polygon"]
    if not pieces:
        return None
    piece = max(pieces, key=lambda p: float(p.area))
    middle = np.array(piece.centroid.coords[0])
    is_inside = bool(shapely.contains_xy(piece, *middle))
    clear = min(o.distance_mm(middle) for o in outlines)
    if not is_inside or clear < _most(piece) - _SEEK_MM:
        found = np.array(shapely.maximum_inscribed_circle(piece, tolerance=_SEEK_MM).coords[0])
        its = min(o.distance_mm(found) for o in outlines)
        if not is_inside or clear <= its - _SEEK_MM:
            middle, clear = found, its
    return Circle((float(middle[0]), float(middle[1])), clear)


def _most(piece: Any) -> float:
    """No circle in it is larger: half the width of the narrowest box around it."""
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(piece))
    sides = np.linalg.norm(np.diff(corners[:3], axis=0), axis=1)
    return float(sides.min(initial=np.inf)) / 2


@dataclass(frozen=True)
class StartHole:
    """``diameter_mm`` is None where none fits, and ``problem`` says why; ``tight`` where it nearly fills.

    ``by`` is the process that makes it, ``how`` in a word.
    """

    circle: Circle
    height_mm: float
    diameter_mm: float | None
    how: str
    tight: bool
    problem: str | None
    by: str = ""

    @property
    def inscribed_mm(self) -> float:
        return 2 * self.circle.radius_mm


def start_hole(circle: Circle, height_mm: float, machine: WireMachine, piercing: Piercing) -> StartHole:
    """The start hole for a circle that is free of the outline: as large as it and the machine allow.

    ``piercing`` tells who makes a hole of a diameter and depth (mm), and how.
    """
    inscribed = 2 * circle.radius_mm
    if inscribed < machine.start_hole_min_mm:
        least = f"{machine.start_hole_min_mm:g} start hole"
        return _none(circle, height_mm, f"inscribed circle {inscribed:.3f} is under the {least}")
    if (ratio := height_mm / inscribed) > machine.start_hole_ratio:
        wide = f"a start hole {inscribed:.3f} wide and {height_mm:.1f} deep"
        over = f"is {ratio:.0f} diameters, over {machine.start_hole_ratio:g}"
        return _none(circle, height_mm, f"{wide} {over}")
    smallest = max(machine.start_hole_min_mm, height_mm / machine.start_hole_ratio)
    # Rounded up, so that it stays within the ratio; never over the circle itself.
    room = max(smallest, min(machine.start_hole_enough_mm, inscribed - 2 * machine.start_hole_clear_mm))
    diameter = min(inscribed, np.ceil(room * 100 - 1e-6) / 100)
    made = piercing(float(diameter), height_mm)
    if made is None:
        return _none(
            circle,
            height_mm,
            f"nothing in the shop makes a start hole of {diameter:g} through {height_mm:.1f}",
        )
    tight = inscribed - diameter < 2 * machine.start_hole_clear_mm - tol.SURFACE_MM
    return StartHole(circle, height_mm, float(diameter), made[1], tight, None, made[0])


def _none(circle: Circle, height_mm: float, problem: str) -> StartHole:
    return StartHole(circle, height_mm, None, "none", False, problem)


@dataclass(frozen=True, eq=False)
class Lead:
    """The wire's way (k, 2) to where it meets the outline, on a piece of it, and out again (open cuts).

    ``rule`` says how the meeting was chosen; ``problem`` what is in the way.
    """

    way: Array
    out: Array | None
    piece: int
    rule: str
    problem: str | None = None

    @property
    def start(self) -> Array:
        return np.asarray(self.way[0])

    @property
    def meeting(self) -> Array:
        return np.asarray(self.way[-1])


def lead_in(
    cut: Cut, centre: Array | None, offset_mm: float, blank: Any, part: Any, machine: WireMachine
) -> Lead:
    """How the wire comes to a cut: from its start hole at ``centre`` (2,), else from outside the blank.

    ``offset_mm`` is the wire's radius and gap; ``blank`` and ``part`` are their shadows across the wire
    (shapely). Travel keeps the material to the right.
    """
    outline = cut.walls[0].top
    if not cut.closed:
        return _along_the_edge(outline, offset_mm, blank, part, machine.outside_mm)
    if centre is not None:
        return _from_hole(outline, centre, offset_mm, machine.lead_mm)
    return _from_outside(outline, offset_mm, blank, part, machine.outside_mm)


def _by_length(outline: Outline) -> list[tuple[int, str]]:
    """Pieces to meet at their middle: straight ones first, longest first, then arcs."""
    order = sorted(
        range(len(outline.bulges)),
        key=lambda k: (outline.bulges[k] != 0, -round(float(outline.lengths[k]), 4), k),
    )
    straight = [k for k in order if outline.bulges[k] == 0]
    words = dict.fromkeys(straight, "middle of a straight piece, the longer ones being in no clear sight")
    words |= dict.fromkeys(straight[:1], "middle of the longest straight piece")
    round_ = "middle of an arc, no straight piece being in clear sight" if straight else "middle of an arc"
    return [(k, words.get(k, round_)) for k in order]


def _square_off(outline: Outline, piece: int) -> tuple[Array, Array]:
    """The middle of a piece and the unit normal into the air, left of the travel."""
    place, along = outline.place(piece)
    return place, np.array([-along[1], along[0]])


def _from_hole(outline: Outline, centre: Array, offset_mm: float, lead_mm: float) -> Lead:
    room = outline.polygon()
    inner = shapely.buffer(room, -offset_mm, quad_segs=16)
    for piece, rule in _by_length(outline):
        place, normal = _square_off(outline, piece)
        sight = shapely.intersection(
            shapely.linestrings([place + tol.SURFACE_MM * normal, place + 1e4 * normal]), room
        )
        free = max((float(p.length) for p in shapely.get_parts(sight)[:1]), default=0.0)
        turn = place + min(offset_mm + lead_mm, free / 2) * normal
        off = abs(float((centre - place) @ np.array([-normal[1], normal[0]])))
        way = [centre, turn, place] if off > tol.LENGTH_MM else [centre, place]
        last = shapely.linestrings(np.array(way[:2]) if len(way) == 3 else np.array([centre, turn]))
        if bool(shapely.covers(shapely.buffer(inner, tol.SURFACE_MM), last)):
            return Lead(np.array(way), None, piece, rule)
    # The inscribed circle touches the outline, and its radius there is square to it.
    near = [outline.piece(k).nearest(centre) for k in range(len(outline.bulges))]
    gaps = [round(float(np.linalg.norm(p - centre)), 6) for p in near]
    piece = int(np.argmin(gaps))
    return Lead(np.array([centre, near[piece]]), None, piece, "where the inscribed circle touches")


def _from_outside(outline: Outline, offset_mm: float, blank: Any, part: Any, outside_mm: float) -> Lead:
    first: Lead | None = None
    for piece, rule in _by_length(outline):
        place, normal = _square_off(outline, piece)
        way = np.array([_outside(place, normal, offset_mm + outside_mm, blank), place])
        lead = Lead(way, None, piece, rule, _blocked(way, np.zeros(2), part))
        if lead.problem is None:
            return lead
        first = first or lead
    assert first is not None
    return first


def _along_the_edge(outline: Outline, offset_mm: float, blank: Any, part: Any, outside_mm: float) -> Lead:
    """In along the tangent of the first end, out along that of the last."""
    last = len(outline.bulges) - 1
    (a, ta), (b, tb) = outline.place(0, 0.0), outline.place(last, 1.0)
    way = np.array([_outside(a, -ta, offset_mm + outside_mm, blank), a])
    out = np.array([b, _outside(b, tb, offset_mm + outside_mm, blank)])
    found = []
    for leg, t in ((way, ta), (out, tb)):
        left = np.array([-t[1], t[0]])
        found.append(_blocked(leg, offset_mm * left, part))
    rule = "from the edge: run-in and run-out follow the end's tangent past the blank"
    return Lead(way, out, 0, rule, next((p for p in found if p), None))


def _outside(place: Array, direction: Array, clear_mm: float, blank: Any) -> Array:
    """The point ahead that clears the blank by so much."""
    ray = shapely.linestrings([place, place + 1e4 * direction])
    inside = shapely.intersection(ray, blank)
    ahead = shapely.get_coordinates(inside)
    reach = float(((ahead - place) @ direction).max(initial=0.0))
    return np.asarray(place + (reach + clear_mm) * direction)


def _blocked(way: Array, shift: Array, part: Any) -> str | None:
    """What is said when a way of the wire's middle runs into the part."""
    # The mesh strays from the part by its deflection, and the way's end lies on it.
    inner = shapely.buffer(part, -2 * tol.SURFACE_MM)
    hit = shapely.intersection(shapely.linestrings(way + shift), inner)
    return f"the straight way runs {float(hit.length):.2f} mm through the part" if hit.length > 0 else None

"""Where the wire is threaded: in the largest circle that its first pass holds at every height.

All limits are the shop's.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from featurize import tolerances as tol
from routing.processes.protocol import Pierced
from routing.processes.wire.outline import Outline
from routing.processes.wire.profiles import WireCut
from routing.processes.wire.shop import WireMachine

# Arcs in chords while the circle is sought; what is found is then measured on the arcs themselves.
_CHORD_MM = 2e-5
_SEEK_MM = 1e-5


# A diameter and a depth (mm) to how such a hole is made.
Piercing = Callable[[float, float], Pierced | None]


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


def circle_of(cut: WireCut, low_mm: float, high_mm: float) -> Circle | None:
    """The largest circle in what the first pass cuts free, from one height to another."""
    middle = (low_mm + high_mm) / 2
    heights = (high_mm,) if cut.first.straight else (high_mm, middle, low_mm)
    return largest_circle([cut.first.at(h) for h in heights])


@dataclass(frozen=True)
class StartHole:
    """``diameter_mm`` is None where none fits, and ``problem`` says why; ``tight`` where it nearly fills.

    ``made`` tells who makes it, how and with what.
    """

    circle: Circle
    height_mm: float
    diameter_mm: float | None
    made: Pierced | None
    tight: bool
    problem: str | None

    @property
    def inscribed_mm(self) -> float:
        return 2 * self.circle.radius_mm


def start_hole(circle: Circle, height_mm: float, machine: WireMachine, piercing: Piercing) -> StartHole:
    """The start hole for a circle that is free of the outline: as large as it and the machine allow.

    ``piercing`` tells who makes a hole of a diameter and depth (mm), how and with what.
    """
    inscribed = 2 * circle.radius_mm
    if inscribed < machine.start_hole_min_mm:
        least = f"{machine.start_hole_min_mm:g} start hole"
        return _none(circle, height_mm, f"inscribed circle {inscribed:.3f} is under the {least}")
    if (ratio := height_mm / inscribed) > machine.start_hole_ratio + 1e-9:
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
    return StartHole(circle, height_mm, float(diameter), made, tight, None)


def _none(circle: Circle, height_mm: float, problem: str) -> StartHole:
    return StartHole(circle, height_mm, None, None, False, problem)

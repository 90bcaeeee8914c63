"""Whether a wire with its gap fits into an opening: a disc that rolls along the outline.

Where the walls close, at every height at which they were cut; else in the part's silhouette.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from featurize import tolerances as tol
from featurize.brep.silhouette import View
from featurize.brep.surfaces import Array
from featurize.feature import Feature
from routing.processes.context import JobContext
from routing.processes.corners import Corner
from routing.processes.wire.outline import Outline
from routing.processes.wire.profiles import WireCut

# Below this the opening of a polygon by a disc loses only its own chords.
LEFT_MM = 4 * tol.MESH_DEFLECTION_MM
# Walls that turn by less (sine of 2 degrees) go on smoothly.
_TURN_SINE = 0.035
# An arc that turns by more has no one corner.
_CORNER_TURN = np.radians(175.0)


@dataclass(frozen=True, eq=False)
class AirGap:
    """``air`` beside the walls and the walls' own points ``near`` (shapely).

    ``corners`` (n, 2) are inside corners, where walls meet at ``angles`` (n,) in radians through the air
    with ``radii`` (n,), 0 where they are sharp.
    """

    air: Any
    near: Any
    corners: Array
    angles: Array
    radii: Array

    def rolls(self, radius_mm: float, round_mm: float = 0.0) -> bool:
        """Whether a disc rolls along the walls. What it leaves in sharp corners does not count, nor in
        corners with a radius under ``round_mm``.
        """
        opened = _opened(self.air, radius_mm)
        if opened.is_empty:
            return False
        pieces = shapely.get_parts(shapely.difference(self.air, opened))
        left = shapely.union_all(pieces[shapely.distance(pieces, self.near) < LEFT_MM])
        spared = self.radii < max(round_mm, tol.LENGTH_MM)
        if spared.any():
            # A disc touches the walls of a corner at r / tan(a / 2) from it.
            reach = radius_mm / np.tan(self.angles[spared] / 2) + LEFT_MM
            spots = shapely.buffer(shapely.points(self.corners[spared]), reach)
            left = left.difference(shapely.union_all(spots))
        if left.is_empty:
            return True
        both = shapely.union_all([opened, left])
        return float(shapely.hausdorff_distance(both, opened)) <= LEFT_MM

    def narrowest_mm(self, radius_mm: float) -> float:
        """The width of the narrowest gap, by halving; a disc of the radius is too wide."""
        low, high = 0.0, radius_mm
        while high - low > tol.LENGTH_MM / 2:
            middle = (low + high) / 2
            low, high = (middle, high) if self.rolls(middle) else (low, middle)
        return low + high

    def left_mm2(self, radius_mm: float) -> float:
        """The area that a disc does not reach."""
        return float(shapely.difference(self.air, _opened(self.air, radius_mm)).area)


def _opened(air: Any, radius_mm: float) -> Any:
    small = shapely.buffer(air, -max(radius_mm - tol.LENGTH_MM, 0.0), quad_segs=32)
    return shapely.buffer(small, radius_mm, quad_segs=32)


def rooms_of(cuts: Sequence[WireCut]) -> list[AirGap]:
    """Of closed cuts, at every height at which their walls were cut."""
    found: dict[tuple[int, ...], AirGap] = {}
    for cut in cuts:
        for section in cut.sections:
            key = tuple(id(o) for o in section.outlines)  # straight walls are one section
            if key not in found:
                found[key] = _room(section.air, section.outlines)
    return list(found.values())


def _room(air: Any, outlines: Sequence[Outline]) -> AirGap:
    corners = [c for o in outlines for c in _corners(o)]
    places = np.array([place for place, _, _ in corners]).reshape(-1, 2)
    angles, radii = (np.array([c[k] for c in corners], float) for k in (1, 2))
    near = shapely.union_all([shapely.boundary(o.polygon(tol.SURFACE_MM)) for o in outlines])
    return AirGap(air, near, places, angles, radii)


def _corners(o: Outline) -> Iterator[tuple[Array, float, float]]:
    """(place, angle through the air, radius) of the corners where the air is convex."""
    n = len(o.bulges)
    starts = [o.place(k, 0.0)[1] for k in range(n)]
    ends = [o.place(k, 1.0)[1] for k in range(n)]
    for k in range(n):
        turn = ends[k - 1][0] * starts[k][1] - ends[k - 1][1] * starts[k][0]
        if turn > _TURN_SINE:
            angle = np.pi - np.arctan2(turn, float(ends[k - 1] @ starts[k]))
            yield o.starts[k], float(angle), 0.0
        if 0 < o.angles[k] < _CORNER_TURN:
            # Where the walls beside it would meet.
            half = o.angles[k] / 2
            place, along = o.place(k)
            out = o.radii[k] * (1 / np.cos(half) - 1)
            yield place + out * np.array([along[1], -along[0]]), float(np.pi - o.angles[k]), float(o.radii[k])


def silhouette_room(
    job: JobContext, feature: Feature, along: Array, corners: Sequence[Corner]
) -> tuple[AirGap, bool]:
    """The air beside the part's silhouette that a feature's walls look into, and whether it is closed."""
    pieces, closed, tree = job.seen(("air", *np.round(along, 9)), lambda: _beside_silhouette(job, along))
    view = View.of(job.part, along)
    samples = np.vstack([job.cloud(feature.faces), *(job.part.faces[f].points for f in feature.faces)])
    near, reach = shapely.multipoints(view.flat(samples)), tol.SURFACE_MM + tol.MESH_DEFLECTION_MM
    a, b, c, d = shapely.bounds(near)
    own = np.sort(tree.query(shapely.box(a - reach, b - reach, c + reach, d + reach)))
    own = own[shapely.distance(pieces[own], near) < reach]
    places = view.flat(np.array([c.place for c in corners]).reshape(-1, 3))
    angles = np.radians([c.angle_deg for c in corners])
    room = AirGap(
        shapely.union_all(pieces[own]), near, places, angles, np.array([c.radius_mm for c in corners])
    )
    return room, bool(len(own) and closed[own].all())


def _beside_silhouette(job: JobContext, along: Array) -> tuple[Any, NDArray[np.bool_], shapely.STRtree]:
    """The pieces of air beside the part's silhouette, which are closed all round, and an index of them."""
    _, solid = job.silhouette(along)
    low, high = np.array(solid.bounds[:2]) - 5.0, np.array(solid.bounds[2:]) + 5.0
    air = shapely.get_parts(shapely.difference(shapely.box(*low, *high), solid))
    air = air[shapely.area(air) > tol.SURFACE_MM**2]
    bounds = shapely.bounds(air)
    closed = np.all((bounds[:, :2] > low) & (bounds[:, 2:] < high), axis=1)
    return air, closed, shapely.STRtree(air)

"""How the wire comes to a pass: a way in the upper plane and one in the lower, point by point.

It stands upright in its start hole and leans where it meets a leaning wall; at every height it is on the
straight line between both ways. It ends square to the outline and stays clear of the walls until then.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from featurize import tolerances as tol
from featurize.brep.surfaces import Array
from routing.processes.wire.outline import Outline
from routing.processes.wire.profiles import WireCut
from routing.processes.wire.rulings import Ruled
from routing.processes.wire.shop import WireMachine

_FAR_MM = 1e4


@dataclass(frozen=True, eq=False)
class Lead:
    """``upper`` and ``lower`` (k, 2) lead to the pass's outlines at its two heights, ``out_upper`` and
    ``out_lower`` away again (open cuts).

    ``rule`` says how the meeting was chosen; ``problem`` what is in the way.
    """

    upper: Array
    lower: Array
    rule: str
    problem: str | None = None
    out_upper: Array | None = None
    out_lower: Array | None = None

    @property
    def start(self) -> Array:
        """Where the wire starts; the same in both planes for what is started from a hole."""
        return np.asarray(self.upper[0])

    @property
    def meeting(self) -> Array:
        return np.asarray(self.upper[-1])


@dataclass(frozen=True, eq=False)
class Surroundings:
    """What leads must keep off: ``span_mm`` are the stock's ends along the view, ``blank`` and ``part`` their
    silhouettes across it (shapely). ``offset_mm`` is the wire's radius and gap.
    """

    span_mm: tuple[float, float]
    blank: Any
    part: Any
    offset_mm: float


def lead_in(
    cut: WireCut, number: int, centre: Array | None, around: Surroundings, machine: WireMachine
) -> Lead:
    """How the wire comes to a pass of a cut: from its start hole at ``centre`` (2,), else from outside the
    blank. Travel keeps the material to the right.
    """
    ruled = cut.passes[number].ruled
    if not cut.closed and centre is not None:
        return _to_the_ends(ruled, centre, around)
    if not cut.closed:
        return _along_the_edge(ruled, around, machine.outside_mm)
    if centre is not None:
        return _from_hole(cut, number, centre, around, machine.lead_mm)
    return _from_outside(ruled, around, machine.outside_mm)


def _by_length(outline: Outline, own: Sequence[int]) -> list[tuple[int, str]]:
    """Pieces to meet at their middle: straight ones first, longest first, then arcs."""
    order = sorted(own, key=lambda k: (outline.bulges[k] != 0, -round(float(outline.lengths[k]), 4), k))
    straight = [k for k in order if outline.bulges[k] == 0]
    words = dict.fromkeys(straight, "middle of a straight piece, the longer ones being in no clear sight")
    words |= dict.fromkeys(straight[:1], "middle of the longest straight piece")
    round_ = "middle of an arc, no straight piece being in clear sight" if straight else "middle of an arc"
    return [(k, words.get(k, round_)) for k in order]


def _own(cut: WireCut, number: int) -> list[int]:
    """The pieces of a pass on walls that no earlier pass makes, all of them where there are none."""
    ruled = cut.passes[number].ruled
    walls = [k for k, face in enumerate(ruled.lower.faces) if face >= 0]
    free = []
    for k in walls:
        gaps = [
            float(before.ruled.at(h).distances(ruled.sample(h, (0.5,))[k]).min())
            for before in cut.passes[:number]
            for h in (ruled.low_mm, ruled.high_mm)
        ]
        if not gaps or max(gaps) > tol.LENGTH_MM:
            free.append(k)
    return free or walls


def _square_off(outline: Outline, piece: int) -> tuple[Array, Array]:
    """The middle of a piece and the unit normal into the air, left of the travel."""
    place, along = outline.place(piece)
    return place, np.array([-along[1], along[0]])


def _rooms(cut: WireCut, number: int, around: Surroundings) -> list[tuple[float, Any, Any]]:
    """(height, room, room for the wire's middle): a first pass keeps to its slug, others to the opening."""
    first = cut.first
    heights = {*around.span_mm, first.low_mm, first.high_mm}
    found = [(h, first.at(h).polygon()) for h in heights]
    if number:
        found = [(s.height_mm, s.air) for s in cut.sections]
    return [
        (h, room, shapely.buffer(room, -around.offset_mm, quad_segs=16))
        for h, room in sorted(found, key=lambda f: f[0])
    ]


def _from_hole(cut: WireCut, number: int, centre: Array, around: Surroundings, lead_mm: float) -> Lead:
    ruled = cut.passes[number].ruled
    rooms = _rooms(cut, number, around)
    for piece, rule in _by_length(ruled.upper, _own(cut, number)):
        (upper, ahead), (lower, below) = (
            _way(o, piece, centre, around.offset_mm + lead_mm) for o in (ruled.upper, ruled.lower)
        )
        if _is_clear(ruled, upper, lower, rooms):
            return Lead(*_turned(upper, lower, ahead and below), rule)
    # The inscribed circle touches the outline, and its radius there is square to it.
    upper, lower = (
        np.array([centre, (centre + p) / 2, p])
        for p in (_nearest(o, centre) for o in (ruled.upper, ruled.lower))
    )
    clear = _is_clear(ruled, upper, lower, rooms)
    problem = None if clear else "no straight way from the start hole keeps off the walls at every height"
    return Lead(*_turned(upper, lower, True), "where the inscribed circle touches", problem)


def _turned(upper: Array, lower: Array, straight: bool) -> tuple[Array, Array]:
    """Both ways, without their turn where they run straight."""
    return (upper[[0, 2]], lower[[0, 2]]) if straight else (upper, lower)


def _way(outline: Outline, piece: int, centre: Array, last_mm: float) -> tuple[Array, bool]:
    """Centre, turn and meeting (3, 2), the last stretch square to the piece; and whether it needs no turn."""
    place, normal = _square_off(outline, piece)
    sight = shapely.intersection(
        shapely.linestrings([place + tol.SURFACE_MM * normal, place + _FAR_MM * normal]), outline.polygon()
    )
    free = max((float(p.length) for p in shapely.get_parts(sight)[:1]), default=0.0)
    turn = place + min(last_mm, free / 2) * normal
    aside = abs(float((centre - place) @ np.array([-normal[1], normal[0]])))
    return np.array([centre, turn, place]), aside <= tol.LENGTH_MM


def _is_clear(ruled: Ruled, upper: Array, lower: Array, rooms: Sequence[tuple[float, Any, Any]]) -> bool:
    """Whether the wire keeps off the walls at every height, until it turns in to the outline."""
    for height, room, middle in rooms:
        share = (height - ruled.low_mm) / (ruled.high_mm - ruled.low_mm)
        way = lower + share * (upper - lower)
        if not shapely.covers(shapely.buffer(middle, tol.SURFACE_MM), shapely.linestrings(way[:2])):
            return False
        if not shapely.covers(shapely.buffer(room, tol.SURFACE_MM), shapely.linestrings(way[1:])):
            return False
    return True


def _nearest(outline: Outline, point: Array) -> Array:
    near = [outline.piece(k).nearest(point) for k in range(len(outline.bulges))]
    gaps = [round(float(np.linalg.norm(p - point)), 6) for p in near]
    return near[int(np.argmin(gaps))]


def _from_outside(ruled: Ruled, around: Surroundings, outside_mm: float) -> Lead:
    """To a part that is cut free: square to a piece, past nothing else of the part."""
    found: list[Lead] = []
    walls = [k for k, face in enumerate(ruled.upper.faces) if face >= 0]
    for piece, rule in _by_length(ruled.upper, walls):
        ways = []
        for o in (ruled.upper, ruled.lower):
            place, normal = _square_off(o, piece)
            ways.append(
                np.array([_outside(place, normal, around.offset_mm + outside_mm, around.blank), place])
            )
        # The shorter ends at the wider outline, over which the part's silhouette does not reach.
        shorter = min(ways, key=lambda w: float(np.linalg.norm(w[1] - w[0])))
        lead = Lead(ways[0], ways[1], rule, _blocked(shorter, around.part))
        if lead.problem is None:
            return lead
        found.append(lead)
    return found[0]


def _to_the_ends(ruled: Ruled, centre: Array, around: Surroundings) -> Lead:
    """From a start hole to the first end of an open run of walls, and back from the last."""
    (upper, out_upper), (lower, out_lower) = (
        _ends(o, centre, around.offset_mm) for o in (ruled.upper, ruled.lower)
    )
    legs = (upper[:2], lower[:2], out_upper[1:], out_lower[1:])
    problem = next((text for leg in legs if (text := _blocked(leg, around.part))), None)
    rule = "from the start hole to the end of the walls, and back"
    return Lead(upper, lower, rule, problem, out_upper, out_lower)


def _ends(o: Outline, centre: Array, offset_mm: float) -> tuple[Array, Array]:
    """The ways (3, 2) to an open outline and from it, past where the wire's middle stands off its ends."""
    (a, ta), (b, tb) = o.place(0, 0.0), o.place(len(o.bulges) - 1, 1.0)
    beside = [p + offset_mm * np.array([-t[1], t[0]]) for p, t in ((a, ta), (b, tb))]
    return np.array([centre, beside[0], a]), np.array([b, beside[1], centre])


def _along_the_edge(ruled: Ruled, around: Surroundings, outside_mm: float) -> Lead:
    """In along the tangent of the first end, out along that of the last."""
    rule = "from the edge: run-in and run-out follow the end's tangent past the blank"
    clear = around.offset_mm + outside_mm
    (upper, out_upper), (lower, out_lower) = (_beside(o, around, clear) for o in (ruled.upper, ruled.lower))
    tangents = [ruled.upper.place(k, s)[1] for k, s in ((0, 0.0), (len(ruled.upper.bulges) - 1, 1.0))]
    legs = [*zip((upper, out_upper), tangents, strict=True), *zip((lower, out_lower), tangents, strict=True)]
    return Lead(upper, lower, rule, next(_in_the_way(legs, around), None), out_upper, out_lower)


def _beside(o: Outline, around: Surroundings, clear_mm: float) -> tuple[Array, Array]:
    """The ways in and out of an open outline."""
    (a, ta), (b, tb) = o.place(0, 0.0), o.place(len(o.bulges) - 1, 1.0)
    way = np.array([_outside(a, -ta, clear_mm, around.blank), a])
    return way, np.array([b, _outside(b, tb, clear_mm, around.blank)])


def _in_the_way(legs: Sequence[tuple[Array, Array]], around: Surroundings) -> Iterator[str]:
    for leg, tangent in legs:
        problem = _blocked(leg + around.offset_mm * np.array([-tangent[1], tangent[0]]), around.part)
        if problem:
            yield problem


def _outside(place: Array, direction: Array, clear_mm: float, blank: Any) -> Array:
    """The point ahead that clears the blank by so much."""
    ray = shapely.linestrings([place, place + _FAR_MM * direction])
    ahead = shapely.get_coordinates(shapely.intersection(ray, blank))
    reach = float(((ahead - place) @ direction).max(initial=0.0))
    return np.asarray(place + (reach + clear_mm) * direction)


def _blocked(way: Array, part: Any) -> str | None:
    """What is said when a way of the wire's middle runs into the part."""
    # The mesh strays from the part by its deflection, and the way's end lies on it.
    inner = shapely.buffer(part, -2 * tol.SURFACE_MM)
    hit = shapely.intersection(shapely.linestrings(way), inner)
    return f"the straight way runs {float(hit.length):.2f} mm through the part" if hit.length > 0 else None

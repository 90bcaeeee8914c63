"""Which holes a callout's leader points at, where a view of the sheet can be tied to the part.

A view is tied by its circles: those of the part's bores seen along an axis, at a scale of ISO 5455 (from
memory) or the title block's, turned as the sheet's words are, most of them in place. What could be tied two
ways is not tied.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from featurize.brep.part import Part
from featurize.brep.surfaces import Array
from featurize.brep.surfaces_at import parallel
from featurize.feature import Feature
from routing.inputs.sheet.called import Spot
from routing.inputs.sheet.placed import DrawnCircle, PlacedText, Polyline
from routing.inputs.sheet.read import Sheet

# ISO 5455, from memory.
_SCALES = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 0.5, 0.2, 0.1, 0.05)
# Circles are drawn to this share of themselves, the least to this many mm; their places to this many.
_ROUND_SHARE, _ROUND_MM, _PLACE_MM = 0.015, 0.02, 0.15
# Fewer holes in place prove no view: so many, and this share of those that open to its side.
_LEAST_HOLES, _LEAST_SHARE = 2, 0.6
# Ends of strokes that are one point (mm); how near a leader starts to its text (heights) and ends at a circle
# (mm).
_SAME_MM, _NEAR_TEXT, _NEAR_RING_MM = 0.15, 1.2, 0.6
_MOST_STROKES, _MOST_RINGS, _MOST_PAIRS = 4_000, 400, 50_000
_LONGEST_LEADER = 6


def pointed_at(sheet: Sheet, part: Part, holes: Sequence[Feature]) -> dict[int, frozenset[str]]:
    """The holes that the leaders of entries end at, by the entry's place; no key where none is known."""
    tied = _tied(sheet, part, holes)
    if not tied:
        return {}
    found = {}
    for n, entry in enumerate(sheet.entries):
        ends = _leader_ends(entry.spot, [s for s in sheet.strokes if s.page == entry.spot.page])
        ids = {
            id_
            for ring, id_ in tied.items()
            if ring.page == entry.spot.page
            for x, y in ends
            if math.hypot(x - ring.x, y - ring.y) <= ring.diameter / 2 + _NEAR_RING_MM
        }
        if ids:
            found[n] = frozenset(ids)
    return found


@dataclass(frozen=True, eq=False)
class _BoreSeen:
    """A bore as a view shows it: its middle (2,) and its diameter, mm of the part."""

    hole: str
    at: Array
    diameter: float


def _tied(sheet: Sheet, part: Part, holes: Sequence[Feature]) -> dict[DrawnCircle, str]:
    """The hole of each circle that is surely one."""
    scales = dict.fromkeys([*((sheet.scale,) if sheet.scale else ()), *_SCALES])
    best: dict[DrawnCircle, tuple[int, set[str]]] = {}
    for page in sorted({r.page for r in sheet.rings}):
        rings = [r for r in sheet.rings if r.page == page][:_MOST_RINGS]
        for seen, least in _views(part, holes, _turn_of(sheet, page)):
            for scale in scales:
                for tie in _ties(rings, seen, scale, least):
                    score = len(set(tie.values()))
                    for ring, id_ in tie.items():
                        if score > best.get(ring, (0, set()))[0]:
                            best[ring] = score, {id_}
                        elif score == best[ring][0]:
                            best[ring][1].add(id_)
    return {ring: ids.pop() for ring, (_, ids) in best.items() if len(ids) == 1}


def _turn_of(sheet: Sheet, page: int) -> float:
    """How a sheet is turned, within a quarter: as most of what is written on it."""
    turns = Counter(round(e.spot.angle_deg % 90, 1) % 90 for e in sheet.entries if e.spot.page == page)
    return turns.most_common(1)[0][0] if turns else 0.0


def _views(part: Part, holes: Sequence[Feature], turn_deg: float) -> Iterator[tuple[list[_BoreSeen], int]]:
    """The bores seen along each of the part's axes, from either end, turned by quarters.

    With how many holes must be in place to prove the view.
    """
    for k in range(3):
        axis = part.frame.axes[k]
        across = part.frame.axes[(k + 1) % 3], part.frame.axes[(k + 2) % 3]
        along = [h for h in holes if h.axis and parallel(axis, np.array(h.axis.direction))]
        if len(along) < _LEAST_HOLES:
            continue
        for flip, side in ((1.0, "+"), (-1.0, "-")):
            open_here = sum(f"{side}{'xyz'[k]}" in h.opens_to for h in along)
            least = max(_LEAST_HOLES, math.ceil(_LEAST_SHARE * open_here))
            for quarter in range(4):
                angle = math.radians(turn_deg + 90 * quarter)
                c, s = math.cos(angle), math.sin(angle)
                turn = np.array([[c, -s], [s, c]]) @ np.array([flip * across[0], across[1]])
                seen = [
                    _BoreSeen(h.id, turn @ np.array(h.axis.origin), b.start_diameter_mm)
                    for h in along
                    if h.axis is not None
                    for b in h.bores
                    if b.is_cylinder
                ]
                yield seen, least


def _ties(
    rings: Sequence[DrawnCircle], seen: Sequence[_BoreSeen], scale: float, least: int
) -> Iterator[Mapping[DrawnCircle, str]]:
    """Ways to lay bores over circles of a sheet: each a hole for each circle that it covers."""
    pairs = [
        (r, b)
        for r in rings
        for b in seen
        if abs(r.diameter - scale * b.diameter) < max(_ROUND_SHARE * r.diameter, _ROUND_MM)
    ]
    if len(pairs) > _MOST_PAIRS:
        return
    shifts: dict[tuple[int, int], list[tuple[DrawnCircle, _BoreSeen, Array]]] = defaultdict(list)
    for ring, bore in pairs:
        shift = np.array([ring.x, ring.y]) - scale * bore.at
        u, v = (round(float(c) / _PLACE_MM) for c in shift)
        for du in (-1, 0, 1):  # the neighbours too: a shift may lie at a cell's edge
            for dv in (-1, 0, 1):
                shifts[u + du, v + dv].append((ring, bore, shift))
    done: set[frozenset[tuple[DrawnCircle, str]]] = set()
    for own in shifts.values():
        if len({b.hole for _, b, _ in own}) < least:
            continue
        middle = np.median([s for _, _, s in own], axis=0)
        laid = frozenset((r, b.hole) for r, b, s in own if np.linalg.norm(s - middle) <= 2 * _PLACE_MM)
        if laid not in done and len({id_ for _, id_ in laid}) >= least:
            done.add(laid)
            yield dict(laid)


def _leader_ends(spot: Spot, strokes: Sequence[Polyline]) -> list[tuple[float, float]]:
    """Where the strokes end that start at a text and go on from each other."""
    text = PlacedText(spot.page, "", spot.x_mm, spot.y_mm, spot.width_mm, spot.height_mm, spot.angle_deg)
    near = _NEAR_TEXT * spot.height_mm
    strokes = strokes[:_MOST_STROKES]

    def is_near(point: tuple[float, float]) -> bool:
        along, up = text.local(*point)
        return -near <= along <= spot.width_mm + near and -near <= up <= spot.height_mm + near

    chain = [s for s in strokes if is_near(s.points[0]) or is_near(s.points[-1])]
    place = 0
    while place < len(chain) <= _LONGEST_LEADER:
        for end in (chain[place].points[0], chain[place].points[-1]):
            for other in strokes:
                if other not in chain and any(
                    math.dist(end, e) <= _SAME_MM for e in (other.points[0], other.points[-1])
                ):
                    chain.append(other)
        place += 1
    if len(chain) > _LONGEST_LEADER:  # it runs into the view's own lines
        return []
    return [end for s in chain for end in (s.points[0], s.points[-1]) if not is_near(end)]

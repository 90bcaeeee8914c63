"""The passes that make a feature's walls: ruled surfaces that together are its opening at every height.

In a band the section of the walls is one ruled surface, whose ends the kernel gives exactly. Its wire goes on
through the whole part, so it may serve other bands too: a straight land makes the keyways beside a lead-in,
a cone cut short by keyways is one whole cone. A pass is taken when it cuts nowhere beyond the walls; what
none of the passes so far makes needs another one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.silhouette import View
from featurize.brep.surfaces import Array
from routing.processes.wire.arcs import ARC_FIT_MM, WIRE_HOLDS_MM
from routing.processes.wire.bridges import bridged, parted, stretched
from routing.processes.wire.outline import Outline
from routing.processes.wire.rulings import Ruled
from routing.processes.wire.walls import Ring, Walls

# Outlines that agree this closely are one: the kernel's own precision, and what carrying on makes of it.
_SAME_MM = 1e-5
# Where pieces are looked at, as shares: their joints are met from both sides.
_SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
_INNER_SHARES = (0.1, 0.3, 0.5, 0.7, 0.9)
# Arcs of walls in chords, to tell the inside of an opening from the outside; distances are to the arcs.
_CHORD_MM = 1e-3
# So near a sharp corner any wire leaves more than is asked for here.
_CORNER_MM = 0.045
# Walls lower than this are the seams of others.
_LOW_MM = tol.SURFACE_MM


@dataclass(frozen=True)
class Amiss:
    """``depth_mm`` at a height (mm along the view), at a wall of the part (-1 where none is known)."""

    depth_mm: float = 0.0
    height_mm: float = 0.0
    face: int = -1


@dataclass(frozen=True, eq=False)
class WallOutlines:
    """The closed outlines of a feature's walls at a height."""

    height_mm: float
    outlines: tuple[Outline, ...]

    @cached_property
    def air(self) -> Any:
        """The openings (shapely), or all but the part where it is cut free."""
        openings = [o.polygon(_CHORD_MM) for o in self.outlines if o.area_mm2 > 0]
        solid = shapely.union_all([o.polygon(_CHORD_MM) for o in self.outlines if o.area_mm2 < 0])
        if openings:
            found = shapely.difference(shapely.union_all(openings), solid)
        else:
            found = shapely.difference(shapely.box(*(solid.buffer(1e4).bounds)), solid)
        shapely.prepare(found)
        return found

    def beyond(self, points: Array) -> Amiss:
        """The deepest of some points (m, 2) in the material."""
        out = points[~np.asarray(shapely.contains_xy(self.air, points[:, 0], points[:, 1]))]
        if len(out) == 0:
            return Amiss(0.0, self.height_mm)
        away = np.min([o.distances(out) for o in self.outlines], axis=0)
        worst = int(np.argmax(away))
        nearest = min(self.outlines, key=lambda o: o.distance_mm(out[worst]))
        return Amiss(float(away[worst]), self.height_mm, nearest.faces[nearest.piece_at(out[worst])])


@dataclass(frozen=True, eq=False)
class OutlinePass:
    """``ruled`` tells between which heights it makes walls; it makes ``area_mm2`` of them.

    ``stock_mm`` is the widest that earlier passes leave in front of it, infinite for the first.
    """

    ruled: Ruled
    area_mm2: float
    stock_mm: float


@dataclass(frozen=True, eq=False)
class WireCut:
    """``passes`` of one wire path, in the order in which they are cut: the first opens it.

    ``sections`` are those of the walls where they close. ``over`` is how far a pass cuts beyond the walls,
    ``left`` what none of them makes, sharp corners apart. ``deviation_mm`` bounds how far the outlines stray
    from the part: 0 where they are exact.
    """

    passes: tuple[OutlinePass, ...]
    sections: tuple[WallOutlines, ...]
    over: Amiss
    left: Amiss
    deviation_mm: float

    @property
    def first(self) -> Ruled:
        return self.passes[0].ruled

    @property
    def closed(self) -> bool:
        return self.first.closed

    @property
    def opening(self) -> bool:
        """Closed with the part outside; else the part is inside."""
        return self.closed and self.first.lower.area_mm2 > 0

    @property
    def tilt_deg(self) -> float:
        return max(p.ruled.tilt_deg for p in self.passes)


def wire_view(part: Part, along: Array) -> View:
    """The plane across the wire, seen from where ``along`` points to, with the axes of a setup's zero.

    X is the first axis of the part's frame that lies in the plane, Y follows by the right hand.
    """
    first = next(a for a in part.frame.axes if abs(float(a @ along)) < np.sqrt(0.5) + 1e-9)
    x = first - (first @ along) * along
    x /= np.linalg.norm(x)
    return View(part.frame.origin, along, x, np.cross(along, x))


def cuts(part: Part, faces: Sequence[int], view: View) -> tuple[WireCut, ...]:
    """The cuts that make these walls; faces that lie across the wire are passed over."""
    walls = Walls(part, view, faces)
    rings = [r for low, high in walls.bands() for r in walls.rings(low, high) if r.middle.is_line]
    found = [_cut(group) for group in _groups([r for r in rings if r.closed])]
    # What is left of a ring elsewhere, where another cut has opened it, lies on its path; where the same
    # walls reach farther it is that cut which makes them longer.
    made = {face for r in rings if r.closed for face in r.middle.faces}
    chains = [r for r in rings if not r.closed and not made.issuperset(r.middle.faces)]
    chains = [r for r in chains if not any(_is_made(c, r) for c in found)]
    found += [_cut(group) for group in _strung(chains)]
    return tuple(sorted(found, key=lambda c: (not c.closed, -c.first.high_mm)))


def _is_made(cut: WireCut, ring: Ring) -> bool:
    return _left([p.ruled for p in cut.passes], ring).depth_mm < tol.LENGTH_MM + cut.deviation_mm


def _groups(rings: Sequence[Ring]) -> list[list[Ring]]:
    """Closed rings of one opening: those of different bands that lie over each other."""
    inside = [r.middle.polygon(tol.SURFACE_MM) for r in rings]
    signs = [r.middle.area_mm2 > 0 for r in rings]
    groups: list[list[int]] = []
    for k, ring in enumerate(rings):
        own = [
            g
            for g in groups
            if any(
                signs[j] == signs[k]
                and rings[j].low_mm != ring.low_mm
                and shapely.intersects(inside[j], inside[k])
                for j in g
            )
        ]
        groups = [g for g in groups if g not in own] + [[*(j for g in own for j in g), k]]
    return [[rings[k] for k in sorted(g)] for g in groups]


def _strung(chains: Sequence[Ring]) -> list[list[Ring]]:
    """Open chains: those that meet where one ends and the other begins, or lie on one path."""
    groups: list[list[Ring]] = []
    for ring in chains:
        own = [g for g in groups if any(_meet(other, ring) or _one_path(other, ring) for other in g)]
        groups = [g for g in groups if g not in own] + [[*(r for g in own for r in g), ring]]
    return groups


def _meet(below: Ring, above: Ring) -> bool:
    if below.low_mm > above.low_mm:
        below, above = above, below
    if abs(below.high_mm - above.low_mm) > tol.SURFACE_MM:
        return False
    top, bottom = _ruled(below).upper, _ruled(above).lower
    return bool(bottom.distances(top.sample(_SHARES).reshape(-1, 2)).min() < tol.LENGTH_MM)


def _one_path(a: Ring, b: Ring) -> bool:
    """Whether a crossing cut has parted them."""
    return _left([_ruled(a)], b).depth_mm < tol.LENGTH_MM or _left([_ruled(b)], a).depth_mm < tol.LENGTH_MM


def _seen(ring: Ring) -> Ruled:
    """The surface of a ring between the heights at which it was cut."""
    low, high = ring.outlines[0], ring.outlines[-1]
    if low is high or float(np.abs(low.points - high.points).max()) < _SAME_MM / 10:
        return Ruled(ring.low_mm, ring.high_mm, ring.middle, ring.middle)
    return Ruled(ring.heights_mm[0], ring.heights_mm[-1], low, high)


def _ruled(ring: Ring) -> Ruled:
    """The surface of a ring, carried on to the ends of its band."""
    return _seen(ring).between(ring.low_mm, ring.high_mm)


def _cut(rings: Sequence[Ring]) -> WireCut:
    """The passes that make some rings, or chains, of one path."""
    sections = _sections(rings)
    taken: list[Ruled] = []
    made: dict[int, Ring] = {}
    fitted = any(r.fitted for r in rings)
    longer: list[Ring] = []
    for ring in sorted(rings, key=lambda r: (not _ruled(r).straight, r.low_mm - r.high_mm)):
        if _left(taken, ring).depth_mm < tol.LENGTH_MM:
            continue
        if not ring.closed and {f for t in taken for f in t.faces}.issuperset(ring.middle.faces):
            longer.append(ring)  # the same walls, where another cut has made them longer
            continue
        new = _choice(ring, taken, sections)
        for ruled in new:
            made[len(taken)] = ring
            taken.append(ruled)
    areas = np.zeros(len(taken))
    leads: dict[int, list[Ring]] = {k: [] for k in range(len(taken))}
    for ring in (r for r in rings if r not in longer):
        owners = _owners(taken, ring)
        length = sum((o.lengths for _, o in ring.section), np.zeros(1)) / len(ring.section)
        np.add.at(areas, owners, length * (ring.high_mm - ring.low_mm))
        leads[next((k for k, own in made.items() if own is ring), int(owners.max()))].append(ring)
    whole = [_over_heights(ruled, made[k], leads[k]) for k, ruled in enumerate(taken)]
    order = sorted(range(len(whole)), key=lambda k: (round(whole[k].lean_deg, 3), -whole[k].high_mm))
    over = max((_over(ruled, sections) for ruled in whole), key=lambda a: a.depth_mm)
    high = [r for r in rings if r.high_mm - r.low_mm > _LOW_MM and r not in longer]
    left, everywhere = (
        max((_left(whole, r, beside) for r in high), key=lambda a: a.depth_mm, default=Amiss())
        for beside in (_CORNER_MM, 0.0)
    )
    stray = max(over.depth_mm, everywhere.depth_mm)
    passes = []
    for place, k in enumerate(order):
        before = [whole[j] for j in order[:place]]
        passes.append(OutlinePass(whole[k], float(areas[k]), _stock_mm(whole[k], before)))
    deviation = max(stray, ARC_FIT_MM) if fitted else stray if stray > _SAME_MM else 0.0
    return WireCut(tuple(passes), tuple(sections), over, left, deviation)


def _sections(rings: Sequence[Ring]) -> list[WallOutlines]:
    """The sections of closed rings, those of one height together."""
    at: dict[float, list[Outline]] = {}
    for ring in rings:
        for height, outline in ring.section if ring.closed else ():
            at.setdefault(round(height, 9), []).append(outline)
    return [WallOutlines(h, tuple(found)) for h, found in sorted(at.items())]


def _choice(ring: Ring, taken: Sequence[Ruled], sections: Sequence[WallOutlines]) -> list[Ruled]:
    """The fewest surfaces that make a ring beside those taken: its own one where nothing else does better."""
    seen, known, uneven = _seen(ring), _covered(taken, ring), _uneven(ring)
    candidates = [[seen]]
    if known.any() and (less := bridged(seen, known)) is not None:
        candidates.insert(0, [less])
    if uneven.any() and sections:
        ends = sections[0].height_mm, sections[-1].height_mm
        candidates += [[r] for r in stretched(seen, uneven, *ends)] + [parted(seen, uneven, known)]
    for tried in candidates:
        made = [r.between(ring.low_mm, ring.high_mm) for r in tried]
        amiss = [_left([*taken, *made], ring, _CORNER_MM), *(_over(r, sections) for r in made)]
        if made and max(a.depth_mm for a in amiss) < WIRE_HOLDS_MM:
            return made
    return [_ruled(ring)]


def _uneven(ring: Ring) -> NDArray[np.bool_]:
    """Which corners (n,) do not move in a straight line with the height."""
    low, middle, high = (o.points for o in (ring.outlines[0], ring.middle, ring.outlines[-1]))
    a, b, c = ring.heights_mm[0], ring.heights_mm[len(ring.heights_mm) // 2], ring.heights_mm[-1]
    straight = low if a == c else low + (b - a) / (c - a) * (high - low)
    return np.asarray(np.linalg.norm(middle - straight, axis=1) > _SAME_MM)


def _covered(taken: Sequence[Ruled], ring: Ring) -> NDArray[np.bool_]:
    """Which pieces (n,) of a ring some surface makes at all its heights."""
    return np.asarray(_on(taken, ring).any(axis=0))


def _owners(taken: Sequence[Ruled], ring: Ring) -> NDArray[np.int64]:
    """The first surface that makes each piece (n,), else the nearest."""
    return np.asarray(np.argmin(np.where(_on(taken, ring), 0.0, _gaps(taken, ring)), axis=0))


def _on(taken: Sequence[Ruled], ring: Ring) -> NDArray[np.bool_]:
    return np.asarray(_gaps(taken, ring) < tol.LENGTH_MM)


def _gaps(taken: Sequence[Ruled], ring: Ring) -> Array:
    """How far each piece of a ring is at most from each surface: (surfaces, n)."""
    found = np.zeros((len(taken), len(ring.middle.bulges)))
    for height, outline in ring.section:
        points = outline.sample(_SHARES)
        for k, ruled in enumerate(taken):
            gaps = ruled.at(height).distances(points.reshape(-1, 2)).reshape(points.shape[:2])
            found[k] = np.maximum(found[k], gaps.max(axis=1))
    return found


def _left(taken: Sequence[Ruled], ring: Ring, beside_mm: float = 0.0) -> Amiss:
    """How far a ring is at most from what is made, but for what lies ``beside_mm`` its corners."""
    worst = Amiss(np.inf if not taken else -1.0, ring.low_mm, ring.middle.faces[0])
    for height, outline in ring.section if taken else ():
        points = outline.sample(_SHARES)
        off = np.array(_SHARES) * outline.lengths[:, None]
        clear = np.minimum(off, off[:, ::-1]) >= beside_mm
        gaps = np.min([r.at(height).distances(points.reshape(-1, 2)) for r in taken], axis=0)
        gaps = np.where(clear.ravel(), gaps, 0.0)
        k = int(np.argmax(gaps))
        if gaps[k] > worst.depth_mm:
            worst = Amiss(float(gaps[k]), height, outline.faces[k // len(_SHARES)])
    return worst


def _over(ruled: Ruled, sections: Sequence[WallOutlines]) -> Amiss:
    """How far a surface goes at most beyond the walls, over the height of all of them."""
    found = [s.beyond(ruled.sample(s.height_mm, _SHARES).reshape(-1, 2)) for s in sections]
    return max(found, key=lambda a: a.depth_mm, default=Amiss())


def _over_heights(ruled: Ruled, own: Ring, leads: Sequence[Ring]) -> Ruled:
    """A surface told at the ends of all that it finishes, whatever crosses it between."""
    low = min(r.low_mm for r in (own, *leads))
    high = max(r.high_mm for r in (own, *leads))
    return ruled if (low, high) == (own.low_mm, own.high_mm) else ruled.between(low, high)


def _stock_mm(ruled: Ruled, before: Sequence[Ruled]) -> float:
    """The widest that is left in front of a surface where it makes walls."""
    if not before:
        return float("inf")
    widest = 0.0
    for height in (ruled.low_mm, ruled.high_mm):
        points = ruled.sample(height, _INNER_SHARES).reshape(-1, 2)
        outlines = [b.at(height) for b in before]
        if ruled.closed and ruled.lower.area_mm2 > 0:
            cleared = shapely.union_all([o.polygon(_CHORD_MM) for o in outlines if o.closed])
            points = points[~np.asarray(shapely.contains_xy(cleared, points[:, 0], points[:, 1]))]
        if len(points):
            gaps = np.min([o.distances(points) for o in outlines], axis=0)
            widest = max(widest, float(gaps.max()))
    return widest

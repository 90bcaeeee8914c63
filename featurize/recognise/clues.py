"""What tells which way up a part stands: the clues that are there, and where each points.

Which clue a kind of feature is stands in its traits, what a clue is worth in :mod:`featurize.votes`; here a
closer look tells a screw seat from a dowel, a relief from a pocket and an engraved mark from a slot.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from featurize import tolerances as tol
from featurize import votes
from featurize.brep.frame import SIDES, opposite
from featurize.brep.part import Part
from featurize.brep.surfaces import Array, Cylinder, Plane
from featurize.brep.surfaces_at import parallel
from featurize.feature import Feature, Role
from featurize.recognise.thread_bores import is_through, screw_seat
from featurize.votes import Clue

# A part seven times as wide as thick is as flat as can be, and so for its length.
_MOST_SPANS = float(np.log(7))
# An open-ended or closed recess no deeper than this is engraved (common practice, no source).
_ENGRAVED_MM = 0.6
# An opening in the middle of a pocket (to this share of its width) that takes so much of the width and more
# is what the pocket relieves.
_MIDDLE_SHARE, _RELIEVED_SHARE = 0.2, 0.4
# A counterbore deeper than this share of its hole leaves a land rather than seats a head.
_SEAT_SHARE = 0.6
# The sine of the overhang from which a form does not look to its side.
_LOOKS_AWAY = 0.1
# A countersink this many times as wide as its hole takes a head; a smaller one breaks the edge.
_SUNK_HEAD = 1.6


@dataclass(frozen=True, eq=False)
class Scenery:
    """The part around the features that are asked for their clue."""

    part: Part
    features: Sequence[Feature]

    @cached_property
    def owner(self) -> Mapping[int, Feature]:
        return {f: feature for feature in self.features for f in feature.faces}

    def pierced_by(self, recess: Feature) -> list[Feature]:
        """Holes and openings that go on from the middle of a recess' floor."""
        beside = {o for f in recess.faces_with(Role.FLOOR) for o in self.part.across(f)} - set(recess.faces)
        found = {self.owner[f].faces: self.owner[f] for f in sorted(beside) if f in self.owner}
        return [
            f
            for f in found.values()
            if f.kind.traits.opening
            and _beside_mm(f, recess) < _MIDDLE_SHARE * recess.dims.get("width_mm", 0.0) + tol.SURFACE_MM
        ]


def _beside_mm(one: Feature, other: Feature) -> float:
    """How far the axis of one feature passes by the middle of another."""
    if one.axis is None or other.axis is None:
        return np.inf
    apart = np.subtract(one.axis.origin, other.axis.origin)
    return float(np.linalg.norm(np.cross(apart, one.axis.direction)))


def _hole(hole: Feature, scenery: Scenery) -> Clue:
    if hole.thread is not None and len(_pointed_to(scenery.part, hole)) == 1:
        return votes.MAYBE_THREAD
    if not is_through(hole):
        return votes.BLIND_HOLE
    if (
        hole.dims.get("countersink_diameter_mm", 0.0)
        > _SUNK_HEAD * hole.dims.get("diameter_mm", np.inf) + tol.SURFACE_MM
    ):
        return votes.SEAT
    wide = hole.dims.get("counterbore_depth_mm", 0.0)
    if wide <= tol.SURFACE_MM or not _is_wider_at_mouth(hole):
        return votes.THROUGH_HOLE
    if wide > _SEAT_SHARE * hole.dims.get("depth_mm", np.inf) + tol.SURFACE_MM:
        return votes.WIDE_END
    return votes.SEAT if screw_seat(hole) else votes.COUNTERBORE


def _opening(opening: Feature, _: Scenery) -> Clue:
    return votes.LAND if opening.dims.get("taper_deg", 0.0) > tol.PARALLEL_DEG else votes.OPENING


def _pocket(pocket: Feature, scenery: Scenery) -> Clue:
    wide = pocket.dims.get("width_mm", 0.0)
    own = [f.dims.get("width_mm", f.dims.get("diameter_mm", 0.0)) for f in scenery.pierced_by(pocket)]
    if max(own, default=0.0) > _RELIEVED_SHARE * wide + tol.SURFACE_MM:
        return votes.WIDE_END
    return _engraved(pocket) or votes.POCKET


def _slot(slot: Feature, _: Scenery) -> Clue:
    return _engraved(slot) or votes.SLOT


def _form(form: Feature, scenery: Scenery) -> Clue | None:
    """A form is cut from the side it looks to; what looks away from it as well goes round the part."""
    toward = form.axis.direction if form.axis else (0.0, 0.0, 1.0)
    away = min(float((scenery.part.faces[f].normals @ np.array(toward)).min()) for f in form.faces)
    return votes.FORM if away > -_LOOKS_AWAY else None


def _broken_edge(chamfer: Feature, scenery: Scenery) -> Clue | None:
    """A chamfer on the part's outside; one on a recess' rim, but for a step's, is that recess' lead-in."""
    lengths: dict[int, float] = {}
    for face in chamfer.faces:
        for e in scenery.part.edges_of(face):
            for other in set(e.faces) - set(chamfer.faces):
                lengths[other] = lengths.get(other, 0.0) + e.length_mm
    beside = sorted(lengths, key=lambda f: -lengths[f])[:2]
    recesses = (scenery.owner[f].kind.traits for f in beside if f in scenery.owner)
    return None if any(t.recess and t.vote != votes.STEP for t in recesses) else votes.CHAMFER


def _engraved(recess: Feature) -> Clue | None:
    deep = recess.dims.get("depth_mm", np.inf)
    return votes.ENGRAVED if deep < _ENGRAVED_MM + tol.SURFACE_MM else None


# What a closer look makes of what a kind says at first sight.
_CLOSER: Mapping[Clue, Callable[[Feature, Scenery], Clue | None]] = {
    votes.BLIND_HOLE: _hole,
    votes.OPENING: _opening,
    votes.POCKET: _pocket,
    votes.SLOT: _slot,
    votes.FORM: _form,
    votes.CHAMFER: _broken_edge,
}


def _clue(feature: Feature, scenery: Scenery) -> Clue | None:
    vote = feature.kind.traits.vote
    return _CLOSER[vote](feature, scenery) if vote is not None and vote in _CLOSER else vote


def clues(part: Part, features: Sequence[Feature]) -> dict[Clue, Array]:
    """Every clue that is there, with what each of ``SIDES`` (6,) has of it.

    Features of one clue have one voice, shared out by where they are: equal features were drawn for one
    purpose and are no independent witnesses.
    """
    found = dict(_of_the_part(part))
    scenery = Scenery(part, features)
    for feature in features:
        clue = _clue(feature, scenery)
        sides = _pointed_to(part, feature)
        if clue is not None and sides:
            voice = found.setdefault(clue, np.zeros(len(SIDES)))
            voice[[SIDES.index(s) for s in sides]] += 1 / len(sides)
    whole = {c: v for c, v in found.items() if c in votes.WHOLE_PART}
    return whole | {c: v / v.sum() for c, v in found.items() if c not in whole}


# As ``Frame.side_of`` tells a face that looks to a side.
_SQUARE = 0.999999
_TOLD_BY = frozenset({"counterbore_depth_mm", "countersink_diameter_mm", "taper_deg"})


def _pointed_to(part: Part, feature: Feature) -> tuple[str, ...]:
    """The sides a feature is open to at one end only; both ends of one that goes right through.

    A wider mouth or a land tells the ends of a hole or an opening apart, and then its axis points there.
    """
    open_to = feature.opens_to
    single = tuple(s for s in open_to if opposite(s) not in open_to)
    if single or len(open_to) != 2:
        return single
    if feature.axis is None or _TOLD_BY.isdisjoint(feature.dims) or not _is_wider_at_mouth(feature):
        return open_to
    mouth = part.frame.side_of(np.array(feature.axis.direction))
    return (mouth,) if mouth else open_to


def _is_wider_at_mouth(feature: Feature) -> bool:
    """Whether a hole's ends differ; what has no bores is told by its land."""
    if not feature.bores:
        return True
    mouth, end = feature.bores[0].start_diameter_mm, feature.bores[-1].end_diameter_mm
    return mouth > end + tol.SURFACE_MM


def _of_the_part(part: Part) -> Iterator[tuple[Clue, Array]]:
    spans = part.high - part.low
    least, middle, most = np.sort(spans)
    if middle - least > tol.SURFACE_MM:
        flat = min(float(np.log(middle / least)), _MOST_SPANS)
        yield votes.FLAT, np.repeat(flat * (spans < least + tol.SURFACE_MM) / 2, 2)
    if most - middle > tol.SURFACE_MM:
        long = min(float(np.log(most / middle)), _MOST_SPANS)
        yield votes.LONG, np.repeat(long * (spans > most - tol.SURFACE_MM) / 2, 2)
    if any(turned := [_is_round(part, k) for k in range(3)]):
        yield votes.ROUND, np.repeat(np.array(turned) / 2, 2)
    yield votes.WHOLE, _whole(part)


def _is_round(part: Part, k: int) -> bool:
    """Whether the part's outside is round about an axis, flats on it or not.

    A cylinder is then as wide as the box one way across the axis and reaches beyond it the other way.
    """
    axis = part.frame.axes[k]
    across = [j for j in range(3) if j != k]
    for face in part.faces:
        s = face.surface
        if not isinstance(s, Cylinder) or s.hollow or not parallel(s.axis, axis, tol.AXIS_DEG):
            continue
        centre = part.frame.local(s.origin)[across]
        over = [part.low[across] - (centre - s.radius_mm), centre + s.radius_mm - part.high[across]]
        touches = np.max(np.abs(over), axis=0) < tol.VOID_MM
        if touches.any() and float(np.min(over)) > -tol.VOID_MM:
            return True
    return False


def _whole(part: Part) -> Array:
    """How much of each side of the box (6,) is a face of the part (0 to 1)."""
    flat = [(f, f.surface.normal) for f in part.faces if isinstance(f.surface, Plane)]
    found = np.zeros(len(SIDES))
    spans = part.high - part.low
    if flat:
        out = np.array([normal for _, normal in flat]) @ part.frame.axes.T
        middles = part.frame.local(np.array([f.centroid for f, _ in flat]))
        areas = np.array([f.area_mm2 for f, _ in flat])
        for n, side in enumerate(SIDES):
            k, sign = "xyz".index(side[1]), 1.0 if side[0] == "+" else -1.0
            level = part.high[k] if sign > 0 else part.low[k]
            there = (sign * out[:, k] > _SQUARE) & (np.abs(middles[:, k] - level) < tol.SURFACE_MM)
            found[n] = areas[there].sum() / np.prod(np.delete(spans, k))
    return found

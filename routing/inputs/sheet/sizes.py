"""What of a part a callout may mean: bores and threads of its holes, sizes of its features, its own outside.

A candidate is what can be made to a callout. Candidates that a drawing could not tell apart are one bunch.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from featurize.brep.part import Part
from featurize.brep.surfaces import Cylinder
from featurize.feature import Bore, Feature, Kind, Role
from featurize.placing import places
from featurize.recognise.thread_bores import is_through, matching_bore
from featurize.recognise.threads import equal_holes
from featurize.standards.threads import parse
from routing.inputs.sheet.called import Called, What

# A model's size is a drawing's when it is nearer than this: sizes are written to 0.01 mm or finer.
SAME_MM = 0.006
# Depths are drawn less carefully, and a drill's to its full diameter or its shoulder.
DEPTH_MM = 0.05
_LENGTHS = ("width_mm", "length_mm", "depth_mm", "height_mm", "land_mm", "counterbore_depth_mm")
_RADII = ("radius_mm", "corner_radius_mm", "floor_radius_mm")


@dataclass(frozen=True)
class Candidate:
    """``what`` tells two sizes of one feature apart; ``features`` more than one for a distance between them.

    ``diameter_mm`` is that of the bore or cylinder, 0 for other sizes.
    """

    features: tuple[str, ...]
    what: str
    diameter_mm: float = 0.0


Bunch = tuple[Candidate, ...]


class Sizes:
    """The sizes of one part as a drawing may call for them."""

    def __init__(self, part: Part, features: Sequence[Feature]) -> None:
        self.part, self.features = part, features
        self.by_id = {f.id: f for f in features}
        self.holes = [f for f in features if f.kind.traits.hole and f.bores]
        self._spans = part.high - part.low
        self._boxes = {p.feature.id: np.array([p.low, p.high]) for p in places(part, features)}

    def bunches(self, called: Called) -> list[Bunch]:
        """All that a callout may mean, equals together."""
        if called.what == What.THREAD:
            return self._bunched([f for f in self.holes if _suits(f, called)], called)
        if called.what == What.DIAMETER:
            return self._bunched([f for f in self.holes if _bore(f, called) is not None], called) + [
                (c,) for c in self._cylinders(called)
            ]
        found = list(self._named(called, _RADII if called.what == What.RADIUS else _LENGTHS))
        if called.what == What.LENGTH:
            found += self._outside(called)
            # A hole's depth stands in its callout, a distance is no feature's size: these come second.
            found = found or [Candidate((h.id,), "depth_mm") for h in self.holes if self._is_deep(h, called)]
            found = found or list(self._distances(called))
        return [(c,) for c in found]

    def of_size(self, called: Called) -> list[str]:
        """Holes that suit a callout's size, though not all that it says."""
        bare = Called(called.what, called.text, value_mm=called.value_mm, thread=called.thread)
        return [c.features[0] for bunch in self.bunches(bare) for c in bunch]

    def faces(self, candidate: Candidate) -> dict[str, tuple[int, ...]]:
        """The faces of each feature that a size is of, by their places in the solid as read."""
        found = {}
        for id_ in candidate.features:
            own = self.by_id[id_].faces
            round_ = [
                f
                for f in own
                if isinstance(s := self.part.faces[f].surface, Cylinder)
                and abs(2 * s.radius_mm - candidate.diameter_mm) < SAME_MM
            ]
            chosen = round_ if candidate.diameter_mm and round_ else own
            found[id_] = tuple(sorted({p for f in chosen for p in self.part.faces[f].source}))
        return found

    def _bunched(self, holes: Sequence[Feature], called: Called) -> list[Bunch]:
        found = []
        for group in equal_holes(holes):
            bunch = []
            for hole in group:
                bore = _thread_bore(hole, called) if called.what == What.THREAD else _bore(hole, called)
                assert bore is not None
                what = f"bore {hole.bores.index(bore)}"
                bunch.append(Candidate((hole.id,), what, bore.start_diameter_mm))
            found.append(tuple(bunch))
        return found

    def _cylinders(self, called: Called) -> Iterator[Candidate]:
        for f in self.features:
            value = f.dims.get("diameter_mm")
            if not f.kind.traits.hole and value is not None and _within(value, called):
                yield Candidate((f.id,), "diameter_mm", value)
        around = [f for f in self.features if f.kind == Kind.OUTSIDE_FACE and "diameter_mm" not in f.dims]
        for f in around:
            surfaces = [self.part.faces[n].surface for n in f.faces]
            round_ = [2 * s.radius_mm for s in surfaces if isinstance(s, Cylinder)]
            if round_ and _within(round_[0], called):
                yield Candidate((f.id,), "diameter_mm", round_[0])

    def _named(self, called: Called, names: Sequence[str]) -> Iterator[Candidate]:
        hits = [
            (f, name)
            for f in self.features
            for name in names
            if name in f.dims and not f.bores and _within(f.dims[name], called) and not self._is_span(f, name)
        ]
        for f, name in hits:
            if not any(name == n and self._is_floor_of(f, g) for g, n in hits if g is not f):
                yield Candidate((f.id,), name)

    def _is_floor_of(self, feature: Feature, other: Feature) -> bool:
        """Whether a surface spans just what another's walls stand around: it has no width of its own."""
        if Role.WALL in feature.roles.values() or Role.WALL not in other.roles.values():
            return False
        gaps = np.abs(self._boxes[feature.id] - self._boxes[other.id]).max(axis=0)
        return int(np.sum(gaps < SAME_MM)) >= 2

    def _is_deep(self, hole: Feature, called: Called) -> bool:
        depth = hole.dims.get("depth_mm")
        return depth is not None and not is_through(hole) and _within(depth, called)

    def _is_span(self, feature: Feature, name: str) -> bool:
        """Whether a size is there because the part ends: what runs right through is as long as the part."""
        sides = feature.opens_to
        both = {s[1] for s in sides if ("-" if s[0] == "+" else "+") + s[1] in sides}
        spans = [self._spans["xyz".index(axis)] for axis in both]
        deep = name in ("length_mm", "depth_mm", "height_mm")
        return deep and any(abs(feature.dims[name] - s) < SAME_MM for s in spans)

    def _outside(self, called: Called) -> Iterator[Candidate]:
        for k, axis in enumerate("xyz"):
            if not _within(float(self._spans[k]), called):
                continue
            ends = [
                f.id
                for f in self.features
                if f.kind == Kind.OUTSIDE_FACE and f.opens_to in ((f"+{axis}",), (f"-{axis}",))
            ]
            if ends:
                yield Candidate(tuple(ends), f"outside {axis}")

    def _distances(self, called: Called) -> Iterator[Candidate]:
        """Distances between rows of holes, and of a row to the part's end, along the part's own axes."""
        frame = self.part.frame
        for k, axis in enumerate("xyz"):
            rows: dict[float, list[str]] = {}
            for hole in self.holes:
                assert hole.axis is not None
                if abs(float(frame.axes[k] @ np.array(hole.axis.direction))) < 0.5:
                    level = float(frame.local(np.array(hole.axis.origin))[k])
                    key = next((r for r in rows if abs(r - level) < SAME_MM), level)
                    rows.setdefault(key, []).append(hole.id)
            for a, b in combinations(sorted(rows), 2):
                if _within(b - a, called):
                    yield Candidate((*rows[a], *rows[b]), f"{axis} from {a:.3f} to {b:.3f}")


def _within(value: float, called: Called) -> bool:
    low, high = called.limits_mm()
    slack = max(SAME_MM, called.slack_mm)
    return low - slack <= value <= high + slack


def _thread_bore(hole: Feature, called: Called) -> Bore | None:
    assert called.thread is not None
    match = matching_bore(hole, parse(called.thread)[0])
    return match[0] if match else None


def _suits(hole: Feature, called: Called) -> bool:
    """Whether a hole can carry the thread as it is called for."""
    bore = _thread_bore(hole, called) if called.thread else None
    if bore is None or (called.through and not is_through(hole)):
        return False
    if called.bore_mm is not None and abs(called.bore_mm - bore.start_diameter_mm) > _TWICE_MM:
        return False
    depths = [d for d in (called.depth_mm, called.bore_depth_mm) if d is not None]
    if not is_through(hole) and any(d > bore.end_mm + DEPTH_MM for d in depths):
        return False
    drilled = called.bore_depth_mm
    if drilled is not None and (is_through(hole) or abs(drilled - bore.end_mm) > DEPTH_MM):
        return False
    return _is_sunk(hole, called)


# A tap drill is written to a tenth or a hundredth.
_TWICE_MM = 0.055


def _bore(hole: Feature, called: Called) -> Bore | None:
    """The bore of the diameter that is called for, as deep as that says."""
    if called.through and not is_through(hole):
        return None
    for bore in hole.bores:
        if not (bore.is_cylinder and _within(bore.start_diameter_mm, called)):
            continue
        depths = (bore.end_mm, bore.end_mm - bore.start_mm)
        if called.depth_mm is not None and min(abs(called.depth_mm - d) for d in depths) > DEPTH_MM:
            continue
        if _is_sunk(hole, called):
            return bore
    return None


def _is_sunk(hole: Feature, called: Called) -> bool:
    """Whether a hole has the counterbore and the countersink that are called for."""
    if called.counterbore_mm is not None:
        wide = [
            b
            for b in hole.bores
            if b.is_cylinder and abs(b.start_diameter_mm - called.counterbore_mm) < SAME_MM
        ]
        deep = called.counterbore_depth_mm
        if not any(deep is None or abs(b.end_mm - b.start_mm - deep) < DEPTH_MM for b in wide):
            return False
    if called.countersink_mm is None:
        return True
    cones = [max(b.start_diameter_mm, b.end_diameter_mm) for b in hole.bores if not b.is_cylinder]
    return any(abs(c - called.countersink_mm) < DEPTH_MM for c in cones)

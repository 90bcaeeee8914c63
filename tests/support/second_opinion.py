"""Asks the lattice about a finished route: is each feature covered by its process, is any point left over,
and could a process earlier in the trade's order have covered it?"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from itertools import permutations

import numpy as np

from featurize.brep.frame import SIDES
from featurize.feature import Feature, Kind
from routing.plan.choice import RoutedFeature
from routing.plan.plan import Plan
from routing.processes.context import JobContext
from routing.processes.protocol import Verdict
from tests.support.lattice import Array, Body, Lattice, Mask, turned
from tests.support.routed import owned

# A refusal that no lattice can judge: what the shop wants or owns, or a size under a few pitches.
_OWN_WISH = (
    "the shop ",
    "a thread cannot be wired",
    "it may be a thread",
    "is over",
    "is under",
    "under the",
)
_FINER = ("corner", "a gap", "tilts the wire", "not ruled", "leaves a", "foot")
# Points that may be missed: those beside an inner edge see the next face of the lattice's steps.
SHARE = 0.03


@dataclass(frozen=True)
class Opinion:
    """``uncovered``: share of a feature's points that its process cannot reach; ``left``: share of the
    removed space that no operation reaches; ``passed_over``: earlier processes that would have covered.

    ``unjudged`` are features finer than the lattice: no point before one of their faces stands off all
    metal, so nothing is said about earlier processes.
    """

    uncovered: dict[str, float]
    left: float
    passed_over: list[str] = field(default_factory=list)
    unjudged: list[str] = field(default_factory=list)


@dataclass(frozen=True, eq=False)
class Asker:
    job: JobContext
    route: Plan
    body: Body
    pitch_mm: float
    _kept: dict[tuple[float, ...], Lattice] = field(default_factory=dict)

    def lattice(self, toward: Array, first: Array | None = None) -> Lattice:
        axes = turned(toward, first)
        key = tuple(np.round(axes, 6).ravel())
        if key not in self._kept:
            self._kept[key] = Lattice.of(self.body, axes, self.pitch_mm)
        return self._kept[key]

    @cached_property
    def base(self) -> Lattice:
        return self.lattice(np.array([0.0, 0.0, 1.0]))

    def ask(self, seed: int = 0) -> Opinion:
        uncovered, passed_over, unjudged = {}, [], []
        space = self._removed_space(seed)
        left = np.ones(len(space), bool)
        for routed in self.route.features:
            if routed.verdict is None or not routed.verdict.workable:
                continue
            points, whole = self._before(routed.feature)
            parts = [*routed.ahead, routed.verdict]
            if len(points):
                reached = np.any([self._reached(points, routed, v, -1) for v in parts], axis=0)
                uncovered[routed.feature.id] = float(np.mean(~reached))
            if len(points) and whole:
                passed_over += self._passed_over(points, routed)
            else:
                unjudged.append(f"{routed.feature.kind} {routed.feature.id}")
            for verdict in parts:
                left[left] = ~self._reached(space[left], routed, verdict, -1)
        return Opinion(uncovered, float(np.mean(left)) if len(space) else 0.0, passed_over, unjudged)

    def _before(self, feature: Feature) -> tuple[Array, bool]:
        """Points of air just before a feature's faces, no nearer to any metal than a step and a half, and
        whether each face has one: a feature of a step's depth or so is under what the lattice sees."""
        faces = [self.job.part.faces[i] for i in feature.faces]
        step = 1.8 * self.pitch_mm
        points = np.vstack([f.points + step * f.normals for f in faces])
        owner = np.concatenate([np.full(len(f.points), f.id) for f in faces])
        low, high = self.body.vertices.min(axis=0), self.body.vertices.max(axis=0)
        inside = np.all((points > low) & (points < high), axis=1)
        kept = inside & self.base.at(points, self.base.clearance_mm > 1.2 * self.pitch_mm)
        return points[kept], set(owner[kept]) == set(feature.faces)

    def _removed_space(self, seed: int, count: int = 4000) -> Array:
        """Random points of the part's box that are not the part's, off its surface."""
        low, high = self.body.vertices.min(axis=0), self.body.vertices.max(axis=0)
        points = np.random.default_rng(seed).uniform(low, high, (8 * count, 3))
        far = self.base.at(points, self.base.clearance_mm > 1.5 * self.pitch_mm)
        return points[far][:count]

    def _reached(self, points: Array, routed: RoutedFeature, verdict: Verdict, slack: int) -> Mask:
        """``slack`` pitches are added to every tool's size: -1 to grant, 1 to grudge."""
        part, details, h = self.job.part, verdict.details, slack * self.pitch_mm
        if verdict.process == "wire":
            axis = str(details.get("axis", "+z"))
            along = self._slanted(routed.feature) if axis == "slanted" else part.frame.direction(axis)
            if float(details.get("taper_deg", 0.0)) > 0:
                limit = owned("wire_machine", self.job.shop).taper_limit_deg
                return self.lattice(along).wired_leaning(points, limit)
            size = float(details["wire_diameter_mm"]) / 2 + float(details["gap_mm"])
            found = self.lattice(along)
            return found.at(points, found.wired(max(size + h, 0.0)))
        toward = self._toward(str(details.get("side", "+z")))
        if verdict.process == "surface grind":
            along = self._toward(str(details["traverse"]))
            found = self.lattice(toward, along)
            return found.at(points, found.ground(float(details["wheel_width_mm"]) + 2 * h))
        found = self.lattice(toward)
        radius = float(details.get("cutter_mm", 0.0)) / 2 + h if verdict.process == "mill" else 0.0
        return found.at(points, found.cut_from_above(max(radius, 0.0)))

    def _toward(self, name: str) -> Array:
        frame = self.job.part.frame
        if name.startswith("("):
            return np.asarray(np.array([float(w) for w in name.strip("()").split(",")]) @ frame.axes)
        if "deg" in name:
            turn = np.radians(float(name.split()[0]))
            return np.asarray(np.array([np.cos(turn), np.sin(turn), 0.0]) @ frame.axes)
        return np.asarray(frame.direction(name if name[0] in "+-" else f"+{name}"))

    def _slanted(self, feature: Feature) -> Array:
        return np.array(feature.axis.direction if feature.axis is not None else feature.run)

    def _passed_over(self, points: Array, routed: RoutedFeature) -> Iterator[str]:
        """Earlier processes that refused, and that the lattice, grudging a pitch, sees cover every point."""
        for verdict in routed.verdicts:
            if verdict.process == routed.process:
                return
            if verdict.workable or any(w in verdict.reason for w in (*_OWN_WISH, *_FINER)):
                continue
            if any(np.all(found) for found in self._grudging(points, routed, verdict.process)):
                name = f"{routed.feature.kind} {routed.feature.id}"
                yield f"{name}: {verdict.process} refused: {verdict.reason}"

    def _grudging(self, points: Array, routed: RoutedFeature, process: str) -> Iterator[Mask]:
        shop, frame, h = self.job.shop, self.job.part.frame, self.pitch_mm
        feature = routed.feature
        if process == "wire":
            axes = [frame.axes[2]]
            if feature.kind in (Kind.HOLE, Kind.THROUGH_PROFILE) and feature.axis is not None:
                axes.append(np.array(feature.axis.direction))
            # A straight run is laid on its side only where no wheel makes it.
            wheel = next(v for v in routed.verdicts if v.process == "surface grind")
            if feature.run is not None and not wheel.workable:
                axes.append(np.array(feature.run))
            for along in axes:
                found = self.lattice(along)
                yield found.at(points, found.wired(min(w.corner_mm for w in owned("wires", shop)) + h))
        elif process == "surface grind":
            sides = feature.opens_to or SIDES
            for side, k in ((s, k) for s, k in permutations([*sides, "x", "y", "z"], 2) if len(s) == 2):
                if len(k) == 1 and k not in side:
                    found = self.lattice(self._toward(side), self._toward(k))
                    for wheel in owned("wheels", shop):
                        yield found.at(points, found.ground(wheel.width_mm + 2 * h, wheel.depth_mm))
        elif process == "mill":
            # Reach is a refusal of the shop's own; any radius will do that goes in.
            least = min(c.radius_mm for c in owned("cutters", shop))
            for side in SIDES:
                found = self.lattice(self._toward(side))
                yield found.at(points, found.cut_from_above(least + h))


def second_opinion(job: JobContext, route: Plan, solid: object, pitch_mm: float | None = None) -> Opinion:
    """Of a whole route, at a 120th of the part's longest side unless given.

    Where that finds a process passed over it asks again at half the pitch: a wall that a coarse lattice
    cannot tell from its neighbour's, half a step behind it, is seen there. What is still found stands.
    """
    body = Body.of(solid)
    pitch = pitch_mm or float(np.ptp(body.vertices, axis=0).max()) / 120
    opinion = Asker(job, route, body, pitch).ask()
    if opinion.passed_over and pitch_mm is None:
        return Asker(job, route, body, pitch / 2).ask()
    return opinion

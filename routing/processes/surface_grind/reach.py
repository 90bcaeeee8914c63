"""Surface grinding: what a straight wheel makes along one traverse, open at both ends."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from featurize import tolerances as tol
from featurize.brep.frame import SIDES
from featurize.brep.part import Part
from featurize.brep.planar_path import Segment, area_of
from featurize.brep.surfaces import Array, Plane
from featurize.brep.surfaces_at import parallel, square
from featurize.feature import Feature, Vec3
from routing.processes.context import JobContext
from routing.processes.surface_grind.path import bottom_of, channels, cleared, feet, fits
from routing.processes.surface_grind.runs import WheelRun, runs
from routing.processes.surface_grind.shop import GrindShop
from routing.processes.surface_grind.view import LOOK_MM, Trace, TraverseView, sight
from routing.processes.tools import Wheel

# Past the ends of the blank, so that no skin is left there.
OVERRUN_MM = 1.0


@dataclass(frozen=True, eq=False)
class Span:
    """A stretch of the traverse that a wheel clears of a run; ``sight`` is what it has to pass there.

    ``stops`` are where its axis turns, in mm along the view from its origin; infinite where it runs out.
    """

    sight: TraverseView
    traces: tuple[Trace, ...]
    run: WheelRun
    stops: tuple[float, float]
    wheel: Wheel


@dataclass(frozen=True, eq=False)
class Grind:
    """One way to grind some faces: ``side`` is the unit direction the wheel comes from.

    With ``spans`` it goes no further than they do, else right through.
    """

    side: Array
    traverse: Array
    wheel: Wheel
    runs: tuple[WheelRun, ...]
    slopes_deg: tuple[float, ...]  # sine plate or dressed angle, without repeats
    formed_mm: tuple[float, ...]  # radii the wheel is dressed to
    spans: tuple[Span, ...] = ()

    @property
    def setup(self) -> tuple[float, ...]:
        """What is the same for all that is ground in one setup: the side, and the traverse either way."""
        along = self.traverse * np.sign(self.traverse[int(np.argmax(np.abs(self.traverse)))])
        return (*(np.round(np.concatenate([self.side, along]), 6) + 0.0),)


@dataclass(frozen=True, eq=False)
class Refusal:
    """Why one way does not work. ``rank`` orders refusals: the lower, the nearer to working."""

    rank: tuple[int, int]
    reason: str
    shortfall_mm3: float = 0.0
    place: Vec3 | None = None


def direction_name(part: Part, direction: Array) -> str:
    """A side such as "+z", or the angle a slanted direction makes with x."""
    label = part.frame.side_of(direction)
    if label is not None:
        return label
    x, y, z = part.frame.axes @ direction
    if abs(z) < tol.FIT_SINE:
        return f"{np.degrees(np.arctan2(y, x)):.3f} deg from x"
    return f"({x:.4f}, {y:.4f}, {z:.4f})"


def plan_of(job: JobContext, feature: Feature) -> Grind | Refusal:
    """``plan`` with the shop's wheels, made once for a job."""
    key = ("wheel", feature.id, feature.faces, feature.opens_to, feature.run, feature.axis)
    leave = job.shop.general.sharp_corner_leave_mm
    return job.kept(key, lambda: plan(job.part, feature, job.shop[GrindShop].wheels, leave, call=job.call))


def plan(
    part: Part,
    feature: Feature,
    wheels: Sequence[Wheel],
    sharp_corner_mm: float,
    *,
    call: Callable[[int], str] = "face {}".format,
) -> Grind | Refusal:
    """The first side and traverse that work, else the refusal that came nearest.

    ``call(face_id)`` names a face in reasons.
    """
    nearest: Refusal | None = None
    for side, traverse in ways(part, feature):
        found = _try(part, feature, side, traverse, wheels, sharp_corner_mm, call)
        if isinstance(found, Grind):
            return found
        if nearest is None or found.rank < nearest.rank:
            nearest = found
    return nearest or Refusal((9, 0), "no traverse is square to a side it opens to")


def ways(part: Part, feature: Feature) -> Iterator[tuple[Array, Array]]:
    """Sides and traverses to try: the side the feature faces first, then those it opens to."""
    axes = part.frame.axes
    traverses = [np.asarray(feature.run)] if feature.run is not None else list(axes)
    sides = (
        [s for s in (part.frame.side_of(np.asarray(feature.axis.direction)),) if s] if feature.axis else []
    )
    sides += sorted(feature.opens_to, key=lambda s: (s[1] != "z", SIDES.index(s)))
    sides = list(dict.fromkeys(sides or ["+z", "-z", "+x", "-x", "+y", "-y"]))
    for side in sides:
        for traverse in traverses:
            if square(part.frame.direction(side), traverse):
                yield part.frame.direction(side), traverse


def _try(
    part: Part,
    feature: Feature,
    side: Array,
    traverse: Array,
    wheels: Sequence[Wheel],
    sharp_corner_mm: float,
    name: Callable[[int], str],
) -> Grind | Refusal:
    view = sight(part, traverse, side)
    along = direction_name(part, traverse).lstrip("+-")
    traces: list[Trace] = []
    across: list[int] = []
    for f in feature.faces:
        trace = view.trace(f)
        if trace is None:
            across.append(f)
        else:
            traces.append(trace)
    if across:
        # An end wall says more than a face that merely leans.
        ends = [
            f
            for f in across
            if isinstance(s := part.faces[f].surface, Plane) and parallel(s.normal, traverse, 1)
        ]
        reason = (
            f"{name(ends[0])} closes the run along {along}, {_stops_short(part, ends[0], side, wheels)}"
            if ends
            else f"{name(across[0])} is not straight along {along}"
        )
        return Refusal((3, len(across)), reason, place=_place(part, (ends or across)[0]))
    for trace in traces:
        if trace.looks_away:
            return Refusal(
                (2, sum(t.looks_away for t in traces)),
                f"{name(trace.face)} is undercut as seen from {direction_name(part, side)}",
                place=_place(part, trace.face),
            )
    traces = [_above_its_floor(t, traces) for t in traces]
    hidden = [(t, stretches) for t in traces if (stretches := view.hidden(t))]
    if hidden:
        trace, stretches = hidden[0]
        stretch = max(stretches, key=lambda ends: float(np.linalg.norm(ends[1] - ends[0])))
        other, height = view.obstacle(trace, stretch, feature.faces)
        who = name(other) if other >= 0 else name(trace.face)
        return Refusal(
            (1, len(hidden)),
            f"{who} stands {height:.3f} in the way of the wheel along {along}",
            place=_place(part, other if other >= 0 else trace.face),
        )
    found = tuple(runs(view, traces, beside_mm=dict.fromkeys(feature.faces, np.inf)))
    if not found:
        return Refusal(
            (2, len(traces)),
            f"no wheel has a way beside its walls from {direction_name(part, side)}",
        )
    length = float(np.ptp(view.view.along @ part.mesh.vertices[part.mesh.corners(feature.faces)].T))
    return with_wheel(view, found, traces, wheels, sharp_corner_mm, length)


def _above_its_floor(wall: Trace, traces: Sequence[Trace]) -> Trace:
    """A wall from its own floor up: where the floor's end is broken it goes on below, for who breaks that."""
    if not wall.upright:
        return wall
    across = float(wall.low[0])
    beside = [t for t in traces if t.is_bottom and t.low[0] - LOOK_MM < across < t.high[0] + LOOK_MM]
    level = max((t.height(across) for t in beside), default=-np.inf)
    if not wall.low[1] < level < wall.high[1]:
        return wall
    return replace(wall, low=np.array([across, level]))


def run_out_mm(wheel_mm: float, depth_mm: float) -> float:
    """How far before an end wall a wheel's full depth stops: half the chord of its rim at the wall's top.

    ``wheel_mm`` is a diameter. At height h over its lowest point a circle of radius R is sqrt(2 R h - h^2)
    wide to each side; past h = R the wheel's own middle is what meets the wall.
    """
    radius, height = wheel_mm / 2, min(depth_mm, wheel_mm / 2)
    return float(np.sqrt(2 * radius * height - height**2))


def _stops_short(part: Part, end: int, side: Array, wheels: Sequence[Wheel]) -> str:
    least = min(w.diameter_mm for w in wheels)
    corners = part.mesh.vertices[part.mesh.corners([end])]
    depth = float(np.ptp(corners @ side))
    return (
        f"at {depth:.3f} deep a wheel of diameter {least:g} runs out {run_out_mm(least, depth):.1f} before it"
    )


def _place(part: Part, face: int) -> Vec3:
    x, y, z = (float(c) for c in part.faces[face].centroid)
    return x, y, z


def with_wheel(
    view: TraverseView,
    found: Sequence[WheelRun],
    traces: Sequence[Trace],
    wheels: Sequence[Wheel],
    sharp_corner_mm: float,
    length_mm: float,
) -> Grind | Refusal:
    """The widest wheel that fits the narrowest lane, else what stands against each."""
    over = beyond_part(view)
    bottoms = [part_bottom(view, run) for run in found]
    gap = min([w.width_mm for b in bottoms for w in channels(b, over)], default=float("inf"))
    gap = min([gap, *(_across(view, t) for t in traces if t.upright)])
    depth = view.top - min(float(s.end[1]) for b in bottoms for s in b)
    radii = [f.radius_mm for run in found for f in run.fillets]
    closed = [(run, b) for run, b in zip(found, bottoms, strict=True) if feet(b, over)]
    sharp = sum(feet(b, over) for b in bottoms) > len(radii)
    narrowest = min(wheels, key=lambda w: w.width_mm)
    for wheel in sorted(wheels, key=lambda w: -w.width_mm):
        corner = wheel.corner_radius_mm
        if fits(wheel, gap, depth) and _corner_refusal(corner, radii, sharp, sharp_corner_mm) is None:
            slopes = sorted(
                {
                    round(t.slope_deg, 3)
                    for t in (*traces, *(s.trace for run in found for s in run.stretches))
                    if t.circle is None and tol.PARALLEL_DEG < t.slope_deg < 90 - tol.PARALLEL_DEG
                }
            )
            formed = sorted({round(t.circle[1], 4) for t in traces if t.circle is not None})
            return Grind(view.view.up, view.view.along, wheel, tuple(found), tuple(slopes), tuple(formed))
    volume = length_mm * sum(
        area_of(list(p)) for run, b in zip(found, bottoms, strict=True) for p in cleared(b, over, (), 0).paths
    )
    passing = [w for w in wheels if fits(w, gap, 0.0)]
    if not passing:
        return Refusal((0, 2), f"width {gap:.3f} is under the narrowest wheel {narrowest.width_mm:g}", volume)
    deepest = max(passing, key=lambda w: w.depth_mm)
    deep_enough = [w for w in passing if fits(w, gap, depth)]
    if not deep_enough:
        return Refusal(
            (0, 1),
            f"depth {depth:.3f} is over the {deepest.depth_mm:g} of the wheel {deepest.width_mm:g} wide"
            + (f" that passes {gap:.3f}" if np.isfinite(gap) else ""),
            volume,
        )
    corner = min(w.corner_radius_mm for w in deep_enough)
    left = length_mm * sum(
        area_of(list(whole)) - sum(area_of(list(p)) for p in cleared(b, over, run.fillets, corner).paths)
        for run, b in closed
        for whole in cleared(b, over, run.fillets, 0).paths
    )
    reason = _corner_refusal(corner, radii, sharp, sharp_corner_mm) or ""
    return Refusal((0, 0), reason, left)


def _across(view: TraverseView, wall: Trace) -> float:
    """The way from an upright wall's foot to an upright wall across from it.

    One that leans is no bound: the wheel is dressed to it.
    """
    rise = 0.1 * (wall.high - wall.low)
    at_foot, above = (view.free_beyond(wall.low + k * rise, wall.normal) for k in (0, 1))
    upright = at_foot > tol.LENGTH_MM and abs(above - at_foot) < tol.SURFACE_MM
    return at_foot if upright else float("inf")


def _corner_refusal(corner: float, radii: Sequence[float], has_feet: bool, sharp_mm: float) -> str | None:
    if radii and corner > min(radii) + tol.LENGTH_MM:
        return f"foot radius {min(radii):.3f} is under the wheel's corner R {corner:g}"
    if has_feet and corner > sharp_mm + tol.LENGTH_MM:
        return f"the wheel's corner R {corner:g} is over the {sharp_mm:g} that may stay in a sharp foot"
    return None


def beyond_part(view: TraverseView) -> Array:
    return np.asarray(np.array(view.wide) + np.array([-OVERRUN_MM, OVERRUN_MM]))


def part_bottom(view: TraverseView, run: WheelRun) -> list[Segment]:
    """A run's bottom within the part itself, without allowances."""
    return bottom_of(run, overrun_mm=OVERRUN_MM, over=beyond_part(view), top=view.top)

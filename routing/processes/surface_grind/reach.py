"""Surface grinding: what a straight wheel makes along one traverse, open at both ends."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from featurize import tolerances as tol
from featurize.brep.frame import SIDES
from featurize.brep.part import Part
from featurize.brep.planar_path import Segment, area_of
from featurize.brep.surfaces import Array, Plane
from featurize.brep.surfaces_at import parallel, square
from featurize.feature import Feature, Vec3
from routing.processes.context import JobContext
from routing.processes.surface_grind.profile import (
    Run,
    Sight,
    Trace,
    bottom_of,
    cleared,
    feet,
    lanes,
    runs,
    sight,
)
from routing.processes.surface_grind.shop import GrindShop
from routing.processes.tools import Wheel

# Past the ends of the blank, so that no skin is left there.
OVERRUN_MM = 1.0


@dataclass(frozen=True, eq=False)
class Grind:
    """One way to grind some faces: ``side`` is the unit direction the wheel comes from."""

    side: Array
    traverse: Array
    wheel: Wheel
    runs: tuple[Run, ...]
    slopes_deg: tuple[float, ...]  # sine plate or dressed angle, without repeats
    formed_mm: tuple[float, ...]  # radii the wheel is dressed to


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
    hidden = [(t, stretch) for t in traces if (stretch := view.covered(t)) is not None]
    if hidden:
        trace, stretch = hidden[0]
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
    return _with_wheel(part, feature, view, found, traces, wheels, sharp_corner_mm)


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


def _with_wheel(
    part: Part,
    feature: Feature,
    view: Sight,
    found: tuple[Run, ...],
    traces: Sequence[Trace],
    wheels: Sequence[Wheel],
    sharp_corner_mm: float,
) -> Grind | Refusal:
    """The widest wheel that fits the narrowest lane, else what stands against each."""
    over = _beyond_part(view)
    bottoms = [part_bottom(view, run) for run in found]
    gap = min([w.width_mm for b in bottoms for w in lanes(b, over)], default=float("inf"))
    gap = min([gap, *(_across(view, t) for t in traces if t.upright)])
    depth = view.top - min(float(s.end[1]) for b in bottoms for s in b)
    radii = [f.radius_mm for run in found for f in run.fillets]
    closed = [(run, b) for run, b in zip(found, bottoms, strict=True) if feet(b, over)]
    sharp = sum(feet(b, over) for b in bottoms) > len(radii)
    length = float(np.ptp(view.view.along @ part.mesh.vertices[part.mesh.corners(feature.faces)].T))
    narrowest = min(wheels, key=lambda w: w.width_mm)
    for wheel in sorted(wheels, key=lambda w: -w.width_mm):
        fits = wheel.width_mm <= gap + tol.LENGTH_MM and depth <= wheel.depth_mm + tol.LENGTH_MM
        corner = wheel.corner_radius_mm
        if fits and _corner_refusal(corner, radii, sharp, sharp_corner_mm) is None:
            slopes = sorted(
                {
                    round(t.slope_deg, 3)
                    for t in (*traces, *(s.trace for run in found for s in run.stretches))
                    if t.circle is None and tol.PARALLEL_DEG < t.slope_deg < 90 - tol.PARALLEL_DEG
                }
            )
            formed = sorted({round(t.circle[1], 4) for t in traces if t.circle is not None})
            return Grind(view.view.up, view.view.along, wheel, found, tuple(slopes), tuple(formed))
    volume = length * sum(
        area_of(list(p)) for run, b in zip(found, bottoms, strict=True) for p in cleared(b, over, (), 0).paths
    )
    if gap < narrowest.width_mm - tol.LENGTH_MM:
        return Refusal((0, 2), f"width {gap:.3f} is under the narrowest wheel {narrowest.width_mm:g}", volume)
    passing = [w for w in wheels if w.width_mm <= gap + tol.LENGTH_MM]
    deepest = max(passing, key=lambda w: w.depth_mm)
    if depth > deepest.depth_mm + tol.LENGTH_MM:
        return Refusal(
            (0, 1),
            f"depth {depth:.3f} is over the {deepest.depth_mm:g} of the wheel {deepest.width_mm:g} wide"
            + (f" that passes {gap:.3f}" if np.isfinite(gap) else ""),
            volume,
        )
    deep_enough = [w for w in passing if depth <= w.depth_mm + tol.LENGTH_MM]
    corner = min(w.corner_radius_mm for w in deep_enough)
    left = length * sum(
        area_of(list(whole)) - sum(area_of(list(p)) for p in cleared(b, over, run.fillets, corner).paths)
        for run, b in closed
        for whole in cleared(b, over, run.fillets, 0).paths
    )
    reason = _corner_refusal(corner, radii, sharp, sharp_corner_mm) or ""
    return Refusal((0, 0), reason, left)


def _across(view: Sight, wall: Trace) -> float:
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


def _beyond_part(view: Sight) -> Array:
    return np.array([view.flat[:, 0].min() - OVERRUN_MM, view.flat[:, 0].max() + OVERRUN_MM])


def part_bottom(view: Sight, run: Run) -> list[Segment]:
    """A run's bottom within the part itself, without allowances."""
    return bottom_of(run, overrun_mm=OVERRUN_MM, over=_beyond_part(view), top=view.top)

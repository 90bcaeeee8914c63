"""The bulk that a wheel takes where it cannot run right through: up to a stop before what stands in its way.

A feature may be closed at an end, or something may stand on its floor. What stands there parts the traverse
into gaps. Over each gap, and over several with what stands between them, a wheel clears whatever the part
leaves free across; at the end of a gap its axis stops so far before what stands there that its rim is clear.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement

import numpy as np

from featurize import tolerances as tol
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Vec3
from featurize.recognise.scene import vec
from routing.processes.context import JobContext
from routing.processes.heights import HeightGrid
from routing.processes.surface_grind.clip import between
from routing.processes.surface_grind.path import Profile, cleared, lowest
from routing.processes.surface_grind.reach import (
    Grind,
    Span,
    beyond_part,
    part_bottom,
    plan_of,
    run_out_mm,
    ways,
    with_wheel,
)
from routing.processes.surface_grind.runs import WheelRun, runs
from routing.processes.surface_grind.shop import GrindShop
from routing.processes.surface_grind.verdict import GRIND
from routing.processes.surface_grind.view import LOOK_MM, Trace, TraverseView, sight
from routing.processes.tools import Wheel

# A cut more that takes less of the feature than this is not worth its strokes (common practice, no source).
_GAIN = 0.02
# A less natural way is gone only where it leaves less than this share: volumes are the grid's.
_BETTER = 0.9
# What stands on a floor in more places than this is taken as one: a wheel hardly fits between.
_MOST = 6
# What a cutter of 2 mm roughs of hardened steel (common practice, no source): a setup at the grinder, or
# dressing a wheel, is worth what that cutter takes in its time.
_CUTTER_MM3_PER_MIN = 30.0
# A span is looked at so far inside its ends, clear of the faces that stand there.
_INSIDE_MM = 1e-3
# Times that the place where an edge is nearest to a wheel is narrowed down to two thirds: under a micrometre.
_NARROWINGS = 45


@dataclass(frozen=True, eq=False)
class Bulk:
    """``rest_mm3`` stays of a feature, most of it at ``place`` (model mm); ``stops`` tells them in words."""

    way: Grind
    taken_mm3: float
    rest_mm3: float
    place: Vec3
    stops: tuple[str, ...]


def worthwhile(job: JobContext, feature: Feature) -> Bulk | None:
    """The bulk of a feature that no wheel makes whole, where that is worth a setup at the grinder.

    Features that are ground from one side along one traverse share their setup; each dresses its wheel.
    Of steel that is hardened later a cutter takes the bulk while it is soft.
    """
    bulk = None if job.is_soft else bulk_of(job, feature)
    if bulk is None:
        return None
    made = [f for f in job.features if not f.kind.traits.blank]
    whole = (plan_of(job, f) for f in made)
    rates = job.shop[GrindShop].rates
    if any(isinstance(way, Grind) and way.setup == bulk.way.setup for way in whole):
        return bulk if bulk.taken_mm3 >= rates.dress_min * _CUTTER_MM3_PER_MIN else None
    others = (bulk_of(job, f) for f in made if f.id != feature.id)
    taken = sum(b.taken_mm3 for b in (bulk, *others) if b is not None and b.way.setup == bulk.way.setup)
    return bulk if taken >= job.shop.rates.setup_min[GRIND] * _CUTTER_MM3_PER_MIN else None


def bulk_of(job: JobContext, feature: Feature) -> Bulk | None:
    """The most that a wheel takes of a feature that it cannot make whole; None where it takes nothing."""
    key = ("wheel's bulk", feature.id, feature.faces, feature.opens_to, feature.run, feature.axis)
    return job.kept(key, lambda: _best(job, feature))


def _best(job: JobContext, feature: Feature) -> Bulk | None:
    if isinstance(plan_of(job, feature), Grind):
        return None
    best = None
    for side, traverse in ways(job.part, feature):  # the most natural first
        bulk = _bulk(job, feature, side, traverse)
        if bulk is not None and (best is None or bulk.rest_mm3 < _BETTER * best.rest_mm3):
            best = bulk
    return best


def _bulk(job: JobContext, feature: Feature, side: Array, traverse: Array) -> Bulk | None:
    whole = sight(job.part, traverse, side)
    bottoms = [t for f in feature.faces if (t := whole.trace(f)) is not None and t.is_bottom]
    if not bottoms or not _has_room(job, feature, whole, bottoms):
        return None
    stop_mm = job.shop[GrindShop].grinding.stop_mm
    floors = (job.cloud([t.face for t in bottoms]) - whole.view.origin) @ whole.view.along
    spans, stops = [], []
    for view, ends in _gaps(whole, bottoms, floors):
        own = [t for f in feature.faces if (t := view.trace(f)) is not None]
        seen = [v for t in own if t.is_bottom for v in view.visible(t)]
        seen += [t for t in own if t.upright]
        for run in runs(view, seen, least_mm=LOOK_MM):
            way = _wheel(job, view, run, seen)
            if way is None or not _profile(view, run, way.wheel).exact:
                continue
            low, high = (_stop(view, run, way.wheel.diameter_mm / 2, ends, back) for back in (True, False))
            at = low.at_mm + stop_mm * low.is_stop, high.at_mm - stop_mm * high.is_stop
            # At its full depth it must get to some of the floors.
            if min(at[1], floors.max()) - max(at[0], floors.min()) > tol.SURFACE_MM:
                spans.append((Span(view, _of_run(run, seen), run, at, way.wheel), way))
                stops.append([s for s in (low, high) if s.is_stop])
    return _chosen(job, feature, whole, spans, stops)


def _has_room(job: JobContext, feature: Feature, view: TraverseView, bottoms: Sequence[Trace]) -> bool:
    """Whether the feature's own end walls leave a wheel any of its floor at full depth."""
    floors = job.cloud([t.face for t in bottoms])
    low, high = (float(f(floors @ view.view.along)) for f in (np.min, np.max))
    level = float((floors @ view.view.up).min())
    least = min(w.diameter_mm for w in job.shop[GrindShop].wheels)
    room = [0.0, 0.0]
    for face in set(feature.faces) - {t.face for t in bottoms}:
        corners = job.cloud([face])
        if view.trace(face) is None:
            rise = max(0.0, float((corners @ view.view.up).max()) - level)
            end = int(float((corners @ view.view.along).mean()) > (low + high) / 2)
            room[end] = max(room[end], run_out_mm(least, rise))
    return high - low > sum(room)


def _gaps(
    whole: TraverseView, bottoms: Sequence[Trace], floors: Array
) -> Iterator[tuple[TraverseView, tuple[float, float]]]:
    """Stretches of the traverse between things that stand over the bottoms, and what is seen there.

    ``floors`` are places of the bottoms along the view.
    """
    merged: list[list[float]] = []
    for low, high in sorted(pair for t in bottoms for pair in _standing(whole, t)):
        if merged and low <= merged[-1][1] + tol.LENGTH_MM:
            merged[-1][1] = max(merged[-1][1], high)
        else:
            merged.append([low, high])
    if len(merged) > _MOST:
        merged = [[merged[0][0], merged[-1][1]]]
    ends = [-np.inf, *(x for pair in merged for x in pair), np.inf]
    for i, j in combinations_with_replacement(range(len(merged) + 1), 2):
        low, high = ends[2 * i], ends[2 * j + 1]
        if min(high, float(floors.max())) > max(low, float(floors.min())):
            closed = np.isfinite([low, high]).any()
            yield whole.on(low + _INSIDE_MM, high - _INSIDE_MM) if closed else whole, (low, high)


def _standing(view: TraverseView, bottom: Trace) -> list[tuple[float, float]]:
    """What of the traverse the part stands over a bottom, facet by facet."""
    chord = (bottom.high - bottom.low) / np.linalg.norm(bottom.high - bottom.low)
    low, high = float(bottom.low[0]) + LOOK_MM, float(bottom.high[0]) - LOOK_MM
    rise = (view.corners[:, :, :2] - bottom.low) @ np.array([-chord[1], chord[0]])
    near = (rise.max(axis=1) > LOOK_MM) & (view.corners[:, :, 0].min(axis=1) < high)
    near &= view.corners[:, :, 0].max(axis=1) > low
    inside, _ = between(np.concatenate([view.corners, rise[:, :, None]], axis=2)[near], 0, low, high)
    over = between(inside, 3, LOOK_MM, np.inf)[0][:, :, 2]
    return list(zip(over.min(axis=1).tolist(), over.max(axis=1).tolist(), strict=True))


def _wheel(job: JobContext, view: TraverseView, run: WheelRun, traces: Sequence[Trace]) -> Grind | None:
    """With the widest of the smallest wheels that clear a run: a small one gets nearer to what stands."""
    wheels, leave = job.shop[GrindShop].wheels, job.shop.general.sharp_corner_leave_mm
    own = [t for t in _of_run(run, traces) if t.is_bottom]
    for diameter in sorted({w.diameter_mm for w in wheels}):
        # One that stood deeper than its own middle would not come up again.
        able = [w for w in wheels if w.diameter_mm == diameter and w.depth_mm < diameter / 2]
        way = with_wheel(view, (run,), own, able, leave, 0.0) if able else None
        if isinstance(way, Grind):
            return way
    return None


def _of_run(run: WheelRun, traces: Sequence[Trace]) -> tuple[Trace, ...]:
    """The traces that a run is of, and the walls at its ends."""
    low, high = run.stretches[0].low, run.stretches[-1].high
    least = {True: -tol.LENGTH_MM, False: tol.LENGTH_MM}
    return tuple(
        t for t in traces if min(float(t.high[0]), high) - max(float(t.low[0]), low) > least[t.upright]
    )


@dataclass(frozen=True)
class _Stop:
    """Where a wheel's axis is when its rim meets ``face`` (-1: none), which stands ``before_mm`` on."""

    at_mm: float
    face: int = -1
    before_mm: float = 0.0

    @property
    def is_stop(self) -> bool:
        return self.face >= 0


def _stop(
    view: TraverseView, run: WheelRun, radius_mm: float, ends: tuple[float, float], back: bool
) -> _Stop:
    """Seen over each piece of a run, the rim is a circle in the plane of view and up.

    Over an edge of a facet the way that is left to it is a convex function.
    """
    sense, end = (-1.0, -ends[0]) if back else (1.0, ends[1])
    if np.isinf(end):
        return _Stop(sense * np.inf)
    bottom = part_bottom(view, run)
    axis = min(float(s.points()[:, 1].min()) for s in bottom) + radius_mm
    there, of = between(view.corners * np.array([1.0, 1.0, sense]), 2, end - tol.SURFACE_MM, np.inf)
    nearest = _Stop(np.inf)
    for piece in bottom:
        (low, level), (high, _) = piece.points().min(axis=0), piece.points().max(axis=0)
        if high - low < 2 * LOOK_MM + tol.LENGTH_MM:
            continue
        inside, n = between(there, 0, low + LOOK_MM, high - LOOK_MM)
        inside, m = between(inside, 1, level + LOOK_MM, np.inf)
        if len(inside) == 0:
            continue
        a, b = inside[:, :, [2, 1]], np.roll(inside, -1, axis=1)[:, :, [2, 1]]
        first, last = np.zeros(a.shape[:2]), np.ones(a.shape[:2])
        for _ in range(_NARROWINGS):
            third = (last - first) / 3
            falls = _way_left(a, b, first + third, axis, level) > _way_left(a, b, last - third, axis, level)
            first, last = np.where(falls, first + third, first), np.where(falls, last, last - third)
        found = _way_left(a, b, first, axis, level).min(axis=1)
        k = int(np.argmin(found))
        if found[k] < nearest.at_mm:
            # Of the faces that meet there name the one across the traverse.
            same = np.unique(view.part.mesh.face_ids[of[n[m[found < found[k] + tol.LENGTH_MM]]]])
            faces = [view.part.faces[f] for f in same]
            face = max(faces, key=lambda f: round(float(np.abs(f.normals @ view.view.along).max()), 3))
            nearest = _Stop(float(found[k]), face.id, float(inside[k, :, 2].min() - found[k]))
    chord = view.part.mesh.deflection_mm
    return _Stop(sense * (nearest.at_mm - chord), nearest.face, nearest.before_mm + chord)


def _way_left(a: Array, b: Array, share: Array, axis: float, level: float) -> Array:
    """How far the axis gets before the rim, of which ``level`` is the lowest point, meets points of edges."""
    at = a + share[:, :, None] * (b - a)
    over = np.clip(axis - at[:, :, 1], 0.0, axis - level)
    return np.asarray(at[:, :, 0] - np.sqrt((axis - level) ** 2 - over**2))


def _chosen(
    job: JobContext,
    feature: Feature,
    view: TraverseView,
    spans: Sequence[tuple[Span, Grind]],
    stops: Sequence[Sequence[_Stop]],
) -> Bulk | None:
    """The spans that together take most, while each takes enough beyond the others."""
    grid = HeightGrid.of(job, feature, view.view.up)
    rows, columns = np.nonzero(grid.owned)
    heights = grid.heights[rows, columns]
    flat = grid.low + grid.pitch_mm * (np.column_stack([columns, rows]) + 0.5)
    points = grid.view.solid(flat) - view.view.origin
    levels = {n: np.maximum(_level(s, points), heights) for n, (s, _) in enumerate(spans)}
    left, whole = np.full(len(heights), grid.top_mm), grid.removed_mm3
    chosen: list[int] = []
    while levels:
        gains = {n: float(np.maximum(left - level, 0.0).sum()) for n, level in levels.items()}
        best = max(gains, key=lambda n: gains[n])
        if gains[best] * grid.pitch_mm**2 < max(_GAIN * whole, tol.LENGTH_MM):
            break
        left = np.minimum(left, levels.pop(best))
        chosen.append(best)
    if not chosen:
        return None
    over = left - heights
    worst = int(np.argmax(over))
    rest = float(over.sum()) * grid.pitch_mm**2
    ways = [spans[n][1] for n in chosen]
    way = Grind(
        view.view.up,
        view.view.along,
        ways[0].wheel,
        tuple(run for w in ways for run in w.runs),
        tuple(sorted({a for w in ways for a in w.slopes_deg})),
        tuple(sorted({r for w in ways for r in w.formed_mm})),
        tuple(spans[n][0] for n in chosen),
    )
    before = job.shop[GrindShop].grinding.stop_mm
    words = (
        f"{s.before_mm + before:.1f} before {job.call(s.face)}" for n in chosen for s in stops[n] if s.is_stop
    )
    place = (
        view.view.origin
        + points[worst]
        + (float(heights[worst]) - points[worst] @ view.view.up) * (view.view.up)
    )
    return Bulk(way, whole - rest, rest, vec(place), tuple(dict.fromkeys(words)))


def _profile(view: TraverseView, run: WheelRun, wheel: Wheel) -> Profile:
    return cleared(part_bottom(view, run), beyond_part(view), run.fillets, wheel.corner_radius_mm)


def _level(span: Span, points: Array) -> Array:
    """What a span leaves at points (n, 3) from the view's origin: levels along up, infinite beside it."""
    view = span.sight.view
    across, along = points @ view.across, points @ view.along
    profile = _profile(span.sight, span.run, span.wheel)
    order = np.argsort(across)
    bottom = np.full(len(across), np.inf)
    for path in profile.paths:
        bottom[order] = np.minimum(bottom[order], lowest(path, across[order]))
    rim = float(bottom.min()) + span.wheel.diameter_mm / 2 - bottom
    past = np.maximum(np.maximum(span.stops[0] - along, along - span.stops[1]), 0.0)
    reached = np.isfinite(bottom) & (past < rim)
    rim, past = np.where(reached, rim, 0.0), np.where(reached, past, 0.0)
    return np.where(reached, bottom + rim - np.sqrt(rim**2 - past**2), np.inf)

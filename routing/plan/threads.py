"""Checks of each thread: suiting bore, relief counterbores, full depth, wall, material under the drill point.

Limits are common practice, no source, unless said otherwise. Distances are read off the part's mesh,
whose corners lie on the part and whose chords stray from it by its deflection (0.005 mm on parts up to
100 mm): finer than any limit here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from featurize import tolerances as tol
from featurize.brep.boxes import facet_boxes
from featurize.brep.part import Part
from featurize.brep.rays import first_hits
from featurize.brep.surfaces import Array, Plane
from featurize.feature import Bore, Feature, from_far_mouth
from featurize.recognise.thread_bores import is_pointed, is_through, relief_bore, thread_bore
from featurize.recognise.threads import questions
from featurize.standards.threads import ThreadSize, parse
from routing.processes.flags import Flag, Severity

# Relief counterbore: over the major diameter by this much, and this many pitches deep.
RELIEF_OVER_MM = (0.2, 0.5)
RELIEF_PITCHES = (1.5, 2.0)
# Reliefs are turned or milled to about this; a drawing's rounding is no fault.
_RELIEF_SLACK_MM = 0.02
# Full thread in diameters: steel holds its screw at 1; brittle carbide spreads the load over more.
FULL_THREAD_STEEL, FULL_THREAD_CARBIDE = 1.0, 1.5
# A blind thread stops short of its bore's end by about a pitch (thread-milled; a tap needs more).
RUN_OUT_PITCHES = 1.0
# Wall outside the major diameter, and material under the drill point.
WALL_SHARE, WALL_LEAST_MM = 0.5, 1.0
# A flat face within about 17 degrees of the axis is a wall beside the hole, not the face it opens in.
_ALONG_AXIS = 0.3


def check_threads(part: Part, features: Sequence[Feature], *, carbide: bool = False) -> list[Flag]:
    """Flags for every threaded or possibly threaded hole, in the order of the features."""
    over = overhangs(features)
    asked = {group[0].id: group for group in questions(features)}
    return [flag for f in features for flag in _check(part, f, features, over, asked, carbide)]


def _check(
    part: Part,
    hole: Feature,
    features: Sequence[Feature],
    over: Mapping[int, float],
    asked: Mapping[str, Sequence[Feature]],
    carbide: bool,
) -> Iterator[Flag]:
    if hole.thread is None:
        return
    if hole.thread.designation is None:
        if hole.id in asked:  # equal holes are one question
            yield _ambiguous(asked[hole.id])
        return
    size, _ = parse(hole.thread.designation)
    carrier = thread_bore(hole, size)
    yield from _misfit(hole, size)
    yield from _relief(part, hole, size, carbide)
    yield from _depth(hole, size, carrier, carbide)
    if hole.axis is not None:
        yield from _wall(part, hole, size, carrier, features, over)
        if not is_through(hole):
            yield from _under_point(part, hole, size, features)


def _ambiguous(group: Sequence[Feature]) -> Flag:
    hole = group[0]
    assert hole.thread is not None
    *sizes, plain = hole.thread.asked
    size = _mm(hole.dims.get("diameter_mm", 0.0))
    what, key = f"{size} hole", hole.id
    if len(group) > 1:
        what = f"{len(group)} equal holes of {size} ({', '.join(f.id for f in group)})"
        key = f"{hole.dims.get('diameter_mm', 0.0):.10g}"
    return Flag(
        "thread-ambiguous",
        Severity.BLOCKING,
        hole.id,
        f"{what} may be {' or '.join(sizes)}, or {plain}: "
        f"say which, for example {key}={sizes[0]} or {key}={plain}.",
    )


def _misfit(hole: Feature, size: ThreadSize) -> Iterator[Flag]:
    """A bore that no drawing of the thread has, and that is not within the limits of its minor diameter."""
    low, high = size.minor_limits_mm
    drawn = [b.start_diameter_mm for b in hole.bores if b.is_cylinder]
    if any(size.drawn_at(d)[0] < tol.SURFACE_MM or low < d < high for d in drawn):
        return
    bores = " and ".join(f"{d:.4g}" for d in drawn)
    text = (
        f"No bore suits {size.designation}: {bores} mm drawn, {size.tap_drill_mm:.4g} mm is its tap drill "
        f"and {low:.3f} to {high:.3f} mm the limits of its minor diameter. Correct the thread or the model."
    )
    yield Flag("thread-bore-misfit", Severity.BLOCKING, hole.id, text)


def _relief(part: Part, hole: Feature, size: ThreadSize, carbide: bool) -> Iterator[Flag]:
    """At the mouth, and of a through thread at its exit."""
    if hole.axis is None or not is_through(hole):
        yield from _relief_at(hole, size, carbide, "")
        return
    out = np.array(hole.axis.direction)
    from_far = hole.but(bores=from_far_mouth(hole.bores))
    for seen, toward, where in ((hole, out, "mouth"), (from_far, -out, "exit")):
        side = part.frame.side_of(toward)
        yield from _relief_at(seen, size, carbide, f" at its {where}{f' on {side}' if side else ''}")


def _relief_at(hole: Feature, size: ThreadSize, carbide: bool, where: str) -> Iterator[Flag]:
    """At the mouth that the bores are listed from; ``where`` names it."""
    narrow, wide = (size.major_mm + over for over in RELIEF_OVER_MM)
    shallow, deep = (size.pitch_mm * n for n in RELIEF_PITCHES)
    use = f"use diameter {narrow:.2f} to {wide:.2f} mm, {shallow:.2f} to {deep:.2f} mm deep (common practice)"
    # Carbide breaks out at an unrelieved end of a thread; steel merely burrs.
    severity = Severity.BLOCKING if carbide else Severity.WARNING
    relief = relief_bore(hole, size)
    if relief is None:
        text = f"{size.designation} has no relief counterbore{where}: {use}."
        yield Flag("thread-relief-missing", severity, hole.id, text)
        return
    diameter, depth = relief.start_diameter_mm, relief.end_mm - relief.start_mm
    faults = (
        ("narrow", diameter < narrow - _RELIEF_SLACK_MM, f"{_mm(diameter)} in diameter, too narrow"),
        ("shallow", depth < shallow - _RELIEF_SLACK_MM, f"{_mm(depth)} deep, too shallow"),
        ("deep", depth > deep + _RELIEF_SLACK_MM, f"{_mm(depth)} deep, too deep"),
    )
    for fault, found, what in faults:
        if found:
            text = f"Relief counterbore of {size.designation}{where} is {what}: {use}."
            yield Flag(f"thread-relief-{fault}", severity, hole.id, text)


def full_thread_mm(hole: Feature, size: ThreadSize, carrier: Bore) -> float:
    """Length of whole thread in its bore: a blind one stops short of the end."""
    run_out = 0.0 if is_through(hole) else RUN_OUT_PITCHES * size.pitch_mm
    return max(0.0, carrier.end_mm - carrier.start_mm - run_out)


def _depth(hole: Feature, size: ThreadSize, carrier: Bore, carbide: bool) -> Iterator[Flag]:
    run_out = 0.0 if is_through(hole) else RUN_OUT_PITCHES * size.pitch_mm
    full = full_thread_mm(hole, size, carrier)
    diameters, material = (FULL_THREAD_CARBIDE, "carbide") if carbide else (FULL_THREAD_STEEL, "steel")
    needed = diameters * size.major_mm
    if full < needed - tol.SURFACE_MM:
        text = (
            f"{size.designation} has room for {_mm(full)} of full thread"
            f"{' after a pitch of run-out' if run_out else ''}: use at least {_mm(needed)} in {material}, "
            f"{diameters:g} diameters (common practice)."
        )
        yield Flag("thread-short", Severity.WARNING, hole.id, text)


def _wall(
    part: Part,
    hole: Feature,
    size: ThreadSize,
    carrier: Bore,
    features: Sequence[Feature],
    over: Mapping[int, float],
) -> Iterator[Flag]:
    limit = wall_limit_mm(size)
    wall, face = thinnest_wall(part, hole, size, carrier, over, limit)
    if wall < limit - tol.SURFACE_MM:
        to = _called(next((f for f in features if face in f.faces), None))
        what = f"leaves a wall of {_mm(wall)} to {to}" if wall > tol.SURFACE_MM else f"breaks into {to}"
        text = f"{size.designation} {what}: keep {_mm(limit)} outside the major diameter (common practice)."
        yield Flag("thread-wall-thin", Severity.WARNING, hole.id, text)


def wall_limit_mm(size: ThreadSize) -> float:
    """What common practice leaves outside the major diameter and under the hole."""
    return max(WALL_SHARE * size.major_mm, WALL_LEAST_MM)


def thinnest_wall(
    part: Part, hole: Feature, size: ThreadSize, carrier: Bore, over: Mapping[int, float], within_mm: float
) -> tuple[float, int]:
    """Wall from a thread's major diameter to the nearest face beside it, and that face; inf and -1 for none.

    Looked for ``within_mm``; known to the mesh's deflection. A threaded neighbour counts as threaded, for
    which ``over`` has its overhangs.
    """
    most = max(over.values(), default=0.0)
    best = (within_mm + tol.LENGTH_MM, -1)
    for least, distance, face in around_bore(part, hole, carrier, size.major_mm / 2 + within_mm + most):
        if least - size.major_mm / 2 - most > best[0]:
            break  # they come with ever larger lower bounds
        best = min(best, (distance - size.major_mm / 2 - over.get(face, 0.0), face))
    return best if best[1] >= 0 else (np.inf, -1)


def _called(feature: Feature | None) -> str:
    return f"{feature.id} ({feature.kind})" if feature else "the next face"


def overhangs(features: Sequence[Feature]) -> dict[int, float]:
    """For the faces of threaded holes how far the thread will reach beyond the bore drawn for it."""
    return {i: mm for f in features for mm in _overhang(f) for i in f.faces}


def _overhang(feature: Feature) -> Iterator[float]:
    if feature.thread is None or feature.thread.designation is None:
        return
    drawn = thread_bore(feature, parse(feature.thread.designation)[0]).start_diameter_mm
    yield max(0.0, (feature.thread.major_mm - drawn) / 2)


def around_bore(part: Part, hole: Feature, carrier: Bore, reach: float) -> Iterator[tuple[float, float, int]]:
    """Every triangle beside a bore within reach: a lower bound of its distance from the axis, in whose
    order they come, the distance, and its face.

    Seen along the axis, what stands between the thread's two ends is flat figures; their distance
    from the axis' point is the wall plus a radius, whatever the face's shape.
    """
    assert hole.axis is not None
    basis = _basis(np.array(hole.axis.direction))
    # Depth grows inwards, z outwards.
    low, high = -carrier.end_mm + tol.VOID_MM, -carrier.start_mm - tol.VOID_MM
    ends = np.array(hole.axis.origin) + np.outer([low, high], basis[2])
    beside = facet_boxes(part.mesh).meeting(ends.min(axis=0)[None] - reach, ends.max(axis=0)[None] + reach)[1]
    beside = np.sort(beside)
    corners = (part.mesh.vertices[part.mesh.triangles[beside]] - np.array(hole.axis.origin)) @ basis.T
    level, flat = corners[:, :, 2], corners[:, :, :2]
    near = (level.max(axis=1) > low) & (level.min(axis=1) < high)
    near &= (flat.min(axis=1) < reach).all(axis=1) & (flat.max(axis=1) > -reach).all(axis=1)
    near &= ~np.isin(part.mesh.face_ids[beside], [*hole.faces, *_opens_in(part, hole, carrier)])
    # No point of a box is nearer than its nearest corner coordinates.
    bound = np.linalg.norm(np.maximum(0.0, np.maximum(flat.min(axis=1), -flat.max(axis=1))), axis=1)
    places = np.flatnonzero(near)
    away = _from_axis(corners[places], low, high)
    places, away = places[away < reach], away[away < reach]
    order = np.argsort(bound[places], kind="stable")
    faces = part.mesh.face_ids[beside[places[order]]]
    yield from zip(bound[places[order]].tolist(), away[order].tolist(), faces.tolist(), strict=True)


def _opens_in(part: Part, hole: Feature, carrier: Bore) -> set[int]:
    """Faces that the hole starts from or comes out of: no wall, unless they run along the axis."""
    assert hole.axis is not None
    direction = np.array(hole.axis.direction)
    found = set()
    for edge in (e for f in hole.faces for e in part.edges_of(f)):
        depths = (np.array(hole.axis.origin) - edge.points) @ direction
        if depths.min() < carrier.start_mm + tol.VOID_MM or depths.max() > carrier.end_mm - tol.VOID_MM:
            found |= set(edge.faces)
    surfaces = {f: part.faces[f].surface for f in found}
    return {
        f
        for f, s in surfaces.items()
        if not (isinstance(s, Plane) and abs(float(s.normal @ direction)) < _ALONG_AXIS)
    }


def _from_axis(triangles: Array, low: float, high: float) -> Array:
    """Distance (n,) from the z axis of what triangles (n, 3, 3) have between two levels; inf for nothing.

    That is a convex figure whose corners are the ends of the triangle's sides, cut off at the levels. Its
    outline is among the lines between these, and none of them is nearer, unless it lies around the axis.
    """
    start, run = triangles, np.roll(triangles, -1, axis=1) - triangles
    level, rise = start[:, :, 2], run[:, :, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        cuts = np.sort([(low - level) / rise, (high - level) / rise], axis=0)
    inside = (level >= low) & (level <= high)
    first = np.where(rise == 0, np.where(inside, 0.0, np.inf), np.maximum(cuts[0], 0.0))
    last = np.where(rise == 0, 1.0, np.minimum(cuts[1], 1.0))
    shares = np.where(first <= last, [first, last], np.nan)
    ends = np.concatenate([(start + s[:, :, None] * run)[:, :, :2] for s in shares], axis=1)
    i, j = np.triu_indices(ends.shape[1], 1)
    a, way = ends[:, i], ends[:, j] - ends[:, i]
    square = np.maximum(np.sum(way**2, axis=2), tol.SNAP_MM**4)
    nearest = a + np.clip(-np.sum(a * way, axis=2) / square, 0, 1)[:, :, None] * way
    away = np.linalg.norm(nearest, axis=2).min(axis=1, initial=np.inf, where=~np.isnan(nearest[:, :, 0]))
    turns = np.sort(np.arctan2(ends[:, :, 1], ends[:, :, 0]), axis=1)  # what is missing comes last
    gaps = np.diff(turns, axis=1)
    whole = 2 * np.pi - (np.nanmax(turns, axis=1, initial=-np.inf) - turns[:, 0])
    widest = np.maximum(gaps.max(axis=1, initial=0.0, where=~np.isnan(gaps)), whole)
    return np.asarray(np.where(widest < np.pi, 0.0, away))


def _under_point(part: Part, hole: Feature, size: ThreadSize, features: Sequence[Feature]) -> Iterator[Flag]:
    left, face = left_ahead(part, hole)
    limit = wall_limit_mm(size)
    if left < limit - tol.SURFACE_MM:
        what = "drill point" if is_pointed(hole) else "bottom"
        to = _called(next((f for f in features if face in f.faces), None))
        text = (
            f"{size.designation} leaves {_mm(left)} under its {what} to {to}: "
            f"keep {_mm(limit)} (common practice)."
        )
        yield Flag("thread-drill-point-thin", Severity.WARNING, hole.id, text)


def left_ahead(part: Part, hole: Feature) -> tuple[float, int]:
    """Material straight ahead of the hole's end, under its middle and its rim, and the face it ends at."""
    assert hole.axis is not None
    basis = _basis(np.array(hole.axis.direction))
    end = hole.bores[-1]
    turns = np.linspace(0, 2 * np.pi, 12, endpoint=False)[:, None]
    # Just inside the rim, so that no sight line runs along the bore's wall.
    ring = 0.49 * end.end_diameter_mm * (np.cos(turns) * basis[0] + np.sin(turns) * basis[1])
    inwards = -basis[2]
    foot = np.array(hole.axis.origin) + (end.end_mm + tol.SURFACE_MM) * inwards
    ahead, faces = first_hits(part.mesh, np.vstack([foot, foot + ring]), inwards)
    k = int(np.argmin(ahead))
    return float(ahead[k]) + tol.SURFACE_MM, int(faces[k])


def _basis(axis: Array) -> Array:
    """Rows: two directions across a unit axis, and the axis."""
    other = np.zeros(3)
    other[int(np.argmin(np.abs(axis)))] = 1.0
    u = np.cross(axis, other)
    u /= np.linalg.norm(u)
    return np.array([u, np.cross(axis, u), axis])


def _mm(value: float) -> str:
    return f"{round(value, 3):.10g} mm"

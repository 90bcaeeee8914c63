"""Milling, drilling and thread milling: a round cutter from one side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Face
from featurize.brep.surfaces import Array, Cone, Freeform, Plane
from featurize.brep.surfaces_at import parallel
from featurize.feature import Feature, Role, Vec3
from featurize.recognise.scene import vec
from routing.processes.approaches import approaches
from routing.processes.context import JobContext
from routing.processes.corners import Corner, feet, hollow_radius, inside_corners, inside_feet, is_wall, vees
from routing.processes.heights import HeightGrid
from routing.processes.mill.shop import MillShop
from routing.processes.mill.side_cut import but_for, neck_corners, side_cut
from routing.processes.mill.verdict import MILL, MillVerdict
from routing.processes.protocol import Rest, furthest
from routing.processes.sight import Hidden, hidden_from, hits
from routing.processes.tools import Cutter, Drill
from routing.processes.undercut import is_undercut

# The progress of a question that ends where a cutter does not get in between walls.
_GAP = 4
# A cutter tried on a shaped surface; more only refine which one is the largest.
_TRIES = 4


@dataclass(frozen=True)
class Limit:
    """Why cutters drop out: the radius that the geometry allows and the words for it."""

    mm: float
    words: str
    place: Vec3 | None
    sharp: bool = False


def judge(job: JobContext, feature: Feature) -> MillVerdict:
    """The first side from which a drill or a cutter makes a feature, else the refusal that says most."""
    if not job.uses(MILL):
        return _no(f"the shop does not mill {job.material.name}")
    if is_undercut(feature):
        return _undercut(job, feature)
    ways = [_drilled] if feature.thread else [_drilled, _milled] if feature.bores else [_milled]
    answers = []
    for toward in approaches(job, feature):
        for way in ways:
            answers.append(way(job, feature, toward))
            if answers[-1].workable:
                return answers[-1]
    return furthest(answers)


def _undercut(job: JobContext, feature: Feature) -> MillVerdict:
    """By a side cutter, a slot's neck by a flat one before; else as all else, which comes at some grooves."""
    answer = side_cut(job, feature)
    neck, done = feature.dims.get("neck_width_mm"), answer.workable or answer.rest is not None
    if done and neck is not None:
        return _neck_first(job, feature, neck, answer)
    if done:
        return answer
    straight = [_milled(job, feature, toward) for toward in approaches(job, feature)]
    found = next((v for v in straight if v.workable), furthest(straight))
    # Where a straight cutter at least sees a groove whole, its refusal, and the bulk it can take, say more.
    seen = neck is None and found.progress > 1
    return found if found.workable or seen else answer


def _neck_first(job: JobContext, feature: Feature, neck_mm: float, answer: MillVerdict) -> MillVerdict:
    """A flat cutter opens the neck to the floor, then the side cutter follows."""
    assert feature.axis is not None
    toward, depth = np.array(feature.axis.direction), feature.dims["depth_mm"]
    flat = [
        c
        for c in job.shop[MillShop].cutters
        if c.kind == "flat" and c.diameter_mm <= neck_mm + tol.SURFACE_MM
    ]
    flat = [c for c in flat if _reaches(job, c, depth)]
    if not flat:
        return _no(f"no flat cutter opens the neck {neck_mm:.3g} to depth {depth:.3g}", 2)
    corners = neck_corners(job, feature, toward)
    tightest = min((c.radius_mm for c in corners), default=np.inf)
    fits = [c for c in flat if c.radius_mm <= tightest + tol.SURFACE_MM]
    first = max(fits or flat, key=lambda c: c.diameter_mm)
    answer = replace(answer, reason=f"{first.diameter_mm:g} flat cutter for the neck, then {answer.reason}")
    return but_for(job, answer, corners, first.radius_mm, depth)


def _drilled(job: JobContext, feature: Feature, toward: Array) -> MillVerdict:
    """Drilled bores, and a thread milled in one pass from the mouth."""
    rule = job.shop[MillShop].drilling
    axis = np.array(feature.axis.direction) if feature.axis else toward
    drilled: list[tuple[float, float]] = []
    thread_reach = None
    if not parallel(axis, toward, tol.AXIS_DEG):
        return _no("a drill cannot come along the hole's axis from here")
    # A modelled thread's flanks are undercut, and thread-milled all the same.
    smooth = [i for i in feature.faces if feature.roles[i] != Role.THREAD]
    if hidden := hidden_from(job, smooth, toward):
        return _no(_in_the_way(job, hidden, toward), 1, place=hidden.place)
    words = []
    for bore in (b for b in feature.bores if b.is_cylinder):
        d, depth = bore.start_diameter_mm, bore.end_mm
        if d < rule.drill_min_mm:
            return _no(f"diameter {d:.3g} is under the smallest drill {rule.drill_min_mm:g}", 2)
        if d > rule.drill_max_mm:
            return _no(f"diameter {d:.3g} is over the largest drill {rule.drill_max_mm:g}", 2)
        if (ratio := depth / d) > rule.drill_ratio + 1e-9:
            return _no(f"depth {depth:.3g} is {ratio:.1f} diameters of {d:.3g}, over {rule.drill_ratio:g}", 2)
        drilled.append((d, depth))
        words.append(f"drill {d:.3g} to depth {depth:.3g}, {ratio:.1f} diameters")
    if not words:
        return _no("no straight bore to drill")
    if feature.thread is not None and feature.thread.designation is None:
        words.append("thread to be settled")
    elif feature.thread is not None:
        major = feature.thread.major_mm
        if major < rule.thread_min_mm:
            return _no(f"thread {major:g} is under the smallest thread mill {rule.thread_min_mm:g}", 2)
        deep = feature.dims.get("thread_depth_mm", max(b.end_mm for b in feature.bores if b.is_cylinder))
        reach = rule.thread_ratio * major
        how = f"to depth {reach:.3g}, {rule.thread_ratio:g} diameters" if deep > reach else "in one pass"
        thread_reach = min(deep, reach)
        words.append(f"thread-mill {feature.thread.designation} {how} from the mouth")
    return MillVerdict(
        process=MILL,
        workable=True,
        reason=", ".join(words),
        approaches=(job.approach(toward),),
        tool=Drill(drilled[0][0]),
        drilled=tuple(drilled),
        thread_reach_mm=thread_reach,
    )


def _milled(job: JobContext, feature: Feature, toward: Array) -> MillVerdict:
    if hidden := hidden_from(job, feature.faces, toward):
        return _no(_in_the_way(job, hidden, toward), 1, place=hidden.place)
    owned = sorted(job.shop[MillShop].cutters, key=lambda c: -c.diameter_mm)
    corner = _corner(job, feature, toward)
    fits = [c for c in owned if corner is None or c.radius_mm <= corner.mm + tol.LENGTH_MM]
    if fits:
        return _cut(job, feature, toward, fits, corner)
    assert corner is not None
    return _but_corners(job, feature, toward, owned, corner)


def _but_corners(
    job: JobContext, feature: Feature, toward: Array, owned: Sequence[Cutter], limit: Limit
) -> MillVerdict:
    """The refusal for inside corners under every cutter, with what the smallest that reaches would leave."""
    grid = HeightGrid.of(job, feature, toward)
    smallest = owned[-1].radius_mm
    reason = f"{limit.words} is under the smallest cutter radius {smallest:.3g}"
    corners = inside_corners(job, feature, toward)

    def left(radius_mm: float) -> list[Corner]:
        return [c for c in corners if c.radius_mm < radius_mm]

    def volume(radius_mm: float) -> float:
        return sum(c.left_mm2(radius_mm) for c in left(radius_mm)) * grid.depth_mm

    refused = _no(reason, 2, shortfall=volume(smallest), place=limit.place)
    if vees(job, feature, toward):
        return refused  # a cutter leaves such an edge along its whole length
    for radius in sorted({c.radius_mm for c in owned}):
        places = tuple(c.place for c in left(radius))
        bulk = _cut(job, feature, toward, [c for c in owned if c.radius_mm == radius], None, places)
        if bulk.workable:
            words = f"{len(places)} inside corner{'s' if len(places) > 1 else ''} left at R {radius:g}"
            rest = Rest(words, volume(radius), places)
            return replace(
                refused, approaches=bulk.approaches, tool=bulk.tool, reach_mm=bulk.reach_mm, rest=rest
            )
        if bulk.progress == _GAP:
            return refused  # nor will a larger one get in
    return refused


def _cut(
    job: JobContext,
    feature: Feature,
    toward: Array,
    fits: Sequence[Cutter],
    corner: Limit | None,
    left: Sequence[Vec3] = (),
) -> MillVerdict:
    """The largest of some cutters that gets everywhere but into the corners ``left`` to others."""
    grid = HeightGrid.of(job, feature, toward)
    foot = _foot(job, feature, toward)
    shaped = [f for f in job.faces(feature) if _is_shaped(f, toward) and not feature.kind.traits.edge_break]
    if foot is not None and foot.sharp and shaped:
        # The sharp foot is a flat cutter's, the shape a ball's: each must be there.
        flat = [c for c in fits if _foot_fits(c, foot, shaped=False)]
        fits = [c for c in fits if _foot_fits(c, None, shaped=True)] if flat else []
    else:
        fits = [c for c in fits if _foot_fits(c, foot, shaped=bool(shaped))]
    if not fits:
        if foot is not None:
            least = min(c.corner_radius_mm for c in job.shop[MillShop].cutters)
            return _no(f"{foot.words} is under every cutter's corner, from {least:.3g}", 2, place=foot.place)
        return _no("no ball or bull-nose cutter for a shaped surface", 2)
    tried, fits = fits, [c for c in fits if _reaches(job, c, grid.depth_mm)]
    if not fits:
        best = max(tried, key=lambda c: reach_mm(job, c))
        return _no(
            f"depth {grid.depth_mm:.3g} is over the {reach_mm(job, best):.3g} reach of the "
            f"{best.diameter_mm:g} {best.kind} cutter, the longest that fits",
            3,
        )
    tried, fits = fits, [c for c in fits if _held_clear(job, feature, toward, c)]
    if not fits:
        small = min(tried, key=lambda c: c.diameter_mm)
        shank = job.shop[MillShop].holding.shank_of(small)
        return _no(f"what stands beside it is in the way of the {shank:g} shank or of the holder", 3)
    gap, ends = None, feet(job, feature, toward)
    across, fronts = _gaps(job, feature, toward)
    sensible = []
    for radius in sorted({c.radius_mm for c in fits}, reverse=True):
        gap = _too_close(across, fronts, radius, left)
        if gap is None:
            gap = HeightGrid.of(job, feature, toward, radius + 0.5).too_narrow(radius, left, ends)
        if gap is None:
            sensible = [c for c in fits if c.radius_mm == radius]
            break
    if not sensible:
        smallest = min(fits, key=lambda c: c.radius_mm)
        behind = 0.0 if left else grid.leaving(smallest).volume_mm3
        return _no(
            f"a gap is under the {smallest.diameter_mm:g} cutter, the smallest to reach {grid.depth_mm:.3g}",
            _GAP,
            shortfall=behind,
            place=gap,
        )
    cutter = sensible[0]
    if any(isinstance(f.surface, Freeform) for f in shaped):
        verdict, found = _shaped(job, grid, [c for c in fits if c.radius_mm <= cutter.radius_mm])
        if found is None:
            return verdict
        cutter = found
    words = [f"{cutter.diameter_mm:g} {cutter.kind} cutter from {job.side_name(toward)}"]
    if shaped and cutter.corner_radius_mm > 0:
        cusp = job.shop.general.contour_leave_mm
        words.append(f"rows {rows_mm(cutter.corner_radius_mm, cusp):.3g} apart for cusps of {cusp:g}")
    if corner is not None:
        words.append(f"inside corner R {corner.mm:.3g} over its radius {cutter.radius_mm:.3g}")
    if grid.depth_mm > tol.SURFACE_MM:
        words.append(f"depth {grid.depth_mm:.3g}, {grid.depth_mm / cutter.diameter_mm:.1f} diameters")
    return MillVerdict(
        process=MILL,
        workable=True,
        reason=", ".join(words),
        approaches=(job.approach(toward),),
        tool=cutter,
        reach_mm=grid.depth_mm,
    )


def rows_mm(radius_mm: float, cusp_mm: float) -> float:
    """How far apart rows of a rounded cutter may lie for a cusp: the chord 2 sqrt(2 R h - h^2)."""
    height = min(cusp_mm, radius_mm)
    return float(2 * np.sqrt(2 * radius_mm * height - height**2))


def _gaps(job: JobContext, feature: Feature, toward: Array) -> tuple[Array, Array]:
    """How far the metal across is from the walls' samples (n,), and the samples (n, 3).

    A cutter that touches a wall at a sample reaches its whole diameter out from there.
    """
    walls = [i for i in feature.faces if is_wall(job.part.faces[i], toward)]
    if not walls:
        return np.zeros(0), np.zeros((0, 3))
    normals = np.vstack([job.part.faces[i].normals for i in walls])
    normals = normals - np.outer(normals @ toward, toward)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    points = np.vstack([job.scene.off_surface(i) for i in walls])
    widest = max(c.diameter_mm for c in job.shop[MillShop].cutters)
    # On a hollow wall the mesh is nearer than the face by its deflection, on both sides.
    return hits(job.part.mesh, points, normals, widest)[0] + 4 * job.part.mesh.deflection_mm, points


def _too_close(across: Array, points: Array, radius_mm: float, left: Sequence[Vec3]) -> Vec3 | None:
    """Where the metal across leaves no room for a cutter, but near corners ``left`` to others."""
    close = across < 2 * radius_mm
    if left and close.any():
        away = np.linalg.norm(points[:, None] - np.array(left)[None], axis=2).min(axis=1)
        close &= away > 4 * radius_mm
    return vec(points[close][0]) if close.any() else None


def _corner(job: JobContext, feature: Feature, toward: Array) -> Limit | None:
    if feature.kind.traits.edge_break:
        return None
    corners = [*vees(job, feature, toward), *inside_corners(job, feature, toward)]
    if not corners:
        return None
    c = min(corners, key=lambda c: c.radius_mm)
    if c.radius_mm > 0:
        return Limit(c.radius_mm, f"inside corner R {c.radius_mm:.3g}", c.place)
    leave = job.shop.general.sharp_corner_leave_mm
    return Limit(leave, f"sharp inside corner (accepted R {leave:g})", c.place, sharp=True)


def _foot(job: JobContext, feature: Feature, toward: Array) -> Limit | None:
    if feature.kind.traits.edge_break:
        return None
    feet = inside_feet(job, feature, toward)
    if not feet:
        return None
    f = feet[0]
    if f.radius_mm > 0:
        return Limit(f.radius_mm, f"floor fillet R {f.radius_mm:.3g}", f.place)
    leave = job.shop.general.sharp_corner_leave_mm
    return Limit(leave, f"sharp corner at the floor (accepted R {leave:g})", f.place, sharp=True)


def _foot_fits(cutter: Cutter, foot: Limit | None, *, shaped: bool) -> bool:
    """A fillet or shaped face wants a rounded cutter; none may be rounder than the foot."""
    if foot is not None and cutter.corner_radius_mm > foot.mm + tol.LENGTH_MM:
        return False
    return not shaped or cutter.kind != "flat"


def _is_shaped(face: Face, toward: Array) -> bool:
    """Neither wall nor floor: its slope is made by scanning."""
    if is_wall(face, toward, tol.TANGENT_DEG):
        return False
    if isinstance(face.surface, Plane):
        return bool(face.surface.normal @ toward < np.cos(np.radians(tol.TANGENT_DEG)))
    return not isinstance(face.surface, Cone) or hollow_radius(face) is not None


def _shaped(
    job: JobContext, grid: HeightGrid, cutters: Sequence[Cutter]
) -> tuple[MillVerdict, Cutter | None]:
    """The largest cutter that follows a free-form surface, by the height grid.

    Within a radius of the surface's rim the foot decides, not the shape.
    """
    accepted = job.shop.general.contour_leave_mm
    step = max(1, len(cutters) // _TRIES)
    tried = list(dict.fromkeys([*cutters[::step], cutters[-1]]))
    slope = _slope_allowance(grid)
    left = None
    for cutter in tried:
        left = grid.leaving(cutter, inset_mm=cutter.radius_mm)
        if left.height_mm <= accepted + slope:
            return MillVerdict(process=MILL, workable=True, reason=""), cutter
    assert left is not None
    name = f"{tried[-1].diameter_mm:g} {tried[-1].kind} cutter"
    reason = f"the {name} would leave {left.height_mm:.3g} in the hollow, over {accepted:g}"
    return _no(reason, 4, shortfall=left.volume_mm3, place=left.place), None


def _slope_allowance(grid: HeightGrid) -> float:
    """The grid's own error: half a pitch on the slopes of the feature that are no walls."""
    gy, gx = np.gradient(grid.heights, grid.pitch_mm)
    slope = np.hypot(gx, gy)[grid.mine]
    gentle = slope[slope < 2.0]
    return 0.5 * grid.pitch_mm * float(gentle.max()) if len(gentle) else 0.0


def reach_mm(job: JobContext, cutter: Cutter) -> float:
    """The neck's reach, bounded by the length to diameter that the material bears."""
    rule = job.shop.rule(job.material)
    small = cutter.diameter_mm < rule.small_cutter_mm
    ratio = rule.small_length_ratio if small else rule.length_ratio
    if job.shop[MillShop].holding.neck_under_mm <= job.shop[MillShop].holding.coating_mm:
        ratio = min(ratio, job.shop[MillShop].holding.flute_ratio)  # the coated neck would rub on the wall
    return min(cutter.reach_mm, cutter.diameter_mm * ratio)


def _held_clear(job: JobContext, feature: Feature, toward: Array, cutter: Cutter) -> bool:
    """Whether shank and holder pass everything that stands beside the cutter's path."""
    held = job.shop[MillShop].holding
    grid = HeightGrid.of(job, feature, toward)
    if grid.top_mm <= grid.floor_mm + cutter.reach_mm + tol.LENGTH_MM:
        return True  # nothing on the part stands so high
    grid = HeightGrid.of(job, feature, toward, max(held.holder_mm, held.shank_of(cutter)) / 2)
    return all(
        grid.beside_path_mm(cutter.radius_mm, grid.floor_mm + level) >= diameter / 2
        for level, diameter in (
            (cutter.reach_mm, held.shank_of(cutter)),
            (cutter.reach_mm + held.shank_out_mm, held.holder_mm),
        )
    )


def _reaches(job: JobContext, cutter: Cutter, depth_mm: float) -> bool:
    sensible = cutter.diameter_mm >= job.shop.rule(job.material).smallest_cutter_mm - tol.LENGTH_MM
    return sensible and depth_mm <= reach_mm(job, cutter) + tol.SURFACE_MM


def _in_the_way(job: JobContext, hidden: Hidden, toward: Array) -> str:
    how = "looks away (undercut)" if hidden.undercut else "stands in the way"
    return f"{job.call(hidden.face)} {how} from {job.side_name(toward)}"


def _no(
    reason: str,
    progress: int = 0,
    *,
    shortfall: float = 0.0,
    place: Vec3 | None = None,
) -> MillVerdict:
    return MillVerdict(
        process=MILL,
        workable=False,
        reason=reason,
        shortfall_mm3=shortfall,
        place=place,
        progress=progress,
    )

"""Milling, drilling and thread milling: a round cutter from one side."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from featurize import tolerances as tol
from featurize.brep.surfaces import Array, Freeform
from featurize.brep.surfaces_at import parallel
from featurize.feature import Feature, Kind, Role, Vec3
from featurize.recognise.scene import vec
from routing.processes.approaches import approaches
from routing.processes.context import JobContext
from routing.processes.corners import Corner, feet, inside_corners, inside_feet, is_wall, vees
from routing.processes.flags import Flag, Severity
from routing.processes.heights import HeightGrid
from routing.processes.mill.bores import NotMadeError, steps_of
from routing.processes.mill.held import stick_out_mm
from routing.processes.mill.hole import Hole
from routing.processes.mill.pace import Pace, owned, reach_mm, slender_flags
from routing.processes.mill.region import MillRegion, is_shaped, region_of
from routing.processes.mill.shop import MillShop
from routing.processes.mill.side_cut import neck_first, side_cut, with_way
from routing.processes.mill.verdict import MILL, BoreStep, MillingWay, MillVerdict
from routing.processes.mill.weigh import second_of, weigh
from routing.processes.protocol import Rest, Stage, feature_of, furthest
from routing.processes.sight import Hidden, hidden_from, hits
from routing.processes.tools import Cutter
from routing.processes.undercut import is_undercut

# The progress of a question that ends where a cutter does not get in between walls.
_GAP = 4
# A chamfer or round under this breaks an edge; a wider one is a shape (common practice, no source).
_SMALL_BREAK_MM = 2.0
# A cutter tried on a shaped surface; more only refine which one is the largest.
_TRIES = 4
# A chamfer cutter's flank lies on a chamfer within this (common practice, no source).
_FLANK_DEG = 1.0


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
    if not owned(job):
        return _no(f"the shop has no cutter for {job.material.name}")
    if is_undercut(feature):
        return _undercut(job, feature)
    # A round pocket is shallow: no drill has a part in it.
    is_bored = feature.bores and feature.kind != Kind.POCKET
    ways = [_bored] if feature.thread else [_bored, _milled] if is_bored else [_milled]
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
        return neck_first(job, feature, neck, answer)
    if done:
        return with_way(job, feature, answer, None)
    straight = [_milled(job, feature, toward) for toward in approaches(job, feature)]
    found = next((v for v in straight if v.workable), furthest(straight))
    # Where a straight cutter at least sees a groove whole, its refusal, and the bulk it can take, say more.
    seen = neck is None and found.progress > 1
    return found if found.workable or seen else answer


def _bored(job: JobContext, feature: Feature, toward: Array) -> MillVerdict:
    """A round hole from its mouth: drilled, opened, threaded, as ``bores`` has it."""
    axis = np.array(feature.axis.direction) if feature.axis else toward
    if not parallel(axis, toward, tol.AXIS_DEG):
        return _no("a drill cannot come along the hole's axis from here")
    # A modelled thread's flanks are undercut, and thread-milled all the same.
    smooth = [i for i in feature.faces if feature.roles[i] != Role.THREAD]
    if hidden := hidden_from(job, smooth, toward):
        return _no(_in_the_way(job, hidden, toward), 1, place=hidden.place)
    try:
        steps, unthreaded_mm = steps_of(Hole.of(job, feature, toward))
    except NotMadeError as no:
        return _no(str(no), no.progress, place=no.place)
    words = [s.words for s in steps]
    if feature.thread is not None and feature.thread.designation is None:
        words.append("thread to be settled")
    return MillVerdict(
        process=MILL,
        workable=True,
        reason=", then ".join(words),
        approaches=(job.approach(toward),),
        tool=next((s.tool for s in steps if s.stage == Stage.DRILL), steps[0].tool),
        reach_mm=max(s.to_mm for s in steps),
        bore=steps,
        flags=(
            *slender_flags(
                job, feature, [(s.tool, Pace.of(job, s.tool)) for s in steps if isinstance(s.tool, Cutter)]
            ),
            *_thread_ends(feature, steps, unthreaded_mm),
        ),
    )


def _thread_ends(feature: Feature, steps: Sequence[BoreStep], unthreaded_mm: float) -> Iterator[Flag]:
    """A thread that the mill is too short for, told with what stays plain."""
    if unthreaded_mm > tol.SURFACE_MM:
        made = steps[-1]
        ends = made.to_mm + unthreaded_mm
        text = (
            f"The {made.tool} gets to {made.to_mm:.4g} mm from the mouth, the bore goes to {ends:.4g}: "
            f"{unthreaded_mm:.3g} mm stay without thread. Ask what depth of thread is wanted, or own a "
            f"longer one (drilling.thread_ratio in the shop file)."
        )
        yield Flag("thread-not-reached", Severity.WARNING, feature_of(feature.id), text)


def _milled(job: JobContext, feature: Feature, toward: Array) -> MillVerdict:
    if hidden := hidden_from(job, feature.faces, toward):
        return _no(_in_the_way(job, hidden, toward), 1, place=hidden.place)
    cutters = [c for c in owned(job) if c.form != "chamfer" and _can_finish(job, c)]
    if not cutters:
        return _no(f"the shop has no cutter that finishes {job.material.name}")
    corner = _corner(job, feature, toward)
    margin = job.shop[MillShop].milling.corner_margin_mm
    fits = [c for c in cutters if corner is None or c.radius_mm + margin <= corner.mm + tol.LENGTH_MM]
    if fits:
        return _cut(job, feature, toward, fits, corner)
    assert corner is not None
    return _but_corners(job, feature, toward, cutters, corner)


def _can_finish(job: JobContext, cutter: Cutter) -> bool:
    kind = job.shop[MillShop].kind_of(cutter)
    return kind.wall > 0 or kind.floor > 0


def _but_corners(
    job: JobContext, feature: Feature, toward: Array, cutters: Sequence[Cutter], limit: Limit
) -> MillVerdict:
    """The refusal for inside corners under every cutter, with what the smallest that reaches would leave."""
    grid = HeightGrid.of(job, feature, toward)
    smallest = min(c.radius_mm for c in cutters)
    margin = job.shop[MillShop].milling.corner_margin_mm
    reason = f"{limit.words} is under the smallest cutter radius {smallest:.3g}"
    if margin and limit.mm >= smallest:
        reason += f" and its margin {margin:g}"
    corners = inside_corners(job, feature, toward)

    def left(radius_mm: float) -> list[Corner]:
        return [c for c in corners if c.radius_mm < radius_mm + margin - tol.LENGTH_MM]

    def volume(radius_mm: float) -> float:
        return sum(c.left_mm2(radius_mm) for c in left(radius_mm)) * grid.depth_mm

    refused = _no(reason, 2, shortfall=volume(smallest), place=limit.place)
    if vees(job, feature, toward):
        return refused  # a cutter leaves such an edge along its whole length
    for radius in sorted({c.radius_mm for c in cutters}):
        places = tuple(c.place for c in left(radius))
        bulk = _cut(job, feature, toward, [c for c in cutters if c.radius_mm == radius], None, places)
        if bulk.workable:
            words = f"{len(places)} inside corner{'s' if len(places) > 1 else ''} left at R {radius:.3g}"
            rest = Rest(words, volume(radius), places)
            return replace(
                refused,
                approaches=bulk.approaches,
                tool=bulk.tool,
                reach_mm=bulk.reach_mm,
                stick_out_mm=bulk.stick_out_mm,
                shank_mm=bulk.shank_mm,
                holder_mm=bulk.holder_mm,
                way=bulk.way,
                second=bulk.second,
                rest=rest,
                flags=bulk.flags,
            )
        if bulk.progress == _GAP:
            return refused  # nor will a larger one get in
    return refused


@dataclass(frozen=True)
class _Able:
    """Cutters that get everywhere asked; ``refused`` says why there are none."""

    cutters: tuple[Cutter, ...] = ()
    refused: MillVerdict | None = None


def _cut(
    job: JobContext,
    feature: Feature,
    toward: Array,
    fits: Sequence[Cutter],
    corner: Limit | None,
    left: Sequence[Vec3] = (),
) -> MillVerdict:
    """The best of some cutters that get everywhere but into the corners ``left`` to others."""
    foot = _foot(job, feature, toward)
    region = region_of(job, feature, toward)
    shaped = [f for f in job.faces(feature) if is_shaped(f, toward) and not feature.kind.traits.edge_break]
    # At a sharp foot the walls are a flat cutter's and the shape a ball's: each must be there.
    apart = bool(shaped) and foot is not None and foot.sharp
    at_walls = [c for c in fits if _foot_fits(c, foot, shaped=bool(shaped) and not apart)]
    at_shape = [c for c in fits if _foot_fits(c, None, shaped=True)] if apart else at_walls if shaped else []
    if feature.kind.traits.edge_break:
        at_shape = at_walls = _at_edge(job, feature, toward, at_walls)
    if not at_walls or (shaped and not at_shape):
        if foot is not None:
            least = min(c.corner_radius_mm for c in owned(job))
            return _no(f"{foot.words} is under every cutter's corner, from {least:.3g}", 2, place=foot.place)
        return _no("no ball or bull-nose cutter for a shaped surface", 2)
    walls = _able(job, feature, toward, at_walls, left)
    shapes = walls
    if at_shape is not at_walls:
        shapes = _able(job, feature, toward, at_shape, left) if at_shape else _Able()
    refused = walls.refused or shapes.refused
    if refused is not None:
        return refused
    shapers = shapes.cutters
    if any(isinstance(f.surface, Freeform) for f in shaped):
        grid = HeightGrid.of(job, feature, toward)
        verdict, found = _shaped(job, grid, shapers)
        if found is None:
            return verdict
        shapers = tuple(c for c in shapers if c.radius_mm <= found.radius_mm and c.form == found.form)
        walls = _at_feet(job, grid, walls.cutters, found) if apart else _Able(shapers)
        if walls.refused is not None:
            return walls.refused
    ways = weigh(region, walls.cutters, shapers)
    if not ways:
        return _no(f"no cutter of the shop roughs and finishes it in {job.material.name}", 2)
    return _chosen(region, ways, corner, shaped=bool(shaped))


def _chosen(
    region: MillRegion, ways: Sequence[MillingWay], corner: Limit | None, *, shaped: bool
) -> MillVerdict:
    job, best, second = region.job, ways[0], second_of(ways)
    tool = best.tool
    assert isinstance(tool, Cutter)
    words = [f"{tool} from {job.side_name(region.toward)}"]
    scans = [c.tool.corner_radius_mm for c in best.finish if isinstance(c.tool, Cutter) and c.what == "shape"]
    if shaped and any(scans):
        cusp = job.shop.general.contour_leave_mm
        words.append(f"rows {rows_mm(max(scans), cusp):.3g} apart for cusps of {cusp:g}")
    if corner is not None:
        words.append(f"inside corner R {corner.mm:.3g} over its radius {tool.radius_mm:.4g}")
    if region.depth_mm > tol.SURFACE_MM:
        words.append(f"depth {region.depth_mm:.3g}, {region.depth_mm / tool.diameter_mm:.1f} diameters")
        words.append(f"{best.engagement_mm:.3g} of the wall cut at once")
    words.append(_weighed(job, best, second))
    out = stick_out_mm(job, region.feature, region.toward, tool)
    return MillVerdict(
        process=MILL,
        workable=True,
        reason=", ".join(words),
        approaches=(job.approach(region.toward),),
        tool=tool,
        reach_mm=region.depth_mm,
        stick_out_mm=out or 0.0,
        shank_mm=job.shop[MillShop].holding.shank_mm,
        holder_mm=job.shop[MillShop].holding.holder_mm,
        way=best,
        second=second,
        flags=slender_flags(job, region.feature, [(t, region.pace(t)) for t in best.tools]),
    )


def _weighed(job: JobContext, best: MillingWay, second: MillingWay | None) -> str:
    """What the choice rests on, in words."""
    money = job.shop.rates.currency
    text = f"{best.minutes:.0f} min and {best.cost:.0f} {money}"
    if second is None:
        return f"{text}; nothing else in the shop makes it"
    why = "as dear as, but stiffer than"
    if second.cost > best.cost:
        why = "cheaper than" if best.minutes > second.minutes else "quicker and cheaper than"
    return f"{text}; {why} {second.tool}: {second.minutes:.0f} min and {second.cost:.0f} {money}"


def _at_edge(job: JobContext, feature: Feature, toward: Array, fits: Sequence[Cutter]) -> list[Cutter]:
    """For an edge break: chamfer cutters whose flank lies on it, else what scans it."""
    leans = [
        float(np.degrees(np.arcsin(np.clip(f.normals @ toward, -1, 1))).mean()) for f in job.faces(feature)
    ]
    flanks = [
        c
        for c in owned(job)
        if c.form == "chamfer" and all(abs(c.tip_deg / 2 - lean) < _FLANK_DEG for lean in leans)
    ]
    if feature.kind == Kind.CHAMFER and flanks and _able(job, feature, toward, flanks, ()).cutters:
        return flanks
    return [c for c in fits if not job.shop[MillShop].kind_of(c).grinds]


def _able(
    job: JobContext, feature: Feature, toward: Array, fits: Sequence[Cutter], left: Sequence[Vec3]
) -> _Able:
    """Of some cutters those that reach, are held clear of what stands beside and get in everywhere."""
    grid = HeightGrid.of(job, feature, toward)
    tried, fits = fits, [c for c in fits if reach_mm(job, c) >= grid.depth_mm - tol.SURFACE_MM]
    if not fits:
        best = max(tried, key=lambda c: reach_mm(job, c))
        reach = reach_mm(job, best)
        text = f"depth {grid.depth_mm:.3g} is over the {reach:.3g} reach of the {best}, the longest that fits"
        return _Able(refused=_no(text, 3))
    tried, fits = fits, [c for c in fits if stick_out_mm(job, feature, toward, c) is not None]
    if not fits:
        small = min(tried, key=lambda c: c.diameter_mm)
        shank = job.shop[MillShop].holding.shank_of(small)
        text = f"what stands beside it is in the way of the {shank:g} shank or of the holder"
        return _Able(refused=_no(text, 3))
    margin = job.shop[MillShop].milling.corner_margin_mm
    gap, ends = None, feet(job, feature, toward)
    across, fronts = _gaps(job, feature, toward)
    for radius in sorted({c.radius_mm for c in fits}, reverse=True):
        keeps = radius + margin
        gap = _too_close(across, fronts, keeps, left)
        if gap is None:
            gap = HeightGrid.of(job, feature, toward, keeps + 0.5).too_narrow(keeps, left, ends)
        if gap is None:
            return _Able(tuple(c for c in fits if c.radius_mm <= radius))
    smallest = min(fits, key=lambda c: c.radius_mm)
    behind = 0.0 if left else grid.leaving(smallest).volume_mm3
    text = f"a gap is under the {smallest}, the smallest to reach {grid.depth_mm:.3g}"
    return _Able(refused=_no(text, _GAP, shortfall=behind, place=gap))


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


def _is_small_break(feature: Feature) -> bool:
    """Whether it only breaks an edge: where two such meet, a cutter may leave the corner round."""
    wide = max((v for k, v in feature.dims.items() if k in ("width_mm", "radius_mm")), default=0.0)
    return feature.kind.traits.edge_break and wide < _SMALL_BREAK_MM


def _corner(job: JobContext, feature: Feature, toward: Array) -> Limit | None:
    if _is_small_break(feature):
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
    if _is_small_break(feature):
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
    return not shaped or cutter.form != "flat"


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
    reason = f"the {tried[-1]} would leave {left.height_mm:.3g} in the hollow, over {accepted:g}"
    return _no(reason, 4, shortfall=left.volume_mm3, place=left.place), None


def _at_feet(job: JobContext, grid: HeightGrid, flats: Sequence[Cutter], shaper: Cutter) -> _Able:
    """The flat cutters that take what a rounded one leaves of a free-form surface at its walls' feet.

    A flat one leaves something too, where the surface is hollow under it.
    """
    accepted = job.shop.general.contour_leave_mm  # heights are exact, and a flat disc's do not slope
    sizes = sorted({c.radius_mm for c in flats}, reverse=True)
    left = None
    for radius in dict.fromkeys([*sizes[:: max(1, len(sizes) // _TRIES)], sizes[-1]]):
        cutter = next(c for c in flats if c.radius_mm == radius)
        left = grid.leaving(shaper, cutter, inset_mm=grid.pitch_mm)
        if left.height_mm <= accepted:
            return _Able(tuple(c for c in flats if c.radius_mm <= radius))
    assert left is not None
    reason = f"the {cutter} would leave {left.height_mm:.3g} at the foot of the walls, over {accepted:g}"
    return _Able(refused=_no(reason, _GAP, shortfall=left.volume_mm3, place=left.place))


def _slope_allowance(grid: HeightGrid) -> float:
    """The grid's own error: half a pitch on the slopes of the feature that are no walls."""
    gy, gx = np.gradient(grid.heights, grid.pitch_mm)
    slope = np.hypot(gx, gy)[grid.owned]
    gentle = slope[slope < 2.0]
    return 0.5 * grid.pitch_mm * float(gentle.max()) if len(gentle) else 0.0


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

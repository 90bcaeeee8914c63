"""Sink-erosion: an electrode of the feature's own shape, sunk from one side and orbited.

Into an undercut a flat electrode on a stem is sunk to its depth and moved sideways, as a side cutter is.
"""

from __future__ import annotations

from dataclasses import replace

from featurize import tolerances as tol
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Kind, Vec3
from featurize.recognise.scene import reach
from routing.processes.approaches import approaches
from routing.processes.context import JobContext
from routing.processes.corners import Corner, inside_corners, inside_feet
from routing.processes.heights import HeightGrid
from routing.processes.protocol import furthest
from routing.processes.sight import hidden_from
from routing.processes.sink_erode.shop import Electrodes, ErodeShop
from routing.processes.sink_erode.verdict import SINK, SinkVerdict
from routing.processes.undercut import Disc, disc_refusal, is_undercut, ways


def judge(job: JobContext, feature: Feature) -> SinkVerdict:
    """The first side from which an electrode makes a feature, else the refusal that says most."""
    if not job.uses(SINK):
        return _no(f"the shop does not erode {job.material.name}")
    answers = []
    for toward in approaches(job, feature):
        answers.append(_from(job, feature, toward))
        if answers[-1].workable:
            return answers[-1]
    straight = furthest(answers)
    if not is_undercut(feature):
        return straight
    moved = _moved(job, feature)
    return moved if moved.workable else replace(moved, reason=f"{straight.reason}; {moved.reason}")


def leaves_mm(electrodes: Electrodes) -> float:
    """The smallest inside radius: the electrode's own edge, carried outwards by the gap."""
    return electrodes.corner_radius_mm + electrodes.finish_gap_mm


def _from(job: JobContext, feature: Feature, toward: Array) -> SinkVerdict:
    owned = job.shop[ErodeShop].electrodes
    side = job.side_name(toward)
    if hidden := hidden_from(job, feature.faces, toward):
        how = "looks away from" if hidden.undercut else "hides it from"
        return _no(f"{job.call(hidden.face)} {how} {side}", place=hidden.place, progress=0)
    corners = sorted(
        inside_corners(job, feature, toward) + inside_feet(job, feature, toward), key=lambda c: c.radius_mm
    )
    reach = leaves_mm(owned)
    leave = job.shop.general.sharp_corner_leave_mm
    for corner in corners:
        if reach > (corner.radius_mm or leave) + tol.LENGTH_MM:
            return _no(_corner_reason(corner, owned, leave), place=corner.place, progress=2)
    grid = HeightGrid.of(job, feature, toward)
    if grid.depth_mm > owned.max_depth_mm:
        return _no(f"depth {grid.depth_mm:.3g} is over the electrodes' {owned.max_depth_mm:g}", progress=2)
    half = owned.min_width_mm / 2 + owned.finish_gap_mm
    upright = [c.place for c in inside_corners(job, feature, toward) if c.radius_mm < half]
    gap = grid.too_narrow(half, upright)
    if gap is not None:
        return _no(
            f"a gap is under the {owned.min_width_mm:g} electrode and twice its {owned.finish_gap_mm:g} gap",
            place=gap,
            progress=2,
        )
    words = [f"seen whole from {side}", f"depth {grid.depth_mm:.3g}"]
    if corners:
        r = corners[0].radius_mm
        words.append(f"tightest inside corner R {r:.3g} left at R {max(r, reach):.3g}")
    return SinkVerdict(
        process=SINK,
        workable=True,
        reason=", ".join(words),
        approaches=(job.approach(toward),),
        depth_mm=grid.depth_mm,
    )


def _moved(job: JobContext, feature: Feature) -> SinkVerdict:
    """An electrode that passes the mouth and is moved sideways below it."""
    answers = [_moved_from(job, feature, toward) for toward in ways(feature)]
    return next((v for v in answers if v.workable), answers[0])


def _moved_from(job: JobContext, feature: Feature, toward: Array) -> SinkVerdict:
    owned, dims, side = job.shop[ErodeShop].electrodes, feature.dims, job.side_name(toward)
    both = 2 * owned.finish_gap_mm
    depth = reach(job.scene, [f.id for f in job.part.faces], toward) + reach(
        job.scene, feature.faces, -toward
    )
    if depth > owned.max_depth_mm:
        return _no(f"depth {depth:.3g} is over the electrodes' {owned.max_depth_mm:g}", progress=2)
    stem = max(owned.min_width_mm, depth / owned.stem_ratio)
    if feature.kind == Kind.GROOVE:
        sideways, height = dims["depth_mm"], dims["width_mm"]
        head = 2 * sideways + stem + both
    else:
        sideways, height = (dims["head_width_mm"] - dims["neck_width_mm"]) / 2, dims["head_height_mm"]
        head = dims["neck_width_mm"]
    if height < owned.min_width_mm + both:
        return _no(
            f"height {height:.3g} is under the {owned.min_width_mm:g} electrode and its gaps", progress=2
        )
    disc = Disc(head, height, stem + both, depth, stem + both)
    if no := disc_refusal(job, feature, disc, toward, whole=True):
        what = f"an electrode of {head - both:.3g} on a stem of {stem:.3g}, moved sideways below its mouth"
        return _no(f"{what}: {no.words}", place=no.place, progress=1)
    leave, reached = job.shop.general.sharp_corner_leave_mm, leaves_mm(owned)
    for corner in inside_corners(job, feature, toward) + inside_feet(job, feature, toward):
        if reached > (corner.radius_mm or leave) + tol.LENGTH_MM:
            return _no(_corner_reason(corner, owned, leave), place=corner.place, progress=2)
    words = f"electrode {head - both:.3g} on a stem of {stem:.3g} from {side}, moved {sideways:.3g} sideways"
    return SinkVerdict(
        process=SINK,
        workable=True,
        reason=words,
        approaches=(job.approach(toward),),
        depth_mm=depth,
        sideways_mm=sideways,
    )


def _corner_reason(corner: Corner, owned: Electrodes, leave_mm: float) -> str:
    tool = f"the {owned.corner_radius_mm:g} electrode corner plus {owned.finish_gap_mm:g} gap"
    if corner.radius_mm:
        return f"inside corner R {corner.radius_mm:.3g} is under {tool}"
    return f"sharp inside corner: {tool} would leave more than the accepted R {leave_mm:g}"


def _no(reason: str, *, place: Vec3 | None = None, progress: int = 0) -> SinkVerdict:
    return SinkVerdict(process=SINK, workable=False, reason=reason, place=place, progress=progress)

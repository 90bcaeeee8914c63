"""Sink-erosion: an electrode of the feature's own shape, sunk from one side and orbited.

Into an undercut a flat electrode on a stem is sunk to its depth and moved sideways, as a side cutter is.
"""

from __future__ import annotations

from dataclasses import replace

from featurize import tolerances as tol
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Kind, Vec3
from featurize.recognise.scene import reach
from routing.processes.approaches import approaches, furthest, side_name
from routing.processes.base import JobContext, Verdict
from routing.processes.corners import Corner, inside_corners, inside_feet
from routing.processes.heights import HeightGrid
from routing.processes.shop import Electrodes
from routing.processes.sight import hidden_from
from routing.processes.undercut import Disc, disc_refusal, is_undercut, ways

ORDER = 40
NAME = "sink-erode"


class SinkErosion:
    name = NAME

    def judge(self, job: JobContext, feature: Feature) -> Verdict:
        if NAME not in job.shop.rule(job.material).processes:
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


PROCESS = SinkErosion()


def leaves_mm(electrodes: Electrodes) -> float:
    """The smallest inside radius: the electrode's own edge, carried outwards by the gap."""
    return electrodes.corner_radius_mm + electrodes.finish_gap_mm


def _from(job: JobContext, feature: Feature, toward: Array) -> Verdict:
    owned = job.shop.electrodes
    side = side_name(job, toward)
    if hidden := hidden_from(job, feature.faces, toward):
        how = "looks away from" if hidden.undercut else "hides it from"
        return _no(f"{job.call(hidden.face)} {how} {side}", place=hidden.place, stage=0.0)
    corners = sorted(
        inside_corners(job, feature, toward) + inside_feet(job, feature, toward), key=lambda c: c.radius_mm
    )
    reach = leaves_mm(owned)
    leave = job.shop.general.sharp_corner_leave_mm
    for corner in corners:
        if reach > (corner.radius_mm or leave) + tol.LENGTH_MM:
            return _no(_corner_reason(corner, owned, leave), place=corner.place, stage=2.0)
    grid = HeightGrid.of(job, feature, toward)
    if grid.depth_mm > owned.max_depth_mm:
        return _no(f"depth {grid.depth_mm:.3g} is over the electrodes' {owned.max_depth_mm:g}", stage=2.0)
    half = owned.min_width_mm / 2 + owned.finish_gap_mm
    upright = [c.place for c in inside_corners(job, feature, toward) if c.radius_mm < half]
    gap = grid.too_narrow(half, upright)
    if gap is not None:
        return _no(
            f"a gap is under the {owned.min_width_mm:g} electrode and twice its {owned.finish_gap_mm:g} gap",
            place=gap,
            stage=2.0,
        )
    words = [f"seen whole from {side}", f"depth {grid.depth_mm:.3g}"]
    if corners:
        r = corners[0].radius_mm
        words.append(f"tightest inside corner R {r:.3g} left at R {max(r, reach):.3g}")
    details: dict[str, float | str] = {
        "side": side,
        "depth_mm": grid.depth_mm,
        "finish_gap_mm": owned.finish_gap_mm,
        # Roughing and finishing electrodes of one size differ in gap: the orbit makes up for it.
        "orbit_mm": owned.rough_gap_mm - owned.finish_gap_mm,
    }
    return Verdict(NAME, True, ", ".join(words), details=details)


def _moved(job: JobContext, feature: Feature) -> Verdict:
    """An electrode that passes the mouth and is moved sideways below it."""
    answers = [_moved_from(job, feature, toward) for toward in ways(feature)]
    return next((v for v in answers if v.workable), answers[0])


def _moved_from(job: JobContext, feature: Feature, toward: Array) -> Verdict:
    owned, dims, side = job.shop.electrodes, feature.dims, side_name(job, toward)
    both = 2 * owned.finish_gap_mm
    depth = reach(job.scene, [f.id for f in job.part.faces], toward) + reach(
        job.scene, feature.faces, -toward
    )
    if depth > owned.max_depth_mm:
        return _no(f"depth {depth:.3g} is over the electrodes' {owned.max_depth_mm:g}", stage=2.0)
    stem = max(owned.min_width_mm, depth / owned.stem_ratio)
    if feature.kind == Kind.GROOVE:
        sideways, height = dims["depth_mm"], dims["width_mm"]
        head = 2 * sideways + stem + both
    else:
        sideways, height = (dims["head_width_mm"] - dims["neck_width_mm"]) / 2, dims["head_height_mm"]
        head = dims["neck_width_mm"]
    if height < owned.min_width_mm + both:
        return _no(
            f"height {height:.3g} is under the {owned.min_width_mm:g} electrode and its gaps", stage=2.0
        )
    disc = Disc(head, height, stem + both, depth, stem + both)
    if no := disc_refusal(job, feature, disc, toward, whole=True):
        what = f"an electrode of {head - both:.3g} on a stem of {stem:.3g}, moved sideways below its mouth"
        return _no(f"{what}: {no.words}", place=no.place, stage=1.0)
    leave, reached = job.shop.general.sharp_corner_leave_mm, leaves_mm(owned)
    for corner in inside_corners(job, feature, toward) + inside_feet(job, feature, toward):
        if reached > (corner.radius_mm or leave) + tol.LENGTH_MM:
            return _no(_corner_reason(corner, owned, leave), place=corner.place, stage=2.0)
    words = f"electrode {head - both:.3g} on a stem of {stem:.3g} from {side}, moved {sideways:.3g} sideways"
    details: dict[str, float | str] = {
        "side": side,
        "depth_mm": depth,
        "finish_gap_mm": owned.finish_gap_mm,
        "orbit_mm": owned.rough_gap_mm - owned.finish_gap_mm,
        "sideways_mm": sideways,
        "electrode_mm": head - both,
        "stem_mm": stem,
    }
    return Verdict(NAME, True, words, details=details)


def _corner_reason(corner: Corner, owned: Electrodes, leave_mm: float) -> str:
    tool = f"the {owned.corner_radius_mm:g} electrode corner plus {owned.finish_gap_mm:g} gap"
    if corner.radius_mm:
        return f"inside corner R {corner.radius_mm:.3g} is under {tool}"
    return f"sharp inside corner: {tool} would leave more than the accepted R {leave_mm:g}"


def _no(reason: str, *, place: Vec3 | None = None, stage: float = 0.0) -> Verdict:
    return Verdict(NAME, False, reason, place=place, details={"stage": stage})

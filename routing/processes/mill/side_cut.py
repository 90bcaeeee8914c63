"""Side cutters in undercuts: which of the shop's makes one, and what it leaves in tight corners."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from featurize import tolerances as tol
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Kind, Role
from featurize.recognise.scene import reach
from routing.processes.context import JobContext
from routing.processes.corners import Corner, inside_corners
from routing.processes.mill.shop import MillShop
from routing.processes.mill.verdict import MILL, MillVerdict
from routing.processes.protocol import Rest
from routing.processes.tools import SideCutter
from routing.processes.undercut import Disc, DiscRefusal, disc_refusal, ways

# Flanks and cutters lean alike within this: what a dovetail's gauge pins would show (common practice).
_ANGLE_DEG = 0.5


def side_cut(job: JobContext, feature: Feature) -> MillVerdict:
    """What the shop's side cutters make of an undercut: the largest that fits."""
    kind, angle = _form(feature)
    if kind is None:
        return _refused(DiscRefusal(0, "its flanks lean: no cutter of the shop has its form"))
    owned = [
        c
        for c in job.shop[MillShop].side_cutters
        if c.kind == kind and abs(c.angle_deg - angle) < _ANGLE_DEG + 1e-9
    ]
    if not owned:
        of = f" of {angle:.3g} deg" if kind == "dovetail" else ""
        return _refused(DiscRefusal(0, f"undercut: the shop owns no {kind} cutter{of}"))
    smallest = job.shop.rule(job.material).smallest_cutter_mm
    refusals, but_corners = [], None
    for cutter in sorted(
        (c for c in owned if c.head_mm >= smallest), key=lambda c: (-c.head_mm, -c.width_mm)
    ):
        disc = _held(job, cutter)
        for toward in ways(feature):
            no = disc_refusal(job, feature, disc, toward)
            if no is None:
                made = _made(job, feature, cutter, disc, toward)
                if made.workable:
                    return made
                but_corners = made  # a smaller one leaves less
                continue
            refusals.append(
                DiscRefusal(no.progress, f"{cutter.head_mm:g} {kind} cutter: {no.words}", no.place)
            )
    if but_corners is not None:
        return but_corners
    best = max(
        refusals, key=lambda no: no.progress, default=DiscRefusal(0, "no side cutter is sensible here")
    )
    return _refused(best)


def _form(feature: Feature) -> tuple[str | None, float]:
    """The kind of cutter and its angle; a groove with leaning flanks wants a form of its own."""
    if feature.kind == Kind.GROOVE:
        return (None, 0.0) if "neck_width_mm" in feature.dims else ("t-slot", 90.0)
    angle = feature.dims.get("flank_angle_deg")
    return ("t-slot", 90.0) if angle is None else ("dovetail", angle)


def _held(job: JobContext, cutter: SideCutter) -> Disc:
    """The cutter with the reach that the material bears on its neck."""
    reach_mm = min(cutter.reach_mm, job.shop.rule(job.material).length_ratio * cutter.neck_mm)
    shank = max(job.shop[MillShop].holding.shank_mm, cutter.neck_mm)
    return Disc(cutter.head_mm, cutter.width_mm, cutter.neck_mm, reach_mm, shank)


def _made(job: JobContext, feature: Feature, cutter: SideCutter, disc: Disc, toward: Array) -> MillVerdict:
    """Workable, but for inside corners tighter than the head, which are left to others."""
    side = job.side_name(toward)
    words = [
        f"{cutter.head_mm:g} {cutter.kind} cutter from {side}",
        f"neck {cutter.neck_mm:g}, reaches {disc.sideways_mm:.3g} sideways",
    ]
    if feature.kind == Kind.GROOVE:
        words.append(f"groove {feature.dims['depth_mm']:.3g} deep")
    made = MillVerdict(
        process=MILL,
        workable=True,
        reason=", ".join(words),
        approaches=(job.approach(toward),),
        tool=cutter,
        reach_mm=disc.reach_mm,
    )
    height = feature.dims.get("head_height_mm", feature.dims["width_mm"])
    corners = [c for c in inside_corners(job, feature, toward) if not _in_neck(job, feature, toward, c)]
    return but_for(job, made, corners, disc.head_mm / 2, height)


def neck_corners(job: JobContext, feature: Feature, toward: Array) -> list[Corner]:
    """Inside corners of a slot's neck, which the cutter that opens it makes."""
    return [c for c in inside_corners(job, feature, toward) if _in_neck(job, feature, toward, c)]


def _in_neck(job: JobContext, feature: Feature, toward: Array, corner: Corner) -> bool:
    roofs = () if feature.kind == Kind.GROOVE else feature.faces_with(Role.ROOF)
    level = max((reach(job.scene, [f], toward) for f in roofs), default=np.inf)
    return bool(np.array(corner.place) @ toward > level + tol.SURFACE_MM)


def but_for(
    job: JobContext, made: MillVerdict, corners: Sequence[Corner], radius_mm: float, height_mm: float
) -> MillVerdict:
    """The same, or a refusal for inside corners tighter than a cutter, which are left to a later process."""
    least = [max(c.radius_mm, job.shop.general.sharp_corner_leave_mm) for c in corners]
    tight = [c for c, r in zip(corners, least, strict=True) if r < radius_mm - tol.SURFACE_MM]
    if not tight:
        return made
    volume = sum(c.left_mm2(radius_mm) for c in tight) * height_mm
    words = f"{len(tight)} inside corner{'s' if len(tight) > 1 else ''} left at R {radius_mm:g}"
    places = tuple(c.place for c in tight)
    before = made.rest
    if before is not None:
        words, volume, places = f"{before.words}, {words}", before.volume_mm3 + volume, before.places + places
    radius = min(c.radius_mm for c in tight)
    reason = f"inside corner R {radius:.3g} is under the cutter's radius {radius_mm:.3g} ({made.reason})"
    return replace(
        made,
        workable=False,
        reason=reason if before is None else made.reason,
        shortfall_mm3=volume,
        place=places[0],
        progress=5,
        rest=Rest(words, volume, places),
    )


def _refused(no: DiscRefusal) -> MillVerdict:
    return MillVerdict(process=MILL, workable=False, reason=no.words, place=no.place, progress=no.progress)

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
from routing.processes.mill.pace import owned, reach_mm, slender_flags
from routing.processes.mill.region import region_of
from routing.processes.mill.shop import MillShop
from routing.processes.mill.verdict import MILL, FinishCut, MillingWay, MillVerdict, RoughCut
from routing.processes.protocol import Rest
from routing.processes.sizes import area_of_faces, whole_volume
from routing.processes.tools import Cutter, SideCutter
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
    smallest = job.rule().smallest_cutter_mm
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
    reach_mm = min(cutter.reach_mm, job.rule().length_ratio * cutter.neck_mm)
    shank = max(job.shop[MillShop].holding.shank_mm, cutter.neck_mm)
    return Disc(cutter.head_mm, cutter.width_mm, cutter.neck_mm, reach_mm, shank)


def _made(job: JobContext, feature: Feature, cutter: SideCutter, disc: Disc, toward: Array) -> MillVerdict:
    """Workable, but for inside corners tighter than the head, which are left to others."""
    side = job.side_name(toward)
    words = [
        f"{cutter} from {side}",
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


def neck_first(job: JobContext, feature: Feature, neck_mm: float, answer: MillVerdict) -> MillVerdict:
    """A flat cutter opens the neck to the floor, then the side cutter follows."""
    assert feature.axis is not None
    toward, depth = np.array(feature.axis.direction), feature.dims["depth_mm"]
    shop = job.shop[MillShop]
    margin = shop.milling.corner_margin_mm
    flat = [c for c in owned(job) if c.form == "flat" and shop.kind_of(c).rough > 0]
    flat = [c for c in flat if c.diameter_mm + 2 * margin <= neck_mm + tol.SURFACE_MM]
    flat = [c for c in flat if reach_mm(job, c) >= depth - tol.SURFACE_MM]
    if not flat:
        return _refused(DiscRefusal(2, f"no flat cutter opens the neck {neck_mm:.3g} to depth {depth:.3g}"))
    corners = neck_corners(job, feature, toward)
    tightest = min((c.radius_mm for c in corners), default=np.inf)
    fits = [c for c in flat if c.radius_mm + margin <= tightest + tol.SURFACE_MM]
    first = max(fits or flat, key=lambda c: (c.diameter_mm, -c.neck_mm))
    answer = replace(answer, reason=f"{first} for the neck, then {answer.reason}")
    answer = with_way(job, feature, answer, first)
    return but_for(job, answer, corners, first.radius_mm, depth)


def with_way(job: JobContext, feature: Feature, answer: MillVerdict, first: Cutter | None) -> MillVerdict:
    """The cutters of an undercut: the neck's, then the side cutter for what that one leaves."""
    tool = answer.tool
    assert isinstance(tool, SideCutter)
    toward = answer.approach.direction
    region = region_of(job, feature, toward)
    volume = whole_volume(job, feature)
    share = _neck_share(feature) if first is not None else 0.0
    rough = [RoughCut(first, share * volume)] if first is not None else []
    rough.append(RoughCut(tool, (1 - share) * volume))
    finish = (FinishCut(tool, "all", area_of_faces(job, feature.faces)),)
    efforts = [region.roughing(cut) for cut in rough]
    efforts += [region.finishing(cut, semi=semi) for cut in finish for semi in (True, False)]
    pace = region.pace(tool)
    way = MillingWay(
        tool,
        tuple(rough),
        finish,
        sum(e.minutes for e in efforts),
        region.money(efforts),
        tool.width_mm,
        pace.slender,
        pace.stiff,
    )
    return replace(answer, way=way, flags=slender_flags(job, feature, [(tool, pace)]))


def _neck_share(feature: Feature) -> float:
    """The neck's share of an undercut slot's section."""
    dims = feature.dims
    neck = dims["neck_width_mm"] * dims["depth_mm"]
    beside = (dims["head_width_mm"] - dims["neck_width_mm"]) * dims["head_height_mm"]
    return neck / (neck + (beside / 2 if "flank_angle_deg" in dims else beside))


def _refused(no: DiscRefusal) -> MillVerdict:
    return MillVerdict(process=MILL, workable=False, reason=no.words, place=no.place, progress=no.progress)

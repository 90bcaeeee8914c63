"""Side cutters: a head on a thinner neck, moved along an undercut slot or round a groove.

The head passes a mouth that the neck then follows, and reaches half of (head - neck) beyond what the neck
touches. ``docs/reach.md`` derives the limits. Widths and depths are exact, from the feature's sizes; what
stands in the way of head, neck and shank is told by rays through the mesh, round each of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from featurize import tolerances as tol
from featurize.brep.rays import escapes, first_hits, hit_counts
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Kind, Role, Vec3
from featurize.recognise.scene import reach, vec
from routing.processes.approaches import side_name
from routing.processes.base import JobContext, Rest, Verdict
from routing.processes.corners import Corner, inside_corners, is_wall
from routing.processes.heights import HeightGrid
from routing.processes.shop import SideCutter
from routing.processes.sight import hits

# Flanks and cutters lean alike within this: what a dovetail's gauge pins would show (common practice).
_ANGLE_DEG = 0.5
# Rays round a head or a shank, on circles of these shares of its radius.
_BEARINGS = np.linspace(0, 2 * np.pi, 16, endpoint=False)
_CIRCLES = (0.05, 0.5, 1.0)


@dataclass(frozen=True)
class _No:
    """``stage`` tells how far the question came before the answer was no."""

    stage: int
    words: str
    place: Vec3 | None = None


@dataclass(frozen=True)
class Disc:
    """A round tool moved sideways: its head, the neck that carries it, and what is thicker above that."""

    head_mm: float
    width_mm: float
    neck_mm: float
    reach_mm: float
    shank_mm: float

    @property
    def sideways_mm(self) -> float:
        """How far the head reaches beyond what the neck touches."""
        return (self.head_mm - self.neck_mm) / 2


def is_undercut(feature: Feature) -> bool:
    """Whether no straight tool comes at all of a feature: it is roofed, or a groove in a wall."""
    # A person may call anything a groove: it is judged as one where it was measured as one.
    groove = feature.kind == Kind.GROOVE and {"width_mm", "depth_mm"} <= feature.dims.keys()
    return groove or Role.ROOF in feature.roles.values()


def side_cut(job: JobContext, feature: Feature, name: str) -> Verdict:
    """What the shop's side cutters make of an undercut, as the process ``name``: the largest that fits."""
    kind, angle = _form(feature)
    if kind is None:
        return _refused(name, _No(0, "its flanks lean: no cutter of the shop has its form"))
    owned = [
        c for c in job.shop.side_cutters if c.kind == kind and abs(c.angle_deg - angle) < _ANGLE_DEG + 1e-9
    ]
    if not owned:
        of = f" of {angle:.3g} deg" if kind == "dovetail" else ""
        return _refused(name, _No(0, f"undercut: the shop owns no {kind} cutter{of}"))
    smallest = job.shop.rule(job.material).smallest_cutter_mm
    refusals, but_corners = [], None
    for cutter in sorted(
        (c for c in owned if c.head_mm >= smallest), key=lambda c: (-c.head_mm, -c.width_mm)
    ):
        disc = _held(job, cutter)
        for toward in ways(feature):
            no = disc_refusal(job, feature, disc, toward)
            if no is None:
                made = _made(job, feature, name, cutter, disc, toward)
                if made.workable:
                    return made
                but_corners = made  # a smaller one leaves less
                continue
            refusals.append(_No(no.stage, f"{cutter.head_mm:g} {kind} cutter: {no.words}", no.place))
    if but_corners is not None:
        return but_corners
    best = max(refusals, key=lambda no: no.stage, default=_No(0, "no side cutter is sensible here"))
    return _refused(name, best)


def cut_mm3(job: JobContext, feature: Feature) -> float:
    """The volume of an undercut up to its level mouth, or to one that stands upright as a groove's does.

    Each facet carries the column between it and the mouth; a roof's is taken off (Gauss's theorem).
    """
    assert feature.axis is not None
    along = np.array(feature.axis.direction)
    corners = job.triangles(feature.faces)
    levels = corners @ along
    facing = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) @ along / 2
    return float(np.sum(facing * (levels.max() - levels.mean(axis=1))))


def _form(feature: Feature) -> tuple[str | None, float]:
    """The kind of cutter and its angle; a groove with leaning flanks wants a form of its own."""
    if feature.kind == Kind.GROOVE:
        return (None, 0.0) if "neck_width_mm" in feature.dims else ("t-slot", 90.0)
    angle = feature.dims.get("flank_angle_deg")
    return ("t-slot", 90.0) if angle is None else ("dovetail", angle)


def _held(job: JobContext, cutter: SideCutter) -> Disc:
    """The cutter with the reach that the material bears on its neck."""
    reach_mm = min(cutter.reach_mm, job.shop.rule(job.material).length_ratio * cutter.neck_mm)
    shank = max(job.shop.holding.shank_mm, cutter.neck_mm)
    return Disc(cutter.head_mm, cutter.width_mm, cutter.neck_mm, reach_mm, shank)


def ways(feature: Feature) -> Iterator[Array]:
    """Out of the mouth; of a turned groove along its axis, either way."""
    assert feature.axis is not None
    along = np.array(feature.axis.direction)
    yield along
    if feature.kind == Kind.GROOVE and Role.ROOF not in feature.roles.values():
        yield -along


def _made(
    job: JobContext, feature: Feature, name: str, cutter: SideCutter, disc: Disc, toward: Array
) -> Verdict:
    """Workable, but for inside corners tighter than the head, which are left to others."""
    side = side_name(job, toward)
    words = [
        f"{cutter.head_mm:g} {cutter.kind} cutter from {side}",
        f"neck {cutter.neck_mm:g}, reaches {disc.sideways_mm:.3g} sideways",
    ]
    if feature.kind == Kind.GROOVE:
        words.append(f"groove {feature.dims['depth_mm']:.3g} deep")
    details: dict[str, float | str] = {
        "cutter_mm": cutter.head_mm,
        "cutter": cutter.kind,
        "neck_mm": cutter.neck_mm,
        "reach_mm": disc.reach_mm,
        "side": side,
    }
    made = Verdict(name, True, ", ".join(words), details=details)
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
    job: JobContext, made: Verdict, corners: Sequence[Corner], radius_mm: float, height_mm: float
) -> Verdict:
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
        details={**made.details, "stage": 5.0},
        rest=Rest(words, volume, places),
    )


def disc_refusal(
    job: JobContext, feature: Feature, disc: Disc, toward: Array, *, whole: bool = False
) -> _No | None:
    """Why a tool cannot make an undercut from a side; None when it can, but for tight corners.

    A tool that is ``whole`` has the length of a groove in a wall, and must come in before all of it at once.
    """
    if feature.kind == Kind.GROOVE:
        return _round_refusal(job, feature, disc, toward, whole=whole and feature.run is not None)
    return _along_refusal(job, feature, disc, toward)


def _along_refusal(job: JobContext, feature: Feature, disc: Disc, toward: Array) -> _No | None:
    """Along a T-slot or dovetail."""
    dims = feature.dims
    neck, head, height, depth = (
        dims[k] for k in ("neck_width_mm", "head_width_mm", "head_height_mm", "depth_mm")
    )
    if disc.neck_mm > neck - tol.SURFACE_MM:
        return _No(1, f"its neck {disc.neck_mm:g} does not pass the slot's {neck:.3g}")
    if disc.head_mm > head + tol.SURFACE_MM:
        return _No(1, f"it is wider than the slot's head {head:.3g}")
    leans = "flank_angle_deg" in dims
    if not leans and disc.width_mm > height + tol.SURFACE_MM:
        return _No(2, f"its width {disc.width_mm:g} is over the head's height {height:.3g}")
    if leans and disc.width_mm < height - tol.SURFACE_MM:
        return _No(2, f"its width {disc.width_mm:g} is under the flank's height {height:.3g}")
    sideways = (head - neck) / 2
    if disc.sideways_mm < sideways - tol.SURFACE_MM:
        return _No(3, f"it reaches {disc.sideways_mm:.3g} sideways, the slot's head {sideways:.3g}")
    if depth - disc.width_mm > disc.reach_mm + tol.SURFACE_MM:
        return _No(3, f"depth {depth:.3g} is over its width and {disc.reach_mm:.3g} reach")
    grid = HeightGrid.of(job, feature, toward)
    above = grid.floor_mm + disc.width_mm + disc.reach_mm
    if (
        grid.top_mm > above + tol.LENGTH_MM
        and grid.beside_path_mm(disc.neck_mm / 2, above) < disc.shank_mm / 2
    ):
        return _No(3, f"what stands beside it is in the way of the {disc.shank_mm:g} shank")
    if feature.kind == Kind.POCKET and (room := _room_mm(grid)) < disc.head_mm - grid.pitch_mm:
        return _No(4, f"no way in: the slot is closed, and its mouth has room for {room:.2g} only")
    return None


def _room_mm(grid: HeightGrid) -> float:
    """The largest disc that goes straight down to a feature's floor, to a pitch of the grid."""
    free = grid.heights <= grid.floor_mm + max(0.02, 0.05 * grid.depth_mm)
    away = ndimage.distance_transform_edt(np.pad(free & grid.mine, 1))
    return 2 * float(away.max()) * grid.pitch_mm


def _round_refusal(
    job: JobContext, feature: Feature, disc: Disc, toward: Array, *, whole: bool
) -> _No | None:
    """Round a turned groove, or along one in the walls of a recess."""
    width, depth = feature.dims["width_mm"], feature.dims["depth_mm"]
    if disc.width_mm > width + tol.SURFACE_MM:
        return _No(1, f"its width {disc.width_mm:g} is over the groove's {width:.3g}")
    inside = not feature.opens_to and "diameter_mm" in feature.dims
    if inside and disc.head_mm > (bore := feature.dims["diameter_mm"] - 2 * depth) + tol.SURFACE_MM:
        return _No(1, f"it does not pass the bore of {bore:.3g}")
    if disc.sideways_mm < depth - tol.SURFACE_MM:
        return _No(3, f"it reaches {disc.sideways_mm:.3g} sideways, the groove is {depth:.3g} deep")
    points, normals = _backs(job, feature, toward)
    if not len(points):
        return _No(0, "the groove has no back that it could follow")
    mesh = job.part.mesh
    slack = 4 * mesh.deflection_mm
    across = hits(mesh, points, normals)[0]
    if float(across.min()) + slack < disc.head_mm:
        return _No(
            2, f"there is room for {float(across.min()):.3g} before its back", vec(points[across.argmin()])
        )
    low = -reach(job.scene, feature.faces, -toward)
    back = normals * (depth + disc.head_mm / 2)
    heads = _rings(points + back, toward, low + slack, disc.head_mm / 2 - slack)
    clear_in = escapes(mesh, heads, toward).reshape(len(points), -1).all(axis=1)
    if not (clear_in.all() if whole else clear_in.any()):
        return _No(
            2, f"no way in from {side_name(job, toward)}: there is no room for its head beside the groove"
        )
    at_work = points + normals * disc.head_mm / 2
    roof = low + width
    necks = _rings(at_work, toward, roof + slack, disc.neck_mm / 2 - slack)
    free = disc.reach_mm + disc.width_mm - width
    inside_metal = hit_counts(mesh, necks, toward) % 2 == 1
    blocked = inside_metal | (first_hits(mesh, necks, toward)[0] < free - slack)
    if blocked.any():
        return _No(
            3,
            f"what stands over the groove is in the way of its neck {disc.neck_mm:g}",
            vec(necks[blocked][0]),
        )
    shanks = _rings(at_work, toward, low + disc.width_mm + disc.reach_mm, disc.shank_mm / 2 - slack)
    stopped = ~escapes(mesh, shanks, toward)
    if stopped.any():
        words = (
            f"reach {disc.reach_mm:.3g} is too short: its shank {disc.shank_mm:g} meets what stands over it"
        )
        return _No(4, words, vec(shanks[stopped][0]))
    return None


def _backs(job: JobContext, feature: Feature, toward: Array) -> tuple[Array, Array]:
    """Samples (n, 3) of a groove's back and their normals, square to the tool."""
    ids: Sequence[int] = feature.faces_with(Role.FLOOR)
    if Role.ROOF in feature.roles.values():
        ids = [f for f in feature.faces if is_wall(job.part.faces[f], toward, 5)]
        if feature.run is not None:  # not its ends
            run = np.array(feature.run)
            ids = [f for f in ids if abs(float(job.part.faces[f].normals.mean(axis=0) @ run)) < 0.7]
    if not ids:
        return np.zeros((0, 3)), np.zeros((0, 3))
    normals = np.vstack([job.part.faces[f].normals for f in ids])
    normals = normals - np.outer(normals @ toward, toward)
    points = np.vstack([job.scene.off_surface(f) for f in ids])
    return points, normals / np.linalg.norm(normals, axis=1, keepdims=True)


def _rings(centres: Array, toward: Array, level_mm: float, radius_mm: float) -> Array:
    """Points (n * m, 3) on circles round each centre, at a level along ``toward``."""
    seed = np.eye(3)[int(np.argmin(np.abs(toward)))]
    u = np.cross(toward, seed)
    u /= np.linalg.norm(u)
    v = np.cross(toward, u)
    circle = np.outer(np.cos(_BEARINGS), u) + np.outer(np.sin(_BEARINGS), v)
    offsets = np.vstack([share * max(radius_mm, 0.0) * circle for share in _CIRCLES])
    flat = centres - np.outer(centres @ toward - level_mm, toward)
    return np.asarray((flat[:, None] + offsets[None]).reshape(-1, 3))


def _refused(name: str, no: _No) -> Verdict:
    return Verdict(name, False, no.words, place=no.place, details={"stage": float(no.stage)})

"""A head on a thinner neck, moved along an undercut slot or round a groove: side cutters, and electrodes.

The head passes a mouth that the neck then follows, and reaches half of (head - neck) beyond what the neck
touches. ``docs/reach.md`` derives the limits. Widths and depths are exact, from the feature's sizes; what
stands in the way of head, neck and shank is told by rays through the mesh, round each of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from featurize import tolerances as tol
from featurize.brep.rays import escapes, first_hits, hit_counts
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Kind, Role, Vec3
from featurize.recognise.scene import reach, vec
from routing.processes.context import JobContext
from routing.processes.corners import is_wall
from routing.processes.heights import HeightGrid
from routing.processes.sight import hits

# Rays round a head or a shank, on circles of these shares of its radius.
_BEARINGS = np.linspace(0, 2 * np.pi, 16, endpoint=False)
_CIRCLES = (0.05, 0.5, 1.0)


@dataclass(frozen=True)
class DiscRefusal:
    """``progress`` tells how far the question came before the answer was no."""

    progress: int
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
    in_a_face = len(feature.opens_to) == 1 and "neck_width_mm" not in feature.dims
    return (groove and not in_a_face) or Role.ROOF in feature.roles.values()


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


def ways(feature: Feature) -> Iterator[Array]:
    """Out of the mouth; of a turned groove along its axis, either way."""
    assert feature.axis is not None
    along = np.array(feature.axis.direction)
    yield along
    if feature.kind == Kind.GROOVE and Role.ROOF not in feature.roles.values():
        yield -along


def disc_refusal(
    job: JobContext, feature: Feature, disc: Disc, toward: Array, *, whole: bool = False
) -> DiscRefusal | None:
    """Why a tool cannot make an undercut from a side; None when it can, but for tight corners.

    A tool that is ``whole`` has the length of a groove in a wall, and must come in before all of it at once.
    """
    if feature.kind == Kind.GROOVE:
        return _round_refusal(job, feature, disc, toward, whole=whole and feature.run is not None)
    return _along_refusal(job, feature, disc, toward)


def _along_refusal(job: JobContext, feature: Feature, disc: Disc, toward: Array) -> DiscRefusal | None:
    """Along a T-slot or dovetail."""
    dims = feature.dims
    neck, head, height, depth = (
        dims[k] for k in ("neck_width_mm", "head_width_mm", "head_height_mm", "depth_mm")
    )
    if disc.neck_mm > neck - tol.SURFACE_MM:
        return DiscRefusal(1, f"its neck {disc.neck_mm:g} does not pass the slot's {neck:.3g}")
    if disc.head_mm > head + tol.SURFACE_MM:
        return DiscRefusal(1, f"it is wider than the slot's head {head:.3g}")
    leans = "flank_angle_deg" in dims
    if not leans and disc.width_mm > height + tol.SURFACE_MM:
        return DiscRefusal(2, f"its width {disc.width_mm:g} is over the head's height {height:.3g}")
    if leans and disc.width_mm < height - tol.SURFACE_MM:
        return DiscRefusal(2, f"its width {disc.width_mm:g} is under the flank's height {height:.3g}")
    sideways = (head - neck) / 2
    if disc.sideways_mm < sideways - tol.SURFACE_MM:
        return DiscRefusal(3, f"it reaches {disc.sideways_mm:.3g} sideways, the slot's head {sideways:.3g}")
    if depth - disc.width_mm > disc.reach_mm + tol.SURFACE_MM:
        return DiscRefusal(3, f"depth {depth:.3g} is over its width and {disc.reach_mm:.3g} reach")
    grid = HeightGrid.of(job, feature, toward)
    above = grid.floor_mm + disc.width_mm + disc.reach_mm
    if (
        grid.top_mm > above + tol.LENGTH_MM
        and grid.beside_path_mm(disc.neck_mm / 2, above) < disc.shank_mm / 2
    ):
        return DiscRefusal(3, f"what stands beside it is in the way of the {disc.shank_mm:g} shank")
    if feature.kind == Kind.POCKET and (room := _room_mm(grid)) < disc.head_mm - grid.pitch_mm:
        return DiscRefusal(4, f"no way in: the slot is closed, and its mouth has room for {room:.2g} only")
    return None


def _room_mm(grid: HeightGrid) -> float:
    """The largest disc that goes straight down to a feature's floor, to a pitch of the grid."""
    free = grid.heights <= grid.floor_mm + max(0.02, 0.05 * grid.depth_mm)
    away = ndimage.distance_transform_edt(np.pad(free & grid.owned, 1))
    return 2 * float(away.max()) * grid.pitch_mm


def _round_refusal(
    job: JobContext, feature: Feature, disc: Disc, toward: Array, *, whole: bool
) -> DiscRefusal | None:
    """Round a turned groove, or along one in the walls of a recess."""
    width, depth = feature.dims["width_mm"], feature.dims["depth_mm"]
    if disc.width_mm > width + tol.SURFACE_MM:
        return DiscRefusal(1, f"its width {disc.width_mm:g} is over the groove's {width:.3g}")
    inside = not feature.opens_to and "diameter_mm" in feature.dims
    if inside and disc.head_mm > (bore := feature.dims["diameter_mm"] - 2 * depth) + tol.SURFACE_MM:
        return DiscRefusal(1, f"it does not pass the bore of {bore:.3g}")
    if disc.sideways_mm < depth - tol.SURFACE_MM:
        return DiscRefusal(3, f"it reaches {disc.sideways_mm:.3g} sideways, the groove is {depth:.3g} deep")
    points, normals = _backs(job, feature, toward)
    if not len(points):
        return DiscRefusal(0, "the groove has no back that it could follow")
    mesh = job.part.mesh
    slack = 4 * mesh.deflection_mm
    across = hits(mesh, points, normals)[0]
    if float(across.min()) + slack < disc.head_mm:
        return DiscRefusal(
            2, f"there is room for {float(across.min()):.3g} before its back", vec(points[across.argmin()])
        )
    low = -reach(job.scene, feature.faces, -toward)
    back = normals * (depth + disc.head_mm / 2)
    heads = _rings(points + back, toward, low + slack, disc.head_mm / 2 - slack)
    clear_in = escapes(mesh, heads, toward).reshape(len(points), -1).all(axis=1)
    if not (clear_in.all() if whole else clear_in.any()):
        return DiscRefusal(
            2, f"no way in from {job.side_name(toward)}: there is no room for its head beside the groove"
        )
    at_work = points + normals * disc.head_mm / 2
    roof = low + width
    necks = _rings(at_work, toward, roof + slack, disc.neck_mm / 2 - slack)
    free = disc.reach_mm + disc.width_mm - width
    inside_metal = hit_counts(mesh, necks, toward) % 2 == 1
    blocked = inside_metal | (first_hits(mesh, necks, toward)[0] < free - slack)
    if blocked.any():
        return DiscRefusal(
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
        return DiscRefusal(4, words, vec(shanks[stopped][0]))
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

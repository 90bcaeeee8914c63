"""The electrode: the cavity less the gap, drawn out past its mouth, on a squared base with a shank.

In model coordinates, where it stands at the end of its burn. It is verified against the part before it is
given; where it is not proven there is no body, and the reason instead.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from OCP.Bnd import Bnd_Box
from OCP.BRepAlgoAPI import BRepAlgoAPI_Common
from OCP.BRepBndLib import BRepBndLib
from OCP.BRepBuilderAPI import BRepBuilderAPI_Transform
from OCP.gp import gp_Ax3, gp_Dir, gp_Pnt, gp_Trsf
from OCP.TopAbs import TopAbs_ShapeEnum

from featurize.brep.planar_path import Segment
from featurize.brep.shapes import each
from featurize.brep.solids import KernelError, is_valid, prism, solids_of, volume_of
from featurize.brep.surfaces import Array, Plane
from routing.processes.sink_erode.cavity import (
    Cavity,
    cavity_of,
    distance_mm,
    drawn_out,
    fused,
    joined,
    vertex,
)
from routing.processes.sink_erode.shop import Electrodes
from routing.processes.sink_erode.shrink import METHODS, FilledError
from routing.processes.sink_erode.zones import Zone

# The clearance is proven to this: a tenth of what a toolroom measures.
CLEARANCE_MM = 1e-4
# ... and where the electrode should stand off the part, a point of it is found within this.
FOUND_MM = 1e-3
# The most of the part that an electrode's body may share with it, mm3.
COMMON_MM3 = 1e-6
# A body whose volume is within this of what it is joined of is that.
_SAME_SHARE = 1e-9
_PROBES_PER_FACE = 9


@dataclass(frozen=True)
class Clearance:
    """What was measured between an electrode and the part.

    ``least_mm`` is the kernel's least distance of the two bodies; ``probed`` points of the feature's faces
    were tried, at ``bound`` of them the electrode stands the gap away along the face's normal, within
    ``furthest_mm``; the others lie in corners, nearer to another wall than the gap.
    """

    least_mm: float
    probed: int
    bound: int
    furthest_mm: float


@dataclass(frozen=True, eq=False)
class ElectrodeBody:
    """``solid`` is the whole electrode, ``form`` the parts of it that burn.

    Sizes are (across, up, along) of the view. ``base_centre`` is the middle of the base's underside, in model
    mm; ``tip_mm``, ``floor_mm`` and ``base_mm`` are heights of the form's and the cavity's lowest points
    and of the underside.
    ``method`` is one of ``METHODS``.
    """

    cavity: Cavity
    gap_mm: float
    solid: Any
    form: tuple[Any, ...]
    method: str
    clearance: Clearance
    tip_mm: float
    floor_mm: float
    base_mm: float
    base_centre: Array
    size_mm: tuple[float, float, float]
    form_mm: tuple[float, float, float]
    base_size_mm: tuple[float, float, float]
    shank_mm: tuple[float, float]

    @property
    def volume_mm3(self) -> float:
        return volume_of(self.solid)

    def own_axis(self, first: Array) -> Array:
        """The direction (3,) along the base's flats that is nearest to another, within 45 degrees."""
        view = self.cavity.view
        ways = [sign * np.asarray(flat) for flat in (view.across, view.up) for sign in (1, -1)]
        return max(ways, key=lambda way: round(float(way @ first), 9))

    def in_own_frame(self, axis: Array) -> Any:
        """The electrode with its origin in ``base_centre``, X along one of the flats, Z to the shank."""
        axes = gp_Ax3(gp_Pnt(*self.base_centre), gp_Dir(*self.cavity.view.along), gp_Dir(*axis))
        move = gp_Trsf()
        move.SetTransformation(axes)
        return BRepBuilderAPI_Transform(self.solid, move, True).Shape()


def electrode_body(
    cavity: Cavity, gap_mm: float, owned: Electrodes, zones: Sequence[Zone] = ()
) -> ElectrodeBody:
    """The verified electrode of a cavity at a gap (mm a side); raises KernelError with the reason.

    With ``zones`` it burns those corners alone.
    """
    form, method, clearance = _form(cavity, gap_mm, owned)
    if zones:
        form, clearance = legs(cavity, form, gap_mm, owned, zones)
    low, high = _bounds(form, cavity)
    footing = cavity.top_mm + owned.overrun_mm
    if abs(high[2] - footing) > CLEARANCE_MM:
        raise KernelError("the form does not reach its base")
    base, sizes = _base(cavity, low, high, footing, owned)
    solid = fused([*form, *base])
    if not is_valid(solid):
        raise KernelError("the electrode is no valid body")
    # The form keeps its gap from the part's whole skin and comes out over it, where the base stands: the
    # body runs into the part only where the kernel has joined them to something else.
    joined_mm3 = sum(map(volume_of, [*form, *base]))
    if (
        abs(volume_of(solid) / joined_mm3 - 1) > _SAME_SHARE
        and _common_mm3(solid, cavity.part.solid) > COMMON_MM3
    ):
        raise KernelError("the electrode runs into the part")
    total_low, total_high = _bounds([solid], cavity)
    centre = (low[:2] + high[:2]) / 2
    return ElectrodeBody(
        cavity,
        gap_mm,
        solid,
        tuple(form),
        method,
        clearance,
        float(low[2]),
        float(_bounds(cavity.pieces, cavity)[0][2]),
        footing,
        cavity.view.solid(centre, footing),
        _triple(total_high - total_low),
        _triple(high - low),
        sizes[0],
        sizes[1],
    )


def _form(cavity: Cavity, gap_mm: float, owned: Electrodes) -> tuple[list[Any], str, Clearance]:
    """The first way of shrinking whose result is proven, the exact ones first."""
    beyond = owned.overrun_mm + gap_mm
    whys = []
    for method, shrink in METHODS.items():
        try:
            pieces = drawn_out(cavity, beyond, beyond)
            form = shrink(cavity, pieces, gap_mm, owned.overrun_mm)
            if form is None:
                continue
            return form, method, _proven(cavity, pieces, form, gap_mm)
        except FilledError as error:
            raise KernelError(str(error)) from error
        except Exception as error:  # the kernel's own have many names
            whys.append(str(error) or type(error).__name__)
    raise KernelError("; ".join(whys))


def bodies_of(
    cavity: Cavity, gaps_mm: Sequence[float], owned: Electrodes, zones: Sequence[Zone] = ()
) -> list[ElectrodeBody | str]:
    """For each gap the body, or why there is none."""
    found: list[ElectrodeBody | str] = []
    for gap in gaps_mm:
        try:
            found.append(electrode_body(cavity, gap, owned, zones))
        except Exception as error:  # the kernel's own have many names
            found.append(str(error) or type(error).__name__)
    return found


def legs(
    cavity: Cavity, form: Sequence[Any], gap_mm: float, owned: Electrodes, zones: Sequence[Zone]
) -> tuple[list[Any], Clearance]:
    """Of a proven form what burns some corners, on legs that stand back from the other walls.

    Raises KernelError unless the gap is kept in the corners and the relief elsewhere.
    """
    try:
        backed, _, _ = _form(cavity, gap_mm + owned.corner_relief_mm, owned)
    except KernelError:
        backed = []  # too narrow to stand back in: the corners' own columns are the legs
    low, high = cavity.low_mm - 1, cavity.top_mm + owned.overrun_mm + 1
    found: list[Any] = []
    for zone in zones:
        burns = _within(form, _disc(cavity, zone.centre, zone.burn_mm, low, high))
        stands = _within(backed, _disc(cavity, zone.centre, zone.leg_mm, low, high))
        if not burns:
            raise KernelError(f"no leg stands in the corner at {_at(np.array(zone.corner.place))}")
        found += [*burns, *stands]
    found = joined(found)
    return found, _proven_legs(cavity, found, gap_mm, owned, zones, relieved=bool(backed))


def _disc(cavity: Cavity, centre: Array, radius_mm: float, low: float, high: float) -> Any:
    a, b, c, d = (centre + radius_mm * np.array(p) for p in ((1, 0), (0, 1), (-1, 0), (0, -1)))
    return prism(cavity.view, [Segment(a, c, b), Segment(c, a, d)], low, high)


def _within(bodies: Sequence[Any], column: Any) -> list[Any]:
    found = []
    for body in bodies:
        operation = BRepAlgoAPI_Common(body, column)
        if not operation.IsDone():
            raise KernelError("the kernel could not cut a leg out of the form")
        found += solids_of(operation.Shape())
    return found


def _proven_legs(
    cavity: Cavity,
    found: Sequence[Any],
    gap_mm: float,
    owned: Electrodes,
    zones: Sequence[Zone],
    *,
    relieved: bool,
) -> Clearance:
    part, view = cavity.part, cavity.view
    if not all(is_valid(body) and volume_of(body) > 0 for body in found):
        raise KernelError("a leg of the electrode is no valid body")
    least = cavity.clearance_mm(found, gap_mm + CLEARANCE_MM)
    if abs(least - gap_mm) > CLEARANCE_MM:
        raise KernelError(f"the least clearance is {least:.4f}, not the {gap_mm:g} gap")
    standing = [(*_box(body), body) for body in found]

    def off(p: Array, within_mm: float) -> float:
        """How far a point is from the legs; inf where their boxes alone tell that it is more than asked."""
        near = [b for low, high, b in standing if np.all((p > low - within_mm) & (p < high + within_mm))]
        return min((distance_mm(body, vertex(p)) for body in near), default=float("inf"))

    probed = bound = 0
    furthest = 0.0
    for zone in zones:
        for place, normal in _beside(cavity, zone):
            probed += 1
            away = off(place + gap_mm * normal, FOUND_MM)
            if away > FOUND_MM:
                raise KernelError(f"no leg stands the {gap_mm:g} gap from {_at(place)}")
            bound, furthest = bound + 1, max(furthest, away)
    if relieved:
        wide = gap_mm + owned.corner_relief_mm - FOUND_MM
        points = np.vstack([part.faces[i].points for i in cavity.feature.faces])
        centres, burns = np.array([z.centre for z in zones]), np.array([z.burn_mm for z in zones])
        clear = np.linalg.norm(view.flat(points)[:, None] - centres, axis=2) - burns
        for p in points[clear.min(axis=1) > wide]:
            if off(p, wide) < wide:
                raise KernelError(f"a leg does not stand back from {_at(p)}")
    return Clearance(least, probed, bound, furthest)


def _box(body: Any) -> tuple[Array, Array]:
    """Bounds (3,), (3,) in model coordinates, no tighter than the body."""
    box = Bnd_Box()
    BRepBndLib.Add_s(body, box)
    return tuple(np.array([p.X(), p.Y(), p.Z()]) for p in (box.CornerMin(), box.CornerMax()))  # type: ignore[return-value]


def _beside(cavity: Cavity, zone: Zone) -> list[tuple[Array, Array]]:
    """Points of the two flat walls of a sharp corner, halfway to where the cutter touched, and normals."""
    part, up = cavity.part, cavity.view.along
    pair = [part.faces[f] for f in zone.corner.faces]
    if len(pair) != 2 or not all(isinstance(f.surface, Plane) for f in pair):
        return []
    normals = [f.surface.normal for f in pair if isinstance(f.surface, Plane)]
    edge = np.cross(normals[0], normals[1])
    edge = edge / np.linalg.norm(edge) * np.sign(edge @ up)
    found = []
    for own, other in (normals, normals[::-1]):
        way = np.cross(own, edge)
        way = way * np.sign(way @ other)
        for share in (-0.25, 0.0, 0.25):
            deep = share * (cavity.mouth_mm - cavity.low_mm) * edge
            found.append((np.array(zone.corner.place) + zone.touch_mm / 2 * way + deep, own))
    return found


def _base(
    cavity: Cavity, low: Array, high: Array, footing: float, owned: Electrodes
) -> tuple[list[Any], tuple[tuple[float, float, float], tuple[float, float]]]:
    """The squared base with one chamfered corner (low across, low up), and the shank on it."""
    centre = (low[:2] + high[:2]) / 2
    # Whole millimetres, so that the flats are quick to check.
    half = np.ceil(high[:2] - low[:2] + 2 * owned.base_margin_mm - 1e-6) / 2
    cut = min(owned.base_chamfer_mm, float(half.min()))
    a, b = -half, half
    ring = np.array([(a[0] + cut, a[1]), (b[0], a[1]), (b[0], b[1]), (a[0], b[1]), (a[0], a[1] + cut)])
    top = footing + owned.base_height_mm
    side = min(owned.shank_mm, 2 * float(half.min()))
    square = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * side / 2
    # A shank as wide as the base would stand over its chamfer.
    if side > 2 * float(half.min()) - 2 * cut:
        square = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * max(side / 2 - cut, side / 4)
    length = float(np.ptp(square[:, 0]))
    bodies = [
        _block(cavity, ring + centre, footing, top),
        _block(cavity, square + centre, top, top + owned.shank_height_mm),
    ]
    return bodies, (_triple(np.array([*(2 * half), owned.base_height_mm])), (length, owned.shank_height_mm))


def _block(cavity: Cavity, ring: Array, low: float, high: float) -> Any:
    path = [Segment(p, q) for p, q in zip(ring, np.roll(ring, -1, axis=0), strict=True)]
    return prism(cavity.view, path, low, high)


def _proven(cavity: Cavity, pieces: Sequence[Any], form: Sequence[Any], gap_mm: float) -> Clearance:
    """Raises KernelError unless the form keeps the gap everywhere and fills all that keeps it."""
    part = cavity.part
    for body in form:
        if not is_valid(body) or volume_of(body) <= 0:
            raise KernelError("the form of the electrode is no valid body")
    least = cavity.clearance_mm(form, gap_mm + CLEARANCE_MM)
    if abs(least - gap_mm) > CLEARANCE_MM:
        raise KernelError(f"the least clearance is {least:.4f}, not the {gap_mm:g} gap")
    skins = [s for piece in pieces for s in each(piece, TopAbs_ShapeEnum.TopAbs_SHELL)]
    probed = bound = 0
    furthest = 0.0
    for i in cavity.feature.faces:
        face = part.faces[i]
        chosen = np.linspace(0, len(face.points) - 1, min(_PROBES_PER_FACE, len(face.points))).astype(int)
        for k in dict.fromkeys(int(c) for c in chosen):
            probed += 1
            place = vertex(face.points[k] + gap_mm * face.normals[k])
            off = min(distance_mm(body, place) for body in form)
            if off <= FOUND_MM:
                bound += 1
                furthest = max(furthest, off)
            elif min(distance_mm(skin, place) for skin in skins) > gap_mm - FOUND_MM:
                raise KernelError(f"the form is {off:.4f} too far from {_at(face.points[k])}")
    return Clearance(least, probed, bound, furthest)


def _at(point: Array) -> str:
    return "(" + ", ".join(f"{c:.3f}" for c in point) + ")"


def _common_mm3(a: Any, b: Any) -> float:
    operation = BRepAlgoAPI_Common(a, b)
    if not operation.IsDone():
        raise KernelError("the kernel could not hold the electrode against the part")
    return float(sum(abs(volume_of(s)) for s in solids_of(operation.Shape())))


def _bounds(bodies: Sequence[Any], cavity: Cavity) -> tuple[Array, Array]:
    """Exact bounds (3,), (3,) in the view: across, up, along."""
    view = cavity.view
    move = gp_Trsf()
    axes = gp_Ax3(gp_Pnt(*view.origin), gp_Dir(*view.along), gp_Dir(*view.across))
    move.SetTransformation(axes)
    box = Bnd_Box()
    for body in bodies:
        BRepBndLib.AddOptimal_s(BRepBuilderAPI_Transform(body, move, True).Shape(), box, False, False)
    return tuple(np.array([p.X(), p.Y(), p.Z()]) for p in (box.CornerMin(), box.CornerMax()))  # type: ignore[return-value]


def _triple(values: Array) -> tuple[float, float, float]:
    a, b, c = (float(v) for v in values)
    return a, b, c


__all__ = ["Clearance", "ElectrodeBody", "bodies_of", "cavity_of", "electrode_body"]

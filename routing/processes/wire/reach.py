"""Wire erosion: a straight wire through the part, leaning up to the machine's taper limit."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from featurize import tolerances as tol
from featurize.brep.part import Face
from featurize.brep.shadow import View
from featurize.brep.surfaces import Array, Cone, Cylinder, Freeform, Plane
from featurize.brep.surfaces_at import parallel
from featurize.feature import Feature, Kind, Vec3
from featurize.recognise.scene import vec
from routing.processes.context import JobContext
from routing.processes.corners import Corner, inside_corners, lean_deg
from routing.processes.finish import demands
from routing.processes.protocol import Rest
from routing.processes.sight import hidden_from_wire, tilt_deg
from routing.processes.tools import Wire
from routing.processes.wire.profiles import cuts, wire_view
from routing.processes.wire.shop import WireShop
from routing.processes.wire.start_holes import Circle, largest_circle, start_hole
from routing.processes.wire.verdict import WIRE, WireVerdict

NAME = "wire"
# Below this the opening of a polygon by a disc loses only its own chords.
_LEFT_MM = 4 * tol.MESH_DEFLECTION_MM


def judge(job: JobContext, feature: Feature) -> WireVerdict:
    """The first direction in which a wire makes a feature, else the first refusal."""
    if not job.uses(WIRE):
        return _no(f"the shop does not wire {job.material.name}")
    if feature.thread is not None or feature.kind == Kind.THREADED_HOLE:
        doubtful = feature.thread is not None and feature.thread.designation is None
        return _no("it may be a thread" if doubtful else "a thread cannot be wired")
    # A hole called out tighter than a drill holds is no clearance hole.
    drilled = job.shop.general.clearance_holes == "drill" and not demands(feature)
    if feature.kind == Kind.HOLE and drilled:
        return _no("the shop drills its holes")
    answers = [_along(job, feature, d) for d in axes(job, feature)]
    return next((v for v in answers if v.workable), answers[0])


def _along(job: JobContext, feature: Feature, along: Array) -> WireVerdict:
    machine = job.shop[WireShop].machine
    faces = job.faces(feature)
    limit = machine.taper_limit_deg
    for face in faces:
        lean = lean_deg(face, along)
        if lean > limit + tol.PARALLEL_DEG:
            across = isinstance(face.surface, Plane) and abs(lean - 90.0) < 1.0
            leans = f"leans {lean:.1f} deg, over the machine's {limit:g} deg"
            how = "lies across the wire" if across else leans
            return _no(f"{job.call(face.id)} {how}", place=vec(face.centroid))
        if not _is_ruled(face, along):
            return _no(f"{job.call(face.id)} is not ruled along the wire", place=vec(face.centroid))
        if (tilt := tilt_deg(job, face, along)) > limit + tol.CONE_MIN_DEG:
            said = f"tilts the wire {tilt:.1f} deg at its corner, over the machine's {limit:g} deg"
            return _no(f"{job.call(face.id)} {said}", place=vec(face.centroid))
    height = job.extent_mm(along)
    if height > machine.height_limit_mm:
        return _no(f"height {height:.1f} is over the machine's {machine.height_limit_mm:g}")
    if hidden := hidden_from_wire(job, faces, along):
        return _no(f"{job.call(hidden.face)} stands in the wire's way", place=hidden.place)
    return _fitted(job, feature, along, height)


def _fitted(job: JobContext, feature: Feature, along: Array, height: float) -> WireVerdict:
    corners = inside_corners(job, feature, along)
    air, inner = _air(job, feature, along)
    machine = job.shop[WireShop].machine
    wires = sorted(job.shop[WireShop].wires, key=lambda w: -w.corner_mm)
    tightest = corners[0] if corners else None
    near = _near(job, feature, along)
    sharp = View.of(job.part, along).flat(
        np.array([c.place for c in corners if not c.radius_mm]).reshape(-1, 3)
    )
    wire = next((w for w in wires if _enters(w, tightest, job) and _passes(w, air, near, sharp)), None)
    lean = max(lean_deg(f, along) for f in job.faces(feature))
    last = wires[-1]
    left = [] if wire else [c for c in corners if not _enters(last, c, job)]
    behind = sum(c.left_mm2(last.corner_mm) for c in left) * height
    if wire is None:
        if not left:
            return _no(
                f"a gap is under the {last.diameter_mm:g} wire and twice its {last.gap_mm:g} gap",
                shortfall=_left(last, air) * height,
            )
        assert tightest is not None
        reason = _corner_reason(last, tightest, job.shop.general.sharp_corner_leave_mm)
        refused = _no(reason, shortfall=behind, place=tightest.place)
        spots = View.of(job.part, along).flat(
            np.array([c.place for c in corners if c in left or not c.radius_mm])
        )
        if not _passes(last, air, near, spots):
            return refused
        wire = last
    answer = WireVerdict(
        process=WIRE,
        workable=True,
        reason="",
        approaches=(job.approach(along),),
        tool=wire,
        height_mm=height,
        taper_deg=round(lean, 3) if lean > tol.CONE_MIN_DEG else 0.0,
    )
    words = [f"ruled right through {height:.2f} of height", f"wire {wire.diameter_mm:g}"]
    if tightest:
        # A sharp corner keeps the radius of the wire.
        r = tightest.radius_mm
        fact = f"inside corner R {r:.3g}" if r else "sharp inside corner"
        words.append(f"{fact} for the {wire.diameter_mm / 2:g} wire radius plus {wire.gap_mm:g} gap")
        answer = replace(answer, corner_radius_mm=r)
    if lean > tol.CONE_MIN_DEG:
        words.append(f"taper {lean:.2f} deg")
    if inner:
        circle, view = _circle(job, feature, along, air)
        hole = start_hole(circle, height, machine, job.piercing)
        place = vec(view.solid(np.array(circle.centre)) + job.top_mm(along) * along)
        answer = replace(answer, start_hole=hole, start_at=place, place=place)
        if hole.diameter_mm is None:
            return replace(answer, workable=False, reason=str(hole.problem))
        words.append(f"start hole {hole.diameter_mm:g} in the {hole.inscribed_mm:.3f} inscribed circle")
    else:
        words.append("started from the edge")
    if left:
        said = f"{len(left)} inside corner{'s' if len(left) > 1 else ''} left at R {last.corner_mm:g}"
        rest = Rest(said, behind, tuple(c.place for c in left))
        # What was found of the bulk stands with the refusal: the wire may go ahead of the next process.
        bulk = replace(answer, workable=False, reason=refused.reason, place=refused.place)
        return replace(bulk, shortfall_mm3=refused.shortfall_mm3, rest=rest)
    return replace(answer, reason=", ".join(words))


def axes(job: JobContext, feature: Feature) -> list[Array]:
    """The thickness; another axis for closed openings along it and for straight runs as the shop wants it."""
    z = job.thickness
    axes = [z]
    if feature.kind.traits.opening and feature.axis is not None:
        d = np.array(feature.axis.direction)
        if not parallel(d, z, tol.AXIS_DEG):
            axes.append(d)
    elif feature.run is not None:
        run = np.array(feature.run)
        if not parallel(run, z, tol.AXIS_DEG) and _on_its_side(job, feature):
            axes.append(run)
    return axes


def _on_its_side(job: JobContext, feature: Feature) -> bool:
    """Whether the part is laid on its side for an open run: by common practice where no wheel makes it."""
    wanted = job.shop.general.wire_on_its_side
    if wanted != "no wheel":
        return wanted == "always"
    return not any(p.takes_run(job, feature) for p in job.processes.values())


def _is_ruled(face: Face, along: Array) -> bool:
    s = face.surface
    if isinstance(s, Plane | Cylinder | Cone):
        return True  # the caller bounds the lean, and sight along the rulings does the rest
    return isinstance(s, Freeform) and s.ruled is not None and parallel(s.ruled, along, tol.AXIS_DEG)


def _air(job: JobContext, feature: Feature, along: Array) -> tuple[Any, bool]:
    """The pieces of air beside the part's shadow that the feature's walls look into, and whether they
    are closed all round."""
    pieces, closed, tree = job.kept(("air", *np.round(along, 9)), lambda: _beside_shadow(job, along))
    near, reach = _near(job, feature, along), tol.SURFACE_MM + tol.MESH_DEFLECTION_MM
    a, b, c, d = shapely.bounds(near)
    mine = np.sort(tree.query(shapely.box(a - reach, b - reach, c + reach, d + reach)))
    mine = mine[shapely.distance(pieces[mine], near) < reach]
    return shapely.union_all(pieces[mine]), bool(len(mine) and closed[mine].all())


def _beside_shadow(job: JobContext, along: Array) -> tuple[Any, NDArray[np.bool_], shapely.STRtree]:
    """The pieces of air beside the part's shadow, which are closed all round, and an index of them."""
    _, solid = job.shadow(along)
    low, high = np.array(solid.bounds[:2]) - 5.0, np.array(solid.bounds[2:]) + 5.0
    air = shapely.get_parts(shapely.difference(shapely.box(*low, *high), solid))
    air = air[shapely.area(air) > tol.SURFACE_MM**2]
    bounds = shapely.bounds(air)
    closed = np.all((bounds[:, :2] > low) & (bounds[:, 2:] < high), axis=1)
    return air, closed, shapely.STRtree(air)


def _enters(wire: Wire, corner: Corner | None, job: JobContext) -> bool:
    if corner is None:
        return True
    allowed = corner.radius_mm or job.shop.general.sharp_corner_leave_mm
    return wire.corner_mm <= allowed + tol.LENGTH_MM


def _passes(wire: Wire, air: Any, near: Any, sharp: Array) -> bool:
    """Whether a disc of wire and gap rolls along a feature's outline; sharp corners (n, 2) are excepted."""
    opened = _opened(air, wire.corner_mm)
    if opened.is_empty:
        return False
    pieces = shapely.get_parts(shapely.difference(air, opened))
    left = shapely.union_all(pieces[shapely.distance(pieces, near) < _LEFT_MM])
    if len(sharp):
        # A disc touches the walls of a corner at r / tan(a / 2) from it; 4 r covers 28 deg.
        left = left.difference(shapely.buffer(shapely.multipoints(sharp), 4 * wire.corner_mm))
    if left.is_empty:
        return True
    both = shapely.union_all([opened, left])
    return float(shapely.hausdorff_distance(both, opened)) <= _LEFT_MM


def _near(job: JobContext, feature: Feature, along: Array) -> Any:
    """The feature's own points in the plane across the wire."""
    samples = np.vstack([job.cloud(feature.faces), *(job.part.faces[f].points for f in feature.faces)])
    return shapely.multipoints(View.of(job.part, along).flat(samples))


def _opened(air: Any, radius_mm: float) -> Any:
    small = shapely.buffer(air, -(radius_mm - tol.LENGTH_MM), quad_segs=32)
    return shapely.buffer(small, radius_mm, quad_segs=32)


def _left(wire: Wire, air: Any) -> float:
    return float(shapely.difference(air, _opened(air, wire.corner_mm)).area)


def _corner_reason(wire: Wire, corner: Corner, leave_mm: float) -> str:
    tool = f"the {wire.diameter_mm / 2:g} wire radius plus {wire.gap_mm:g} gap"
    if corner.radius_mm:
        return f"inside corner R {corner.radius_mm:.3g} is under {tool}"
    return f"sharp inside corner: {tool} would leave R {wire.corner_mm:.3g}, over the accepted {leave_mm:g}"


def _circle(job: JobContext, feature: Feature, along: Array, air: Any) -> tuple[Circle, View]:
    """The tightest of the largest circles in the feature's openings, and the view it is in.

    Exact where the walls close a ring; else from the shadow, whose arcs are chords.
    """
    view = wire_view(job.part, along)
    shade = View.of(job.part, along)
    found = [
        c
        for cut in cuts(job.part, feature.faces, view)
        if cut.opening and (c := largest_circle(cut.outlines))
    ]
    for circle in sorted(found, key=lambda c: c.radius_mm):
        centre = shapely.points(shade.flat(view.solid(np.array(circle.centre))))
        clear = float(shapely.distance(centre, shapely.boundary(air))) if shapely.covers(air, centre) else 0.0
        if clear > circle.radius_mm - _LEFT_MM:
            return circle, view
    pieces = shapely.get_parts(air)
    piece = pieces[int(np.argmax(shapely.area(pieces)))]
    spoke = shapely.maximum_inscribed_circle(piece, tolerance=tol.LENGTH_MM)
    x, y = spoke.coords[0]
    return Circle((float(x), float(y)), float(spoke.length)), shade


def _no(reason: str, *, shortfall: float = 0.0, place: Vec3 | None = None) -> WireVerdict:
    return WireVerdict(process=WIRE, workable=False, reason=reason, shortfall_mm3=shortfall, place=place)

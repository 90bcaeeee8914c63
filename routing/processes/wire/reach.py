"""Wire erosion: a straight wire through the part, leaning up to the machine's taper limit."""

from __future__ import annotations

from collections.abc import Sequence
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
from routing.processes.protocol import Hint, Rest
from routing.processes.sight import hidden_along
from routing.processes.tools import Wire
from routing.processes.wire.arcs import WIRE_HOLDS_MM
from routing.processes.wire.effort import effort_of
from routing.processes.wire.paths import cuts_of, part_span, passes_on
from routing.processes.wire.profiles import Amiss, Cut
from routing.processes.wire.rulings import Ruled
from routing.processes.wire.shop import WireShop
from routing.processes.wire.start_holes import Circle, circle_of, start_hole
from routing.processes.wire.verdict import WIRE, Thicker, WirePass, WireVerdict

NAME = "wire"
# Below this the opening of a polygon by a disc loses only its own chords.
_LEFT_MM = 4 * tol.MESH_DEFLECTION_MM
# Where a pass is looked at, on its pieces and between its heights: not at their ends, where others begin.
_SHARES = (0.1, 0.5, 0.9)


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
    made = next((v for v in answers if v.workable), None)
    return made or replace(answers[0], offers=_offered(job, feature))


def _offered(job: JobContext, feature: Feature) -> tuple[int, ...]:
    """The walls of an opening that a wire makes along the thickness where it does not make all of them.

    They close an opening right through of their own, which the others only widen.
    """
    if feature.kind != Kind.THROUGH_PROFILE:
        return ()
    along = job.thickness
    walls = tuple(f.id for f in job.faces(feature) if _refused(job, f, along) is None)
    if not walls or len(walls) == len(feature.faces):
        return ()
    _, cuts = cuts_of(job, walls, along)
    if not cuts or not all(c.opening for c in cuts):
        return ()
    rest = feature.but(faces=walls, roles={f: feature.roles[f] for f in walls})
    return walls if _along(job, rest, along).workable else ()


def _along(job: JobContext, feature: Feature, along: Array) -> WireVerdict:
    machine = job.shop[WireShop].machine
    for face in job.faces(feature):
        if why := _refused(job, face, along):
            return _no(f"{job.call(face.id)} {why}", place=vec(face.centroid))
    height = job.extent_mm(along)
    if height > machine.height_limit_mm:
        return _no(f"height {height:.1f} is over the machine's {machine.height_limit_mm:g}")
    view, cuts = cuts_of(job, feature.faces, along)
    if amiss := _unruled(job, cuts, view, machine.taper_limit_deg) or _in_the_way(job, feature, cuts, view):
        return amiss
    return _fitted(job, feature, along, height)


def _refused(job: JobContext, face: Face, along: Array) -> str | None:
    """Why no wire makes a face, whatever is beside it."""
    limit = job.shop[WireShop].machine.taper_limit_deg
    lean = lean_deg(face, along)
    if lean > limit + tol.PARALLEL_DEG:
        across = isinstance(face.surface, Plane) and abs(lean - 90.0) < 1.0
        return "lies across the wire" if across else f"leans {lean:.1f} deg, over the machine's {limit:g} deg"
    return None if _is_ruled(face, along) else "is not ruled along the wire"


def _unruled(job: JobContext, cuts: Sequence[Cut], view: View, limit_deg: float) -> WireVerdict | None:
    """The refusal where no lines through the part make the walls: what they would cut, or leave, of them."""
    if not cuts:
        return _no("its walls give no outline across the wire")
    tilt = max(c.tilt_deg for c in cuts)
    if tilt > limit_deg + tol.CONE_MIN_DEG:
        return _no(f"its corners tilt the wire {tilt:.1f} deg, over the machine's {limit_deg:g} deg")
    for cut in cuts:
        if cut.over.depth_mm > WIRE_HOLDS_MM:
            at = _at(job, cut.over, view)
            return _no(
                f"{job.call(cut.over.face)} stands {cut.over.depth_mm:.3f} deep in the wire's way {at}"
            )
        if cut.left.depth_mm > WIRE_HOLDS_MM:
            at = _at(job, cut.left, view)
            return _no(
                f"no straight wire follows {job.call(cut.left.face)}: {cut.left.depth_mm:.3f} is left {at}"
            )
    return None


def _at(job: JobContext, amiss: Amiss, view: View) -> str:
    return f"{job.top_mm(view.along) - amiss.height_mm:.2f} below the top"


def _in_the_way(job: JobContext, feature: Feature, cuts: Sequence[Cut], view: View) -> WireVerdict | None:
    """The refusal where something else stands in front of the wire on its passes."""
    for cut in cuts:
        for p in cut.passes:
            r = p.ruled
            heights = [r.low_mm + share * (r.high_mm - r.low_mm) for share in _SHARES]
            walls = np.array(r.lower.faces) >= 0
            points = np.concatenate([_off_wall(job, r, h)[walls] for h in heights])
            places = np.concatenate(
                [view.solid(q, h) for q, h in zip(np.split(points, len(heights)), heights, strict=True)]
            )
            lines = np.tile(r.rulings(_SHARES)[walls], (len(heights), 1, 1))
            # Where the walls close their sections have told already what is in the way of them.
            ignored = feature.faces if cut.sections else r.faces
            axes = np.array([view.across, view.up, view.along])
            found = hidden_along(job, places.reshape(-1, 3), lines.reshape(-1, 3) @ axes, ignored)
            if found:
                return _no(f"{job.call(found.face)} stands in the wire's way", place=found.place)
    return None


def _off_wall(job: JobContext, ruled: Ruled, height_mm: float) -> Array:
    """Points (n, k, 2) of a pass, moved off its walls into the air, clear of the mesh's chords."""
    o = ruled.at(height_mm)
    points = o.sample(_SHARES)
    step = o.sample([s + 1e-4 for s in _SHARES]) - points
    left = np.stack([-step[..., 1], step[..., 0]], axis=2)
    left /= np.maximum(np.linalg.norm(left, axis=2, keepdims=True), 1e-300)
    return np.asarray(points + 2 * job.part.mesh.deflection_mm * left)


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

    def rolls(wire: Wire, spots: Array) -> bool:
        return _passes(wire.corner_mm, air, near, spots)

    wire = next((w for w in wires if _enters(w, tightest, job) and rolls(w, sharp)), None)
    lean = max(lean_deg(f, along) for f in job.faces(feature))
    last = wires[-1]
    left = [] if wire else [c for c in corners if not _enters(last, c, job)]
    behind = sum(c.left_mm2(last.corner_mm) for c in left) * height
    if wire is None:
        if not left:
            width = _narrowest(last.corner_mm, air, near, sharp)
            kerf = (
                f"the {last.kerf_mm:.3f} of the {last.diameter_mm:g} wire and twice its {last.gap_mm:g} gap"
            )
            return _no(f"a gap of {width:.3f} is under {kerf}", shortfall=_left(last, air) * height)
        assert tightest is not None
        reason = _corner_reason(last, tightest, job.shop.general.sharp_corner_leave_mm)
        refused = _no(reason, shortfall=behind, place=tightest.place)
        spots = View.of(job.part, along).flat(
            np.array([c.place for c in corners if c in left or not c.radius_mm])
        )
        if not rolls(last, spots):
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
        passes=passes_on(job, feature, along, wire),
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
    if len(answer.passes) > 1:
        words.append(f"passes: {', '.join(_told(p) for p in answer.passes)}")
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
    answer = replace(answer, reason=", ".join(words))
    round_ = next((c.radius_mm for c in corners if c.radius_mm), np.inf)
    if tightest and not tightest.radius_mm:
        thicker = [w for w in wires if wire.corner_mm < w.corner_mm < round_ and rolls(w, sharp)]
        return _asked(job, feature, answer, thicker[::-1], closed=inner)
    return answer


def _told(p: WirePass) -> str:
    high = f"{p.high_mm - p.low_mm:.2f} high"
    lean = f" at {p.angle_deg:.2f} deg" if p.angle_deg > tol.CONE_MIN_DEG else ""
    return f"{p.words} {high}{lean}, {p.trims} trim{'s' if p.trims > 1 else ''}"


def _asked(
    job: JobContext, feature: Feature, answer: WireVerdict, thicker: Sequence[Wire], *, closed: bool
) -> WireVerdict:
    """The answer with the thicker wires that would do if sharp corners might keep their radius."""
    along = answer.approach.direction

    def minutes(wire: Wire) -> float:
        passes = passes_on(job, feature, along, wire)
        return effort_of(job, passes, answer.height_mm, wire, closed=closed).minutes

    assert answer.wire is not None
    now = minutes(answer.wire)
    saving = tuple(Thicker(w, w.corner_mm, now - minutes(w)) for w in thicker)
    if not saving:
        return answer
    offers = " or ".join(
        f"R {t.corner_mm:.3g}, which saves {t.saves_min:.0f} min with wire {t.wire.diameter_mm:g}"
        for t in dict.fromkeys((saving[0], saving[-1]))
    )
    w = answer.wire
    said = f"{feature.id}: the sharp inside corners take wire {w.diameter_mm:g}, which leaves R {w.corner_mm:.3g}"
    return replace(answer, thicker=saving, hints=(Hint("wire-corner", f"{said}: would {offers}, do?"),))


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


def _passes(radius_mm: float, air: Any, near: Any, sharp: Array) -> bool:
    """Whether a disc, as of wire and gap, rolls along a feature's outline; sharp corners (n, 2) are excepted."""
    opened = _opened(air, radius_mm)
    if opened.is_empty:
        return False
    pieces = shapely.get_parts(shapely.difference(air, opened))
    left = shapely.union_all(pieces[shapely.distance(pieces, near) < _LEFT_MM])
    if len(sharp):
        # A disc touches the walls of a corner at r / tan(a / 2) from it; 4 r covers 28 deg.
        left = left.difference(shapely.buffer(shapely.multipoints(sharp), 4 * radius_mm))
    if left.is_empty:
        return True
    both = shapely.union_all([opened, left])
    return float(shapely.hausdorff_distance(both, opened)) <= _LEFT_MM


def _narrowest(radius_mm: float, air: Any, near: Any, sharp: Array) -> float:
    """The width of the narrowest gap on a feature's outline, by halving; a disc of the radius is too wide."""
    low, high = 0.0, radius_mm
    while high - low > tol.LENGTH_MM:
        middle = (low + high) / 2
        low, high = (middle, high) if _passes(middle, air, near, sharp) else (low, middle)
    return low + high


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
    """The tightest of the largest circles in what is cut free of the feature's openings, and its view.

    Exact where the walls close a ring; else from the shadow, whose arcs are chords.
    """
    view, cuts = cuts_of(job, feature.faces, along)
    shade = View.of(job.part, along)
    span = part_span(job, along)
    found = [c for cut in cuts if cut.opening and (c := circle_of(cut, *span))]
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

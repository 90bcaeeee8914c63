"""Wire erosion: a straight wire through the part, leaning up to the machine's taper limit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely

from featurize import tolerances as tol
from featurize.bores import core_of
from featurize.brep.part import Face
from featurize.brep.silhouette import View
from featurize.brep.surfaces import Array, Cone, Cylinder, Freeform, Plane
from featurize.brep.surfaces_at import parallel
from featurize.feature import Feature, Kind, Vec3
from featurize.recognise.scene import vec
from featurize.recognise.thread_bores import is_through
from routing.processes.context import JobContext
from routing.processes.corners import Corner, inside_corners, lean_deg
from routing.processes.finish import demands
from routing.processes.flags import Flag, Severity
from routing.processes.protocol import Rest
from routing.processes.sight import hidden_along
from routing.processes.tools import Wire
from routing.processes.wire.arcs import WIRE_HOLDS_MM
from routing.processes.wire.effort import effort_of
from routing.processes.wire.gaps import rooms_of, silhouette_room
from routing.processes.wire.paths import cuts_of, part_span, passes_on
from routing.processes.wire.profiles import Amiss, WireCut, wire_view
from routing.processes.wire.rulings import Ruled
from routing.processes.wire.shop import WireShop
from routing.processes.wire.start_holes import Circle, circle_of, start_hole
from routing.processes.wire.verdict import WIRE, Thicker, WirePass, WireVerdict

NAME = "wire"
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
    along = job.thickness
    walls = tuple(f.id for f in job.faces(feature) if _refused(job, f, along) is None)
    if feature.kind == Kind.HOLE:
        least = job.shop[WireShop].machine.opening_from_mm - tol.SURFACE_MM
        core = core_of(feature).start_diameter_mm if feature.bores else 0.0
        if not is_through(feature) or core < least:
            return ()
        walls = tuple(f for f in walls if _is_bore(job.part.faces[f], core))
    elif feature.kind != Kind.THROUGH_PROFILE:
        return ()
    if not walls or len(walls) == len(feature.faces):
        return ()
    _, cuts = cuts_of(job, walls, along)
    if not cuts or not all(c.opening for c in cuts):
        return ()
    rest = feature.but(faces=walls, roles={f: feature.roles[f] for f in walls})
    return walls if _along(job, rest, along).workable else ()


def _is_bore(face: Face, diameter_mm: float) -> bool:
    s = face.surface
    return isinstance(s, Cylinder) and abs(2 * s.radius_mm - diameter_mm) < tol.SURFACE_MM


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


def _unruled(job: JobContext, cuts: Sequence[WireCut], view: View, limit_deg: float) -> WireVerdict | None:
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


def _in_the_way(job: JobContext, feature: Feature, cuts: Sequence[WireCut], view: View) -> WireVerdict | None:
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
    _, cuts = cuts_of(job, feature.faces, along)
    if all(c.closed for c in cuts):
        rooms, inner = rooms_of(cuts), all(c.opening for c in cuts)
    else:
        room, inner = silhouette_room(job, feature, along, corners)
        rooms = [room]
    wires = sorted(job.shop[WireShop].wires, key=lambda w: -w.corner_mm)
    tightest = corners[0] if corners else None

    def rolls(wire: Wire, round_mm: float = 0.0) -> bool:
        return all(room.rolls(wire.corner_mm, round_mm) for room in rooms)

    wire = next((w for w in wires if _enters(w, tightest, job) and rolls(w)), None)
    lean = max(lean_deg(f, along) for f in job.faces(feature))
    last = wires[-1]
    left = [] if wire else [c for c in corners if not _enters(last, c, job)]
    behind = sum(c.left_mm2(last.corner_mm) for c in left) * height
    if wire is None:
        if not left:
            width = min(r.narrowest_mm(last.corner_mm) for r in rooms if not r.rolls(last.corner_mm))
            kerf = f"the {last.kerf_mm:.3f} of the {last.diameter_mm:g} wire and its gaps"
            area = max(r.left_mm2(last.corner_mm) for r in rooms)
            return _no(f"a gap of {width:.3f} is under {kerf}", shortfall=area * height)
        assert tightest is not None
        reason = _corner_reason(last, tightest, job.shop.general.sharp_corner_leave_mm)
        refused = _no(reason, shortfall=behind, place=tightest.place)
        if not rolls(last, last.corner_mm):
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
        circle, view = _circle(job, cuts, along, rooms[0].air)
        hole = start_hole(circle, height, job.shop[WireShop].machine, job.piercing)
        place = vec(view.solid(np.array(circle.centre)) + job.top_mm(along) * along)
        answer = replace(answer, start_hole=hole, start_at=place, place=place)
        if hole.diameter_mm is None:
            return replace(answer, workable=False, reason=str(hole.problem))
        words.append(f"start hole {hole.diameter_mm:g} in the {hole.inscribed_mm:.3f} inscribed circle")
    else:
        words.append("started from the edge")
    if left:
        text = f"{len(left)} inside corner{'s' if len(left) > 1 else ''} left at R {last.corner_mm:g}"
        rest = Rest(text, behind, tuple(c.place for c in left))
        # What was found of the bulk stands with the refusal: the wire may go ahead of the next process.
        bulk = replace(answer, workable=False, reason=refused.reason, place=refused.place)
        return replace(bulk, shortfall_mm3=refused.shortfall_mm3, rest=rest)
    answer = replace(answer, reason=", ".join(words))
    round_ = next((c.radius_mm for c in corners if c.radius_mm), np.inf)
    if tightest and not tightest.radius_mm:
        thicker = [w for w in wires if wire.corner_mm < w.corner_mm < round_ and rolls(w)]
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
    takes = f"the sharp inside corners take wire {w.diameter_mm:g}, which leaves R {w.corner_mm:.3g}"
    return replace(
        answer,
        thicker=saving,
        flags=(
            Flag("wire-corner", Severity.NOTE, feature.id, f"{feature.id}: {takes}: would {offers}, do?"),
        ),
    )


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


def _enters(wire: Wire, corner: Corner | None, job: JobContext) -> bool:
    if corner is None:
        return True
    allowed = corner.radius_mm or job.shop.general.sharp_corner_leave_mm
    return wire.corner_mm <= allowed + tol.LENGTH_MM


def _corner_reason(wire: Wire, corner: Corner, leave_mm: float) -> str:
    tool = f"the {wire.diameter_mm / 2:g} wire radius plus {wire.gap_mm:g} gap"
    if corner.radius_mm:
        return f"inside corner R {corner.radius_mm:.3g} is under {tool}"
    return f"sharp inside corner: {tool} would leave R {wire.corner_mm:.3g}, over the accepted {leave_mm:g}"


def _circle(job: JobContext, cuts: Sequence[WireCut], along: Array, air: Any) -> tuple[Circle, View]:
    """The tightest of the largest circles in what is cut free of the openings, and its view.

    Exact where the walls close a ring; else from the silhouette, whose arcs are chords.
    """
    span = part_span(job, along)
    found = [c for cut in cuts if cut.opening and (c := circle_of(cut, *span))]
    if found:
        return min(found, key=lambda c: c.radius_mm), wire_view(job.part, along)
    pieces = shapely.get_parts(air)
    piece = pieces[int(np.argmax(shapely.area(pieces)))]
    spoke = shapely.maximum_inscribed_circle(piece, tolerance=tol.LENGTH_MM)
    x, y = spoke.coords[0]
    return Circle((float(x), float(y)), float(spoke.length)), View.of(job.part, along)


def _no(reason: str, *, shortfall: float = 0.0, place: Vec3 | None = None) -> WireVerdict:
    return WireVerdict(process=WIRE, workable=False, reason=reason, shortfall_mm3=shortfall, place=place)

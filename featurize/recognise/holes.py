"""Holes: coaxial bores with their shoulders, sinks, points and bottoms.

A hole is what a drill, reamer or counterbore makes about one axis. A hollow cylinder counts as a
bore when it goes all the way round somewhere along its length, or when more than half of it is left
and it ends in sharp outward edges where something else cut into it (a rounded corner ends tangent).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Convexity, Face
from featurize.brep.rays import first_hits
from featurize.brep.surfaces import Array, Cone, Cylinder, Plane, Sphere, Torus, orthonormal_basis
from featurize.brep.surfaces_at import parallel, same_line
from featurize.feature import Axis, Bore, CrossSection, Feature, Kind, Role
from featurize.recognise.helix import ModelledThread, modelled_threads
from featurize.recognise.scene import Scene, span, vec

ORDER = 20
_BINS = 72
# A blind flat round recess at least this wide and shallower than half its width is milled as a pocket.
_POCKET_DIAMETER_MM = 12.0
# A cone at the mouth at least this wide (half angle) is a countersink; slimmer ones are tapered bores.
_SINK_DEG = 15.0

# A slanted hole opens to the side it looks to most: none is further off than this (cosine) along a diagonal.
_NEAREST_COS = 0.57

# Shares of the full turn: a wall that goes all the way about, and the least of one that cuts have left.
_ALL_ROUND, _LEAST_TURN = 0.96, 0.55


@dataclass(eq=False)
class _Stage:
    """One face of revolution of a hole: its axial interval and diameters at both ends."""

    face: int
    low: float
    high: float
    low_diameter_mm: float
    high_diameter_mm: float


def find(scene: Scene) -> list[Feature]:
    """All holes over free faces."""
    bores = [f for f in sorted(scene.free) if _is_bore(scene, scene.face(f))]
    threads = {t.bore: t for t in modelled_threads(scene, bores)}
    cut = {f for t in threads.values() for f in t.faces}
    features = []
    groups = _coaxial(scene, [f for f in bores if f not in cut])
    spare = scene.free - cut - set(bores)
    for group in groups:
        arcs = _parted_counterbores(scene, group, spare)
        spare -= set(arcs)
        feature = _hole(scene, sorted([*group, *arcs]))
        if feature is not None:
            thread = next((threads[f] for f in group if f in threads), None)
            features.append(_with_thread(feature, thread) if thread else feature)
    return features


def _with_thread(hole: Feature, thread: ModelledThread) -> Feature:
    """The hole with its modelled flanks, and the size they were modelled to."""
    return hole.but(
        faces=tuple(sorted({*hole.faces, *thread.faces})),
        roles={**hole.roles, **dict.fromkeys(thread.faces, Role.THREAD)},
        dims={**hole.dims, "pitch_mm": thread.pitch_mm},
        text=f"{hole.text} {thread.text}".strip(),
        evidence=(*hole.evidence, f"a helix of pitch {thread.pitch_mm:.3g} is modelled in it"),
    )


def coverage(scene: Scene, ids: list[int], origin: Array, axis: Array) -> float:
    """Share of the full turn that faces cover about an axis (0 to 1)."""
    key = ("turn", tuple(ids), origin.tobytes(), axis.tobytes())
    return scene.kept(key, lambda: _coverage(scene, ids, origin, axis))


def _coverage(scene: Scene, ids: list[int], origin: Array, axis: Array) -> float:
    u, v, _ = orthonormal_basis(axis)
    corners = scene.triangles(ids) - origin
    if len(corners) == 0:
        return 0.0
    angles = np.arctan2(corners @ v, corners @ u)
    # Each facet fills the bins it spans, counted from its first corner the short way round.
    turns = np.angle(np.exp(1j * (angles - angles[:, :1])))
    low = np.floor((angles[:, 0] + turns.min(axis=1) + np.pi) / (2 * np.pi) * _BINS).astype(int)
    high = np.floor((angles[:, 0] + turns.max(axis=1) + np.pi) / (2 * np.pi) * _BINS).astype(int)
    filled = np.zeros(_BINS, bool)
    for start, end in set(zip(low.tolist(), high.tolist(), strict=True)):
        filled[np.arange(start, end + 1) % _BINS] = True
    return float(filled.mean())


def _is_bore(scene: Scene, face: Face) -> bool:
    s = face.surface
    if not isinstance(s, Cylinder) or not s.hollow:
        return False
    if coverage(scene, [face.id], s.origin, s.axis) > _ALL_ROUND:
        return True
    # Patches of one cylinder around one hole that cuts have parted.
    twins = [
        f for f in scene.about[face.id] if f in scene.free and scene.surface[f] == scene.surface[face.id]
    ]
    return coverage(scene, twins, s.origin, s.axis) > _LEAST_TURN and not _ends_tangent(scene, face, s)


def _ends_tangent(scene: Scene, face: Face, s: Cylinder) -> bool:
    """Whether a straight edge along the axis runs smoothly, or inward, into a neighbour that is no outward
    round: that one only breaks an edge of what is left."""
    for e in scene.part.edges_of(face.id):
        beside = scene.face(e.faces[0] if e.faces[1] == face.id else e.faces[1]).surface
        if isinstance(beside, Cylinder) and not beside.hollow:
            continue
        along = e.points[-1] - e.points[0]
        length = float(np.linalg.norm(along))
        if (
            length > tol.LENGTH_MM
            and parallel(along / length, s.axis, 1.0)
            and e.convexity != Convexity.CONVEX
        ):
            return True
    return False


def _coaxial(scene: Scene, bores: list[int]) -> list[list[int]]:
    """Bores that are one hole: touching stages, or one diameter continued across a gap."""
    hole_of: dict[int, list[int]] = {}
    for f in bores:
        s = scene.face(f).surface
        assert isinstance(s, Cylinder)
        group = [f]
        for other in scene.about[f]:
            joined = hole_of.get(other)
            if joined is not None and joined is not group and _one_hole(scene, s, f, other):
                group += joined
                hole_of |= dict.fromkeys(joined, group)
        hole_of[f] = group
    # In the order in which each was last added to.
    whole = {id(hole_of[f]): sorted(hole_of[f]) for f in bores[::-1]}
    return list(whole.values())[::-1]


def _parted_counterbores(scene: Scene, bores: list[int], spare: frozenset[int]) -> list[int]:
    """Arcs of a wider bore about the same axis: what a slot across has left of a counterbore."""
    s = scene.face(bores[0]).surface
    assert isinstance(s, Cylinder)
    inner = span(scene.cloud(bores), s.axis)
    arcs = [
        f
        for f in scene.about[bores[0]]
        if f in spare
        and isinstance(t := scene.face(f).surface, Cylinder)
        and t.hollow
        and t.radius_mm > s.radius_mm + tol.SURFACE_MM
        and same_line(s.origin, s.axis, t.origin, t.axis)
        and not _ends_tangent(scene, scene.face(f), t)
    ]
    kept = []
    for f in arcs:
        low, high = span(scene.vertices(f), s.axis)
        gap = (inner[1], low) if low >= inner[1] - tol.SURFACE_MM else (high, inner[0])
        if gap[1] - gap[0] < -tol.SURFACE_MM:
            continue  # beside the bore: what lies round it is no counterbore
        middle = s.origin + (sum(gap) / 2 - float(s.origin @ s.axis)) * s.axis
        if all(_free_for(scene, middle, d, (gap[1] - gap[0]) / 2) for d in (s.axis, -s.axis)):
            kept.append(f)
    return kept


def _one_hole(scene: Scene, s: Cylinder, f: int, other: int) -> bool:
    t = scene.face(other).surface
    assert isinstance(t, Cylinder)
    if not same_line(s.origin, s.axis, t.origin, t.axis):
        return False
    if _linked(scene, f, other, s):
        return True
    if abs(s.radius_mm - t.radius_mm) > tol.SURFACE_MM:
        return False
    a, b = span(scene.vertices(f), s.axis), span(scene.vertices(other), s.axis)
    gap = (min(a[1], b[1]), max(a[0], b[0]))
    if gap[1] <= gap[0]:
        return True  # side by side about one axis
    middle = s.origin + ((gap[0] + gap[1]) / 2 - float(s.origin @ s.axis)) * s.axis
    reach = (gap[1] - gap[0]) / 2
    return all(_free_for(scene, middle, d, reach) for d in (s.axis, -s.axis))


def _free_for(scene: Scene, origin: Array, direction: Array, reach: float) -> bool:
    return float(first_hits(scene.part.mesh, origin[None], direction)[0][0]) > reach - tol.SURFACE_MM


def _linked(scene: Scene, a: int, b: int, s: Cylinder) -> bool:
    """Whether two coaxial bores touch, or share a shoulder, sink or taper."""
    if b in scene.part.across(a):
        return True
    shared = scene.part.across(a) & scene.part.across(b) & scene.free
    return any(_about(scene.face(f), s) for f in shared)


def _about(face: Face, s: Cylinder) -> bool:
    """Whether a face is one of revolution about a bore's axis (a plane: square to it)."""
    t = face.surface
    if isinstance(t, Plane):
        return parallel(t.normal, s.axis, tol.AXIS_DEG)
    if isinstance(t, Cylinder):
        return t.hollow and same_line(s.origin, s.axis, t.origin, t.axis)
    if isinstance(t, Cone):
        return t.hollow and same_line(s.origin, s.axis, t.apex, t.axis)
    if isinstance(t, Torus):
        return same_line(s.origin, s.axis, t.centre, t.axis)
    if isinstance(t, Sphere):
        offset = t.centre - s.origin
        return t.hollow and float(np.linalg.norm(offset - (offset @ s.axis) * s.axis)) < tol.SURFACE_MM
    return False


def _hole(scene: Scene, bores: list[int]) -> Feature | None:
    main = scene.face(bores[0]).surface
    assert isinstance(main, Cylinder)
    members = set(bores)
    grown = True
    while grown:
        grown = False
        for f in sorted(members):
            for other in sorted((scene.part.across(f) & scene.free) - members):
                if _about(scene.face(other), main) and _belongs(scene, other, members):
                    members.add(other)
                    grown = True
    axis, origin = main.axis, main.origin
    spans = {f: span(scene.vertices(f), axis) for f in members}
    low, high = min(s[0] for s in spans.values()), max(s[1] for s in spans.values())
    ends = {+1: _open_end(scene, members, origin, axis, +1), -1: _open_end(scene, members, origin, axis, -1)}
    if not ends[1] and not ends[-1]:
        return None  # a closed cavity; nothing drills it
    through = ends[1] and ends[-1]
    sense = _mouth_sense(scene, members, spans, ends, axis)
    axis = sense * axis
    spans = {f: span(scene.vertices(f), axis) for f in members}
    mouth = _mouth_height(scene, members, spans, axis)
    roles = {f: _role(scene.face(f), axis) for f in members}
    stages = sorted(
        (_stage(scene, f, spans[f], axis) for f in members if roles[f] in (Role.BORE, Role.SINK, Role.POINT)),
        key=lambda st: (-st.high, -st.low),
    )
    listed = _bores(stages, mouth)
    if not listed:
        return None
    kind = Kind.HOLE
    dims = _dims(listed, through, high - low)
    straight = [b for b in listed if b.is_cylinder]
    if len(straight) == 1 and not through and len(listed) == 1:
        b = straight[0]
        shallow = b.end_mm - b.start_mm < b.start_diameter_mm / 2 - tol.SURFACE_MM
        if shallow and b.start_diameter_mm > _POCKET_DIAMETER_MM - tol.SURFACE_MM:
            kind = Kind.POCKET
            roles = {
                f: Role.FLOOR if r == Role.SHOULDER else Role.WALL if r == Role.BORE else r
                for f, r in roles.items()
            }
            dims = {
                "width_mm": b.start_diameter_mm,
                "length_mm": b.start_diameter_mm,
                "depth_mm": b.end_mm,
                "corner_radius_mm": b.start_diameter_mm / 2,
            }
    lean = float(np.degrees(np.arccos(np.clip(np.max(np.abs(scene.part.frame.axes @ axis)), 0, 1))))
    if lean > tol.AXIS_DEG:
        dims["angle_deg"] = lean
    open_sides = [
        side
        for d in ([axis, -axis] if through else [axis])
        if (side := scene.part.frame.side_of(d, _NEAREST_COS))
    ]
    # A rounded rim bounds the hole and is a feature of its own.
    own = sorted(members - _rounded_rims(scene, members))
    names = " ".join(n for f in own for n in scene.face(f).names)
    foot = origin + (mouth - float(origin @ axis)) * axis
    return Feature(
        id="",
        kind=kind,
        faces=tuple(own),
        roles={f: roles[f] for f in own},
        dims=dims,
        axis=Axis(vec(foot), vec(axis)),
        opens_to=tuple(open_sides),
        cross_section=CrossSection.ROUND,
        bores=tuple(listed),
        text=names,
        evidence=(f"{len(bores)} hollow round wall(s) about one axis", "through" if through else "blind"),
    )


def _rounded_rims(scene: Scene, members: set[int]) -> set[int]:
    """Rounds, material inside the curve, that run smoothly from a hole into what it is cut in."""
    return {
        f
        for f in members
        if isinstance(s := scene.face(f).surface, Torus)
        and not s.hollow
        and scene.part.across(f, Convexity.TANGENT) - members
    }


def _belongs(scene: Scene, other: int, members: set[int]) -> bool:
    """Whether a face of revolution next to the hole is part of it.

    A flat ring is a shoulder or bottom only if it meets a bore in an inward corner (or a fillet does)
    and nothing but the hole and what cuts it borders on it.
    """
    face = scene.face(other)
    if isinstance(face.surface, Plane):
        if not any(other in scene.part.across(m, Convexity.CONCAVE, Convexity.TANGENT) for m in members):
            return False
        foreign = [
            e
            for e in scene.part.edges_of(other)
            if e.convexity == Convexity.CONCAVE
            and (g := next(iter(set(e.faces) - {other}))) not in members
            and not _about(scene.face(g), _any_cylinder(scene, members))
        ]
        return not foreign
    return True


def _any_cylinder(scene: Scene, members: set[int]) -> Cylinder:
    return next(s for f in sorted(members) if isinstance(s := scene.face(f).surface, Cylinder))


def _open_end(scene: Scene, members: set[int], origin: Array, axis: Array, sense: int) -> bool:
    """Whether the axis is clear of material towards one end, from inside the hole."""
    heights = [span(scene.vertices(f), axis) for f in members if isinstance(scene.face(f).surface, Cylinder)]
    middle = (max(heights)[0] + max(heights)[1]) / 2 if sense > 0 else (min(heights)[0] + min(heights)[1]) / 2
    seat = origin + (middle - float(origin @ axis)) * axis
    # A crossing hole may put a wall beyond the mouth: clear means clear to the end of the hole's own faces.
    end = (
        max(s[1] for s in (span(scene.vertices(f), axis) for f in members))
        if sense > 0
        else min(s[0] for s in (span(scene.vertices(f), axis) for f in members))
    )

    small = min(s.radius_mm for f in members if isinstance(s := scene.face(f).surface, Cylinder))
    u, v, _ = orthonormal_basis(axis)
    turns = np.linspace(0.3, 2 * np.pi + 0.3, 8)[:-1, None]
    ring = seat + 0.6 * small * (np.cos(turns) * u + np.sin(turns) * v)
    rays = np.vstack([seat, ring])
    distance, _ = first_hits(scene.part.mesh, rays, sense * axis)
    return bool(np.any(distance > abs(end - middle) + tol.SURFACE_MM))


def _mouth_sense(
    scene: Scene, members: set[int], spans: dict[int, tuple[float, float]], ends: dict[int, bool], axis: Array
) -> int:
    """+1 when the mouth is at the high end of the axis."""
    if ends[1] != ends[-1]:
        return 1 if ends[1] else -1

    # Through: the wider end is the mouth; equal ends: the frame's positive side.
    def width(end: int) -> float:
        best = (-np.inf, 0.0)
        for f in members:
            if isinstance(scene.face(f).surface, Plane):
                continue
            level = spans[f][1] if end > 0 else -spans[f][0]
            best = max(best, (round(level, 3), round(_widest(scene, f, axis, level * end), 4)))
        return best[1]

    top, bottom = width(1), width(-1)
    if abs(top - bottom) > tol.SURFACE_MM:
        return 1 if top > bottom else -1
    lead = scene.part.frame.axes @ axis
    return 1 if lead[int(np.argmax(np.round(np.abs(lead), 6)))] > 0 else -1


def _widest(scene: Scene, f: int, axis: Array, level: float) -> float:
    """Diameter of a face of revolution where it ends at ``level`` along the axis."""
    s = scene.face(f).surface
    if isinstance(s, Cylinder):
        return 2 * s.radius_mm
    if isinstance(s, Cone):
        height = level - float(s.apex @ axis)
        return abs(2 * height * float(np.tan(np.radians(s.half_angle_deg))))
    return 0.0


def _mouth_height(
    scene: Scene, members: set[int], spans: dict[int, tuple[float, float]], axis: Array
) -> float:
    """Where the axis meets the face the hole starts from.

    On a slanted face the rim is an ellipse: the axis passes midway between its ends. Where a cut has
    broken the rim the highest level still holds.
    """
    first = max(
        (f for f in members if not isinstance(scene.face(f).surface, Plane)),
        key=lambda f: (spans[f][1], spans[f][0]),
    )
    rims = [
        e
        for e in scene.part.edges_of(first)
        if not (set(e.faces) - {first}) & members and float(np.mean(e.points @ axis)) > sum(spans[first]) / 2
    ]
    if not rims:
        return spans[first][1]
    heights = np.concatenate([e.points @ axis for e in rims])
    outer = {next(iter(set(e.faces) - {first})) for e in rims}
    if len(outer) == 1 and isinstance(scene.face(next(iter(outer))).surface, Plane):
        return float(heights.max() + heights.min()) / 2
    return float(heights.max())


def _role(face: Face, axis: Array) -> Role:
    s = face.surface
    if isinstance(s, Plane):
        return Role.SHOULDER
    if isinstance(s, Cone):
        # Opening towards the mouth with its apex inside the material: a point if it closes at the apex.
        apex_gap = float(np.min(np.linalg.norm(face.points - s.apex, axis=1)))
        reach = float(np.max(np.linalg.norm(face.points - s.apex, axis=1)))
        return Role.POINT if float(s.axis @ axis) > 0 and apex_gap < 0.5 * reach else Role.SINK
    if isinstance(s, (Sphere, Torus)):
        return Role.FOOT
    return Role.BORE


def _stage(scene: Scene, f: int, interval: tuple[float, float], axis: Array) -> _Stage:
    low, high = interval
    return _Stage(f, low, high, _widest(scene, f, axis, low), _widest(scene, f, axis, high))


def _bores(stages: list[_Stage], mouth: float) -> list[Bore]:
    """Stages from the mouth inwards; patches of one diameter that follow each other are one."""
    listed: list[Bore] = []
    for st in stages:
        bore = Bore(max(0.0, mouth - st.high), mouth - st.low, st.high_diameter_mm, st.low_diameter_mm)
        if listed and listed[-1].is_cylinder and bore.is_cylinder:
            last = listed[-1]
            if abs(last.end_diameter_mm - bore.start_diameter_mm) < tol.SURFACE_MM:
                listed[-1] = Bore(
                    min(last.start_mm, bore.start_mm),
                    max(last.end_mm, bore.end_mm),
                    last.start_diameter_mm,
                    last.end_diameter_mm,
                )
                continue
        listed.append(bore)
    return listed


def _dims(bores: list[Bore], through: bool, length: float) -> dict[str, float]:
    """The sizes a drawing would give."""
    straight = [b for b in bores if b.is_cylinder]
    main = min(straight, key=lambda b: b.start_diameter_mm)
    dims = {"diameter_mm": main.start_diameter_mm, "depth_mm": main.end_mm}
    if through:
        dims["depth_mm"] = length
    wider = [b for b in straight if b.start_diameter_mm > main.start_diameter_mm + tol.SURFACE_MM]
    if wider:
        first = wider[0]
        dims["counterbore_diameter_mm"] = first.start_diameter_mm
        dims["counterbore_depth_mm"] = first.end_mm
    for b in bores:
        if b.is_cylinder:
            continue
        half = float(
            np.degrees(np.arctan2(abs(b.start_diameter_mm - b.end_diameter_mm) / 2, b.end_mm - b.start_mm))
        )
        if b.end_diameter_mm < tol.SURFACE_MM:
            dims["point_angle_deg"] = 2 * half
        elif half >= _SINK_DEG and b.start_mm < tol.SURFACE_MM:
            dims["countersink_diameter_mm"] = b.start_diameter_mm
            dims["countersink_angle_deg"] = 2 * half
    return dims

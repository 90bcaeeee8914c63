"""The blank less what grinding takes, less the allowance: an exact solid."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.planar_path import Segment, area_of
from featurize.brep.shadow import View
from featurize.brep.solids import KernelError, cut, is_valid, prism, solids_of
from featurize.feature import Feature, Vec3
from routing.processes.blank import Blank
from routing.processes.shop import Shop
from routing.processes.surface_grind.profile import (
    Allowance,
    Lane,
    Run,
    Sight,
    Trace,
    bottom_of,
    cleared,
    filled,
    lanes,
    runs,
    sight,
)
from routing.processes.surface_grind.reach import OVERRUN_MM, Grind, Refusal, plan
from routing.processes.surface_grind.shop import GrindShop
from routing.processes.tools import Wheel


@dataclass(frozen=True, eq=False)
class GroundCut:
    """One pass of one wheel: everything inside ``path`` (closed, in ``view``), all along the traverse."""

    features: tuple[str, ...]
    view: View
    path: tuple[Segment, ...]
    wheel: Wheel
    corner_mm: float  # the coarsest corner of the wheels that pass here
    exact: bool  # the wheel's corners stand as true arcs

    @property
    def area_mm2(self) -> float:
        return area_of(list(self.path))


@dataclass(frozen=True)
class GroundFloor:
    """A flat ground face; the stock stands ``offset_mm`` in front of it at ``points`` (model mm).

    ``share`` of its width is ground flat; a wheel's corners stand over the rest.
    """

    feature: str
    face: int
    offset_mm: float
    share: float
    points: tuple[Vec3, ...]


@dataclass(frozen=True, eq=False)
class GroundStock:
    """``solid`` is in the part's model coordinates; ``note`` says why nothing was ground, or is empty."""

    solid: Any
    blank: Blank
    removed: tuple[GroundCut, ...]
    floors: tuple[GroundFloor, ...]
    left_out: tuple[tuple[str, str], ...]  # feature id and the reason
    note: str = ""
    faces: Mapping[str, tuple[int, ...]] = field(default_factory=dict)  # of each feature that was routed here
    allowances: Mapping[str, Allowance] = field(default_factory=dict)  # of the same features


def ground_stock(
    part: Part,
    routed: Sequence[Feature],
    blank: Blank,
    shop: Shop,
    *,
    floor_allowance_mm: float = 0.010,
    wall_allowance_mm: float = 0.0,
    own_allowances: Mapping[str, tuple[float, float]] | None = None,
    not_ground: Mapping[str, str] | None = None,
) -> GroundStock:
    """The stock after grinding the features that were routed to it.

    Features that share a side and a traverse are cut together. Floors (nearer the cross-feed than
    45 deg) keep the floor's allowance, other faces the wall's; ``own_allowances`` has (floor, wall) of
    features that keep others, by id. ``not_ground`` has the reasons of features that are not routed here:
    told when nothing is. Raises KernelError, ValueError for an allowance below zero.
    """
    common = (floor_allowance_mm, wall_allowance_mm)
    allowances = {f.id: Allowance(*(own_allowances or {}).get(f.id, common)) for f in routed}
    if not routed:
        return GroundStock(blank.solid, blank, (), (), (), _nothing("is ground", (not_ground or {}).items()))
    left_out: list[tuple[str, str]] = []
    groups: dict[tuple[float, ...], list[tuple[Feature, Grind]]] = {}
    for feature in routed:
        found = plan(part, feature, shop[GrindShop].wheels, shop.general.sharp_corner_leave_mm)
        if isinstance(found, Refusal):
            left_out.append((feature.id, found.reason))
            continue
        along = (
            found.traverse if found.traverse[int(np.argmax(np.abs(found.traverse)))] > 0 else -found.traverse
        )
        key = tuple(float(v) for v in np.round(np.concatenate([found.side, along]), 7) + 0.0)
        groups.setdefault(key, []).append((feature, found))
    cuts: list[GroundCut] = []
    floors: list[GroundFloor] = []
    for members in groups.values():
        view = sight(part, members[0][1].traverse, members[0][1].side)
        owner = {f: feature.id for feature, _ in members for f in feature.faces}
        traces = [t for f in owner if (t := view.trace(f)) is not None]
        keeps = {f: allowances[feature] for f, feature in owner.items()}
        beside_mm = {f: found.wheel.width_mm for feature, found in members for f in feature.faces}
        for run in runs(view, traces, keeps, beside_mm):
            made, reasons = _cut(blank, view, run, traces, owner, shop[GrindShop].wheels)
            cuts += made
            mine = [t for t in traces if any(_under(s.trace, t) for s in run.stretches)]
            left_out += [(f, r) for r in reasons for f in sorted({owner[t.face] for t in mine})]
            for t in mine:
                if t.circle is None and t.is_floor:
                    floor = _floor(part, view, t, owner[t.face], made, allowances[owner[t.face]].floor_mm)
                    if floor.share > 0:
                        floors.append(floor)
    if not cuts:
        return GroundStock(blank.solid, blank, (), (), tuple(left_out), _nothing("can be ground", left_out))
    tools = [tool_of(blank, c) for c in cuts]
    solid = _one_solid(cut(blank.solid, tools))
    return GroundStock(
        solid,
        blank,
        tuple(cuts),
        tuple(floors),
        tuple(left_out),
        faces={f.id: f.faces for f in routed},
        allowances=allowances,
    )


def _nothing(what: str, reasons: Iterable[tuple[str, str]]) -> str:
    """That the stock is the blank, and why: features of one reason together."""
    told: dict[str, list[str]] = {}
    for feature, reason in reasons:
        told.setdefault(reason, []).append(feature)
    why = "; ".join(f"{', '.join(ids)} {reason}" for reason, ids in told.items())
    return f"no feature {what}, the stock is the blank{': ' if why else ''}{why}"


def _cut(
    blank: Blank,
    view: Sight,
    run: Run,
    traces: Sequence[Trace],
    owner: dict[int, str],
    wheels: Sequence[Wheel],
) -> tuple[list[GroundCut], list[str]]:
    """The closed paths of one run, and why lanes of it stay full.

    Each lane gets the widest of the wheels with the finest corner that pass it; a lane that none passes
    is left to the level of its rim.
    """
    origin = view.view.flat(np.zeros(3))
    across = np.array(blank.extent(view.view.across)) + origin[0] + np.array([-OVERRUN_MM, OVERRUN_MM])
    top = max(blank.extent(view.view.up)[1] + float(origin[1]), view.top) + OVERRUN_MM
    bottom = bottom_of(run, overrun_mm=min(w.width_mm for w in wheels), over=across, top=top)
    most = max(max(s.left.floor_mm, s.left.wall_mm) for s in run.stretches)
    reasons: list[str] = []
    while True:
        found = [(lane, _wheel_for(lane, view.top, wheels)) for lane in lanes(bottom, across)]
        shut = min((lane for lane, w in found if w is None), key=lambda lane: lane.floor, default=None)
        if shut is None:
            break
        deep = view.top - shut.floor
        reasons.append(f"no wheel passes {shut.width_mm:.3f} wide and {deep:.3f} deep with the allowance")
        bottom = filled(bottom, shut)
    chosen = [(lane.width_mm, w) for lane, w in found if w is not None]
    if not chosen:
        return [], reasons
    wheel = min(chosen, key=lambda pair: pair[0])[1]
    corner = max(w.corner_radius_mm for _, w in chosen)
    profile = cleared(bottom, across, run.fillets, corner, 2 * most)
    ids = tuple(sorted({owner[t.face] for t in traces if any(_under(s.trace, t) for s in run.stretches)}))
    return [GroundCut(ids, view.view, p, wheel, corner, profile.exact) for p in profile.paths], reasons


def _wheel_for(lane: Lane, top: float, wheels: Sequence[Wheel]) -> Wheel | None:
    passing = [
        w
        for w in wheels
        if w.width_mm <= lane.width_mm + tol.LENGTH_MM and top - lane.floor <= w.depth_mm + tol.LENGTH_MM
    ]
    return min(passing, key=lambda w: (w.corner_radius_mm, -w.width_mm), default=None)


def _floor(
    part: Part, view: Sight, trace: Trace, feature: str, cuts: Sequence[GroundCut], allowance_mm: float
) -> GroundFloor:
    """Where a flat face is ground flat."""
    level = trace.segment(allowance_mm)
    flats = [
        sorted((float(q.start[0]), float(q.end[0])))
        for c in cuts
        for q in c.path
        if q.mid is None
        and max(abs(float((p - level.start) @ trace.normal)) for p in (q.start, q.end)) < tol.LENGTH_MM
    ]
    ends = [(max(a, float(trace.low[0])), min(b, float(trace.high[0]))) for a, b in flats]
    ends = [(a, b) for a, b in ends if b - a > tol.SURFACE_MM]
    face = part.faces[trace.face]
    # Where they are met in front of the face: beside an edge of a leaning one that is past its end.
    at = view.view.flat(face.points) + allowance_mm * trace.normal
    on = (
        np.any([(at[:, 0] > a) & (at[:, 0] < b) for a, b in ends], axis=0)
        if ends
        else np.zeros(len(at), bool)
    )
    points = face.points[on]
    if ends and not on.any():  # no sample fell there: take the middle of each stretch
        along = float((face.centroid - view.view.origin) @ view.view.along)
        middles = [np.array([(a + b) / 2, trace.height((a + b) / 2)]) for a, b in ends]
        points = np.array([view.view.solid(m, along) for m in middles])
    share = sum(b - a for a, b in ends) / float(trace.high[0] - trace.low[0])
    return GroundFloor(
        feature, trace.face, allowance_mm, share, tuple((float(x), float(y), float(z)) for x, y, z in points)
    )


def _under(a: Trace, b: Trace) -> bool:
    """Whether two traces are one line: the same face, or faces that a crossing feature has parted."""
    if a.face == b.face:
        return True
    if a.circle is not None or b.circle is not None:
        return False
    level = max(abs(float((p - a.low) @ a.normal)) for p in (b.low, b.high))
    return (
        float(a.normal @ b.normal) > 0.999999
        and level < tol.LENGTH_MM
        and b.low[0] < a.high[0]
        and a.low[0] < b.high[0]
    )


def tool_of(blank: Blank, cut_: GroundCut) -> Any:
    """What one pass takes, through the whole blank."""
    start, end = blank.extent(cut_.view.along)
    shift = float(cut_.view.origin @ cut_.view.along)
    return prism(cut_.view, cut_.path, start - shift - OVERRUN_MM, end - shift + OVERRUN_MM)


def _one_solid(shape: Any) -> Any:
    solids = solids_of(shape)
    if len(solids) != 1:
        raise KernelError(f"grinding would leave {len(solids)} pieces of stock")
    if not is_valid(solids[0]):
        raise KernelError("the ground stock is not a valid solid")
    return solids[0]

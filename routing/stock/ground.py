"""The blank less what grinding takes: an exact solid."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.solids import KernelError, cut, fused, is_valid, prism, solids_of, turned
from featurize.feature import Vec3
from routing.processes.blank import Blank
from routing.processes.protocol import Allowance, Task
from routing.processes.surface_grind.cuts import Cleared, GroundCut, WheelCuts, ground
from routing.processes.surface_grind.reach import OVERRUN_MM
from routing.processes.surface_grind.view import Trace
from routing.processes.tools import Wheel


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
    left_out: tuple[tuple[str, str], ...]  # region and the reason
    note: str = ""
    faces: Mapping[str, tuple[int, ...]] = field(default_factory=dict)  # of each region that was routed here
    allowances: Mapping[int, Allowance] = field(default_factory=dict)  # of each face that keeps one
    in_part: frozenset[str] = frozenset()  # regions that the wheel does not make whole


def ground_stock(
    part: Part,
    tasks: Sequence[Task],
    blank: Blank,
    wheels: Sequence[Wheel],
    *,
    not_ground: Mapping[str, str] | None = None,
) -> GroundStock:
    """The stock after the grinding tasks of a plan, with what they keep left on.

    ``not_ground`` has the reasons of features that are not routed here: told when nothing is. Raises
    KernelError.
    """
    if not tasks:
        return GroundStock(blank.solid, blank, (), (), (), _nothing("is ground", (not_ground or {}).items()))
    found = ground(part, tasks, blank.corners, wheels)
    left_out = found.left_out
    if not found.cuts:
        return GroundStock(blank.solid, blank, (), (), left_out, _nothing("can be ground", left_out))
    solid = _one_solid(cut(blank.solid, [tool_of(blank, c) for c in found.cuts]))
    floors = (
        _floor(part, run, trace, found)
        for run in found.cleared
        for trace in run.traces
        if trace.circle is None and trace.is_floor
    )
    return GroundStock(
        solid,
        blank,
        found.cuts,
        tuple(f for f in floors if f.share > 0),
        left_out,
        faces={t.feature.id: t.feature.faces for t in tasks},
        allowances=found.keeps,
        in_part=found.in_part,
    )


def _nothing(what: str, reasons: Iterable[tuple[str, str]]) -> str:
    """That the stock is the blank, and why: features of one reason together."""
    by_reason: dict[str, list[str]] = {}
    for feature, reason in reasons:
        by_reason.setdefault(reason, []).append(feature)
    why = "; ".join(f"{', '.join(ids)} {reason}" for reason, ids in by_reason.items())
    return f"no feature {what}, the stock is the blank{': ' if why else ''}{why}"


def _floor(part: Part, run: Cleared, trace: Trace, found: WheelCuts) -> GroundFloor:
    """Where a flat face is ground flat."""
    view, mm = run.sight.view, found.keeps.get(trace.face, Allowance()).floor_mm
    face, at = part.faces[trace.face], trace.low + mm * trace.normal
    flats = [
        (max(a, float(trace.low[0])), min(b, float(trace.high[0])), c)
        for c in run.cuts
        for q in c.path
        if q.mid is None
        and max(abs(float((p - at) @ trace.normal)) for p in (q.start, q.end)) < tol.LENGTH_MM
        for a, b in [sorted((float(q.start[0]), float(q.end[0])))]
    ]
    flats = [(a, b, c) for a, b, c in flats if b - a > tol.SURFACE_MM]
    # Where they are met in front of the face: beside an edge of a leaning one that is past its end.
    facets = part.mesh.vertices[part.mesh.triangles[part.mesh.rows(np.array([face.id]))]]
    points = np.vstack([face.points, facets.mean(axis=1)])
    across = view.flat(points)[:, 0] + mm * trace.normal[0]
    along = (points - view.origin) @ view.along
    on = np.zeros(len(across), bool)
    for a, b, c in flats:
        on |= (across > a) & (across < b) & (along > c.stops[0]) & (along < c.stops[1])
    share = sum(b - a for a, b, _ in flats) / float(trace.high[0] - trace.low[0]) if on.any() else 0.0
    places = tuple((float(x), float(y), float(z)) for x, y, z in points[on])
    return GroundFloor(found.owner[trace.face], trace.face, mm, share, places)


def tool_of(blank: Blank, cut_: GroundCut) -> Any:
    """What one pass takes: through the whole blank, or to where the wheel's own round stands at a stop."""
    start, end = np.array(blank.extent(cut_.view.along)) - float(cut_.view.origin @ cut_.view.along)
    low, high = np.clip(cut_.stops, start - OVERRUN_MM, end + OVERRUN_MM)
    tool = prism(cut_.view, cut_.path, low, high)
    for at, sense in zip(cut_.stops, (-1, 1), strict=True):
        if np.isfinite(at):
            tool = fused(tool, turned(cut_.view, cut_.path, at, cut_.axis_mm, sense))
    return tool


def _one_solid(shape: Any) -> Any:
    solids = solids_of(shape)
    if len(solids) != 1:
        raise KernelError(f"grinding would leave {len(solids)} pieces of stock")
    if not is_valid(solids[0]):
        raise KernelError("the ground stock is not a valid solid")
    return solids[0]

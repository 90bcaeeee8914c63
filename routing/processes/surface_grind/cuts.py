"""What wheels take of a part, as plane paths that are swept along a traverse: shared by plan and stock.

Features that a wheel goes right through along one side and traverse are cut together; where it stops before
what stands in its way, each stretch between two stops is a cut of its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.planar_path import Segment, area_of
from featurize.brep.silhouette import View
from featurize.brep.surfaces import Array, Plane
from routing.processes.protocol import Allowance, Task
from routing.processes.surface_grind.path import bottom_of, channels, cleared, filled, wheel_for
from routing.processes.surface_grind.reach import OVERRUN_MM, Grind
from routing.processes.surface_grind.runs import NOTHING_LEFT, WheelRun, runs
from routing.processes.surface_grind.verdict import GrindVerdict
from routing.processes.surface_grind.view import ENDLESS, LOOK_MM, Trace, TraverseView, sight
from routing.processes.tools import Wheel


@dataclass(frozen=True, eq=False)
class GroundCut:
    """One pass of one wheel: everything inside ``path`` (closed, in ``view``), all along the traverse.

    ``stops`` are where the wheel's axis stops, in mm along the view from its origin; infinite where the wheel
    runs out of the blank. Past a stop the wheel's own round stands.
    """

    features: tuple[str, ...]
    view: View
    path: tuple[Segment, ...]
    wheel: Wheel
    corner_mm: float  # the coarsest corner of the wheels that pass here
    exact: bool  # the wheel's corners stand as true arcs
    stops: tuple[float, float] = ENDLESS

    @property
    def area_mm2(self) -> float:
        return area_of(list(self.path))

    @property
    def axis_mm(self) -> float:
        """The level of the wheel's axis over the view's origin."""
        return min(float(s.points()[:, 1].min()) for s in self.path) + self.wheel.diameter_mm / 2


@dataclass(frozen=True, eq=False)
class Cleared:
    """One run: its faces, what is cut of it, and the regions of which a lane stays full, with why."""

    sight: TraverseView
    traces: tuple[Trace, ...]
    cuts: tuple[GroundCut, ...]
    full: tuple[tuple[str, str], ...]


@dataclass(frozen=True, eq=False)
class WheelCuts:
    """All that wheels clear. ``owner`` and ``keeps`` tell of each face its region and what stays on it.

    ``in_part`` are regions that they do not make whole.
    """

    cleared: tuple[Cleared, ...]
    owner: Mapping[int, str]
    keeps: Mapping[int, Allowance]
    refused: tuple[tuple[str, str], ...]  # region and the reason
    in_part: frozenset[str]

    @property
    def cuts(self) -> tuple[GroundCut, ...]:
        return tuple(c for run in self.cleared for c in run.cuts)

    @property
    def left_out(self) -> tuple[tuple[str, str], ...]:
        """Regions that stay full, or a lane of which does, and why."""
        return (*self.refused, *dict.fromkeys(entry for run in self.cleared for entry in run.full))


def ground(part: Part, tasks: Sequence[Task], corners: Array, wheels: Sequence[Wheel]) -> WheelCuts:
    """What the wheels of some grinding tasks clear of a blank, whose hull ``corners`` (n, 3) span."""
    owner = {f: t.feature.id for t in tasks for f in t.feature.faces}
    keeps = _by_plane(part, tasks)
    groups: dict[tuple[float, ...], list[tuple[Task, Grind]]] = {}
    single: list[Cleared] = []
    refused = []
    for task in tasks:
        way = task.verdict.way if isinstance(task.verdict, GrindVerdict) else None
        if way is None:
            refused.append((task.feature.id, task.verdict.reason if task.verdict else "no wheel makes it"))
            continue
        for span in way.spans:
            near = [w for w in wheels if w.diameter_mm <= span.wheel.diameter_mm]
            for run in runs(span.sight, span.traces, keeps, least_mm=LOOK_MM):
                single.append(_cleared(corners, span.sight, run, span.traces, owner, near, span.stops))
        if not way.spans:
            groups.setdefault(way.setup, []).append((task, way))
    through = [run for members in groups.values() for run in _together(part, members, keeps, corners, wheels)]
    in_part = frozenset(t.feature.id for t in tasks if t.verdict is not None and t.verdict.rest is not None)
    return WheelCuts((*through, *single), owner, keeps, tuple(refused), in_part)


def _by_plane(part: Part, tasks: Sequence[Task]) -> dict[int, Allowance]:
    """What stays on each face: of faces in one plane, whichever way they are ground, what most stays on.

    A wheel runs over one behind the other, and with its side past what it was flat on before.
    """
    keeps = {f: NOTHING_LEFT for t in tasks for f in t.feature.faces}
    keeps |= {f: kept.allowance for t in tasks for kept in t.keeps for f in kept.faces}
    planes: dict[tuple[float, ...], list[tuple[int, str]]] = {}
    for task in tasks:
        for f in task.feature.faces:
            surface = part.faces[f].surface
            if isinstance(surface, Plane) and isinstance(task.verdict, GrindVerdict) and task.verdict.way:
                lean = float(np.degrees(np.arccos(np.clip(surface.normal @ task.verdict.way.side, -1, 1))))
                which = "floor_mm" if lean < 45.0 - tol.PARALLEL_DEG else "wall_mm"
                key = (
                    *np.round([*surface.normal, (surface.origin - part.frame.origin) @ surface.normal], 3),
                )
                planes.setdefault(key, []).append((f, which))
    for members in planes.values():
        most = max(getattr(keeps[f], which) for f, which in members)
        for f, which in members:
            if getattr(keeps[f], which) < most:
                keeps[f] = replace(keeps[f], **{which: most})
    return keeps


def _together(
    part: Part,
    members: Sequence[tuple[Task, Grind]],
    keeps: Mapping[int, Allowance],
    corners: Array,
    wheels: Sequence[Wheel],
) -> Iterator[Cleared]:
    view = sight(part, members[0][1].traverse, members[0][1].side)
    owner = {f: task.feature.id for task, _ in members for f in task.feature.faces}
    traces = [t for f in owner if (t := view.trace(f)) is not None]
    beside_mm = {f: way.wheel.width_mm for task, way in members for f in task.feature.faces}
    for run in runs(view, traces, keeps, beside_mm):
        yield _cleared(corners, view, run, traces, owner, wheels, ENDLESS)


def _cleared(
    corners: Array,
    view: TraverseView,
    run: WheelRun,
    traces: Sequence[Trace],
    owner: Mapping[int, str],
    wheels: Sequence[Wheel],
    stops: tuple[float, float],
) -> Cleared:
    """The closed paths of one run.

    Each lane gets the widest of the wheels with the finest corner that pass it; a lane that none passes
    is left to the level of its rim.
    """
    flat = view.view.flat(corners)
    across = np.array([flat[:, 0].min() - OVERRUN_MM, flat[:, 0].max() + OVERRUN_MM])
    top = max(float(flat[:, 1].max()), view.top) + OVERRUN_MM
    bottom = bottom_of(run, overrun_mm=min(w.width_mm for w in wheels), over=across, top=top)
    own = tuple(t for t in traces if any(_under(s.trace, t) for s in run.stretches))
    full: list[tuple[str, str]] = []
    while True:
        found = [(channel, wheel_for(channel, view.top, wheels)) for channel in channels(bottom, across)]
        shut = min(
            (channel for channel, w in found if w is None), key=lambda channel: channel.floor, default=None
        )
        if shut is None:
            break
        deep = view.top - shut.floor
        why = f"no wheel passes {shut.width_mm:.3f} wide and {deep:.3f} deep with the allowance"
        low, high = bottom[shut.first].start[0], bottom[shut.last].end[0]
        full += [
            (f, why) for f in sorted({owner[t.face] for t in own if t.low[0] < high and t.high[0] > low})
        ]
        bottom = filled(bottom, shut)
    chosen = [(channel.width_mm, w) for channel, w in found if w is not None]
    if not chosen:
        return Cleared(view, own, (), tuple(full))
    wheel = min(chosen, key=lambda pair: pair[0])[1]
    corner = max(w.corner_radius_mm for _, w in chosen)
    most = max(max(s.left.floor_mm, s.left.wall_mm) for s in run.stretches)
    profile = cleared(bottom, across, run.fillets, corner, 2 * max(most, *run.walls_mm))
    ids = tuple(sorted({owner[t.face] for t in own}))
    cuts = tuple(GroundCut(ids, view.view, p, wheel, corner, profile.exact, stops) for p in profile.paths)
    return Cleared(view, own, cuts, tuple(full))


def _under(a: Trace, b: Trace) -> bool:
    """Whether two traces are one line: the same face, or faces that a crossing feature has parted."""
    if a.face == b.face:
        return True
    return a.in_line_with(b) and bool(b.low[0] < a.high[0] and a.low[0] < b.high[0])

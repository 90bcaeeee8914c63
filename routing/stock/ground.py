"""The blank less what grinding takes, less the allowance: an exact solid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.shadow import View
from featurize.feature import Feature
from routing.processes.grind_path import Segment, area_of
from routing.processes.grind_profile import Run, Sight, Trace, bottom_of, cleared, gaps, runs, sight
from routing.processes.surface_grind import OVERRUN_MM, Grind, Refusal, plan
from routing.shop import Shop, Wheel
from routing.stock.blank import Blank
from routing.stock.solids import KernelError, cut, is_valid, prism, solids_of


@dataclass(frozen=True, eq=False)
class GroundCut:
    """One pass of one wheel: everything inside ``path`` (closed, in ``view``), all along the traverse."""

    features: tuple[str, ...]
    view: View
    path: tuple[Segment, ...]
    wheel: Wheel
    exact: bool  # the wheel's corners stand as true arcs

    @property
    def area_mm2(self) -> float:
        return area_of(list(self.path))


@dataclass(frozen=True)
class GroundFloor:
    """A flat ground face; the stock stands ``offset_mm`` in front of it."""

    feature: str
    face: int
    offset_mm: float


@dataclass(frozen=True, eq=False)
class GroundStock:
    """``solid`` is in the part's model coordinates; ``note`` says why nothing was ground, or is empty."""

    solid: Any
    blank: Blank
    removed: tuple[GroundCut, ...]
    floors: tuple[GroundFloor, ...]
    left_out: tuple[tuple[str, str], ...]  # feature id and the reason
    note: str = ""


def ground_stock(
    part: Part,
    routed: Sequence[Feature],
    blank: Blank,
    shop: Shop,
    *,
    floor_allowance_mm: float = 0.010,
    wall_allowance_mm: float = 0.0,
) -> GroundStock:
    """The stock after grinding the features that were routed to it.

    Features that share a side and a traverse are cut together. Floors (nearer the cross-feed than
    45 deg) keep the floor's allowance, other faces the wall's. Raises KernelError.
    """
    if floor_allowance_mm < 0 or wall_allowance_mm < 0:
        raise ValueError("an allowance is stock left on: it cannot be negative")
    if not routed:
        return GroundStock(blank.solid, blank, (), (), (), "no feature is ground: the stock is the blank")
    left_out: list[tuple[str, str]] = []
    groups: dict[tuple[float, ...], list[tuple[Feature, Grind]]] = {}
    for feature in routed:
        found = plan(part, feature, shop.wheels, shop.general.sharp_corner_leave_mm)
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
        for run in runs(view, traces):
            cut_, reason = _cut(
                blank, view, run, traces, owner, shop.wheels, floor_allowance_mm, wall_allowance_mm
            )
            if cut_ is None:
                left_out += [(owner[f], reason) for f in sorted(run.faces)]
                continue
            cuts += cut_
            floors += [
                GroundFloor(owner[t.face], t.face, floor_allowance_mm)
                for t in traces
                if t.is_floor and any(_under(s.trace, t) for s in run.stretches)
            ]
    if not cuts:
        return GroundStock(
            blank.solid, blank, (), (), tuple(left_out), "no feature can be ground: the stock is the blank"
        )
    tools = [_tool(blank, c) for c in cuts]
    solid = _one_solid(cut(blank.solid, tools))
    return GroundStock(solid, blank, tuple(cuts), tuple(floors), tuple(left_out))


def _cut(
    blank: Blank,
    view: Sight,
    run: Run,
    traces: Sequence[Trace],
    owner: dict[int, str],
    wheels: Sequence[Wheel],
    floor_mm: float,
    wall_mm: float,
) -> tuple[list[GroundCut] | None, str]:
    """The closed paths of one run with the widest wheel that passes its lanes."""
    origin = view.view.flat(np.zeros(3))
    across = np.array(blank.extent(view.view.across)) + origin[0] + np.array([-OVERRUN_MM, OVERRUN_MM])
    top = max(blank.extent(view.view.up)[1] + float(origin[1]), view.top) + OVERRUN_MM
    bottom = bottom_of(
        run,
        floor_allowance_mm=floor_mm,
        wall_allowance_mm=wall_mm,
        overrun_mm=min(w.width_mm for w in wheels),
        over=across,
        top=top,
    )
    gap = min(gaps(bottom, across), default=float("inf"))
    depth = view.top - min(float(s.end[1]) for s in bottom)
    passing = [w for w in wheels if w.width_mm <= gap + tol.LENGTH_MM and depth <= w.depth_mm + tol.LENGTH_MM]
    if not passing:
        return None, f"no wheel passes {gap:.3f} wide and {depth:.3f} deep with the allowance"
    finest = min(w.corner_radius_mm for w in passing)
    wheel = max((w for w in passing if w.corner_radius_mm <= finest), key=lambda w: w.width_mm)
    profile = cleared(bottom, run.fillets, wheel.corner_radius_mm)
    near = {
        owner[t.face] for t in traces if t.face in run.faces or any(_under(s.trace, t) for s in run.stretches)
    }
    ids = tuple(sorted(near))
    return [GroundCut(ids, view.view, p, wheel, profile.exact) for p in profile.paths], ""


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


def _tool(blank: Blank, cut_: GroundCut) -> Any:
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

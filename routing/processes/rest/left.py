"""What each process would leave of one feature's space: regions between levels, in the process's own view.

The space is what stands over the feature in a blank as high as its rim, less the part. A wire clears what it
passes right through, a cutter or an electrode what it sees from its side, a wheel what its rim reaches in
its own plane; each opened by its disc (a wire's radius and gap, a cutter's radius, an electrode's edge and
gap, the wheel's radius). The rounding of a cutter's or a wheel's own corner at a floor is not in it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely

from featurize import tolerances as tol
from featurize.brep.shadow import View, below, envelope, merged
from featurize.brep.surfaces import Array
from featurize.brep.surfaces_at import parallel
from featurize.feature import Feature
from routing.processes.approaches import approaches, side_direction, side_name
from routing.processes.base import JobContext, Verdict
from routing.processes.corners import lean_deg
from routing.processes.mill import judge as mill
from routing.processes.rest.plane import OUTLINE_MM, Reach, boxes, chords_mm, path_of, same, solid_of
from routing.processes.rest.slabs import Slab, Stack, strips
from routing.processes.sink_erode import judge as sink_erode
from routing.processes.sink_erode.cavity import outline_of
from routing.processes.surface_grind import judge as surface_grind
from routing.processes.wire import judge as wire

# Where more than this share stays there is no body of it: it is the feature's own space, or nearly.
NEARLY_ALL = 0.9
_NEARLY = "it would leave nearly all"


class NoBodyError(Exception):
    """Why a process's rest is not worked out."""


@dataclass(frozen=True, eq=False)
class Layer:
    """Polygons that stay between two levels."""

    low_mm: float
    high_mm: float
    pieces: tuple[Any, ...]


@dataclass(eq=False)
class Left:
    """What ``tool`` leaves, in ``view``; ``whole_mm3`` is the feature's space."""

    tool: str
    view: View
    layers: list[Layer] = field(default_factory=list)
    whole_mm3: float = 0.0
    chord_mm: float = 0.0
    space: Any = field(default_factory=shapely.Polygon)  # the feature's, seen along the view
    _uneven_mm3: float = 0.0

    @property
    def sections_mm3(self) -> float:
        """The volume by the sections, arcs as chords."""
        return sum((c.high_mm - c.low_mm) * sum(float(p.area) for p in c.pieces) for c in self.layers)

    @property
    def share(self) -> float:
        return self.sections_mm3 / self.whole_mm3 if self.whole_mm3 else 0.0

    def bodies(self) -> list[Any]:
        """Prisms, none over another."""
        return [solid_of(self.view, p, c.low_mm, c.high_mm) for c in self.layers for p in c.pieces]

    def seen(self) -> tuple[list[Any], list[Any]]:
        """The space and what stays of it as rings (k, 2) in the view, to 0.005 mm; holes with the clock."""
        kept = shapely.union_all([p for c in self.layers for p in c.pieces])
        return _rings(self.space), _rings(kept)

    @property
    def bound_mm3(self) -> float:
        """How far the bodies' volume may be off: outlines' rounding, chords of curved walls, uneven slabs."""
        found = self._uneven_mm3
        for c in self.layers:
            for ring in (r for p in c.pieces for r in (p.exterior, *p.interiors)):
                rough = chords_mm(path_of(ring)) * self.chord_mm
                found += (c.high_mm - c.low_mm) * (float(ring.length) * OUTLINE_MM + rough)
        return found

    def add(self, slab: Slab, space: Any, pieces: list[list[Any]]) -> None:
        """``pieces`` are those at the slab's middle, and of an uneven slab those at its ends."""
        self.whole_mm3 += slab.height_mm * float(space.area)
        self.space = shapely.union_all([self.space, space])
        if not slab.even:
            # Simpson's rule less the middle's.
            middle, low, high = (sum(float(p.area) for p in some) for some in pieces)
            self._uneven_mm3 += slab.height_mm * abs(low - 2 * middle + high) / 6
        if not pieces[0]:
            return
        last = self.layers[-1] if self.layers else None
        # From the top down: the same pieces go on.
        if last and abs(last.low_mm - slab.high_mm) < tol.LENGTH_MM and same(last.pieces, pieces[0]):
            self.layers[-1] = Layer(slab.low_mm, last.high_mm, last.pieces)
        else:
            self.layers.append(Layer(slab.low_mm, slab.high_mm, tuple(pieces[0])))


def _rings(region: Any) -> list[Any]:
    drawn = shapely.orient_polygons(shapely.simplify(region, tol.MESH_DEFLECTION_MM))
    parts = [p for p in shapely.get_parts(drawn) if p.geom_type == "Polygon"]
    return [shapely.get_coordinates(r)[:-1] for p in parts for r in (p.exterior, *p.interiors)]


def left_by(job: JobContext, feature: Feature, verdict: Verdict, side: str, *, forced: bool = False) -> Left:
    """What a process leaves, by its answer; ``side`` is where the feature's own process comes from.

    Of one that is ``forced`` more is worked out: what a wheel leaves that does not get to the floor.
    Raises NoBodyError with the reason where that is not worked out: nearly all of it, for one.
    """
    match verdict.process:
        case wire.NAME:
            return _by_wire(job, feature, verdict)
        case mill.NAME:
            return _by_cutter(job, feature, verdict, side)
        case sink_erode.NAME:
            return _by_electrode(job, feature, verdict, side)
        case _:
            return _by_wheel(job, feature, forced=forced)


def _by_wire(job: JobContext, feature: Feature, verdict: Verdict) -> Left:
    name = str(verdict.details.get("axis", "+z"))
    if name == "slanted" and feature.axis is not None:
        along = np.array(feature.axis.direction)
    else:
        along = side_direction(job, name)
    owned = min(job.shop.wires, key=lambda w: w.corner_mm)
    if any(tol.CONE_MIN_DEG < lean_deg(f, along) < 89.0 for f in job.faces(feature)):
        raise NoBodyError("the wire would lean along its walls")
    barred = job.extent_mm(along) > job.shop.wire_machine.height_limit_mm
    # Where no start hole can be the wire is not threaded at all.
    barred |= "inscribed_mm" in verdict.details and "start_hole_mm" not in verdict.details
    stack = Stack.along(job, along)
    _, shadow = job.shadow(along)
    outline = outline_of(job.part, stack.view, np.array(feature.faces))
    if barred or float(outline.intersection(shadow).area) > NEARLY_ALL * float(outline.area):
        raise NoBodyError(_NEARLY)
    tool = f"wire {owned.diameter_mm:g} and its {owned.gap_mm:g} gap"
    return _rolled(stack, feature, tool, owned.corner_mm, shadow=shadow)


def _by_cutter(job: JobContext, feature: Feature, verdict: Verdict, side: str) -> Left:
    toward = _toward(job, feature, verdict, side)
    stack = Stack.along(job, toward)
    low, mouth = stack.extent(feature.faces)
    sensible = job.shop.rule(job.material).smallest_cutter_mm - tol.LENGTH_MM
    owned = [c for c in job.shop.cutters if c.diameter_mm >= sensible]
    if not owned:
        raise NoBodyError("the material bears none of the shop's cutters")
    reach = {c: mill.reach_mm(job, c) for c in owned}
    named = verdict.details.get("cutter_mm")
    deep = [c for c in owned if reach[c] >= mouth - low - tol.SURFACE_MM] or [
        max(owned, key=lambda c: reach[c])
    ]
    cutter = min(
        [c for c in deep if c.diameter_mm == named] or deep, key=lambda c: (c.radius_mm, c.kind != "flat")
    )
    tool = f"{cutter.diameter_mm:g} {cutter.kind} cutter from {side_name(job, toward)}"
    return _rolled(stack, feature, tool, cutter.radius_mm, floor_mm=mouth - reach[cutter])


def _by_electrode(job: JobContext, feature: Feature, verdict: Verdict, side: str) -> Left:
    toward, owned = _toward(job, feature, verdict, side), job.shop.electrodes
    stack = Stack.along(job, toward)
    mouth = stack.extent(feature.faces)[1]
    radius = sink_erode.leaves_mm(owned)
    tool = f"electrode edge {owned.corner_radius_mm:g} and its {owned.finish_gap_mm:g} gap"
    return _rolled(
        stack, feature, f"{tool} from {side_name(job, toward)}", radius, floor_mm=mouth - owned.max_depth_mm
    )


def _toward(job: JobContext, feature: Feature, verdict: Verdict, side: str) -> Array:
    """Where a process comes from: its own side, else the feature's, else the most natural one."""
    ways = approaches(job, feature)
    asked = str(verdict.details.get("side", side))
    return next((d for d in ways if side_name(job, d) == asked), ways[0])


def _rolled(
    stack: Stack,
    feature: Feature,
    tool: str,
    radius_mm: float,
    *,
    shadow: Any | None = None,
    floor_mm: float = -np.inf,
) -> Left:
    """What a disc that comes along the view leaves of the feature's space, from its mouth down.

    With a ``shadow`` it passes right through beside that, else it needs air above it. Below ``floor_mm`` it
    reaches nothing.
    """
    job, view = stack.job, stack.view
    outline = outline_of(job.part, view, np.array(feature.faces))
    window = shapely.box(*outline.bounds).buffer(2 * radius_mm + 1, join_style="mitre")
    low, mouth = stack.extent(feature.faces)
    top = float(stack.levels(job.part.mesh.vertices).max())
    found = Left(tool, view, chord_mm=job.part.mesh.deflection_mm)
    over = shadow if shadow is not None else shapely.Polygon()
    stops = [mouth, floor_mm] if np.isfinite(floor_mm) else [mouth]
    for slab in reversed(stack.slabs(low, mouth if shadow is not None else top, window, *stops)):
        metals = [stack.metal(level, window) for level in slab.levels]
        if slab.low_mm < mouth - tol.LENGTH_MM:
            barred = slab.low_mm < floor_mm - tol.LENGTH_MM
            pieces = []
            for metal in metals:
                hidden = over if shadow is not None else shapely.union_all([over, metals[-1], metal])
                free = shapely.Polygon() if barred else window.difference(hidden)
                pieces.append(Reach(free, radius_mm).left_of(outline.difference(metal)))
            found.add(slab, outline.difference(metals[0]), pieces)
        if shadow is None:
            over = merged([over, *metals])
    return found


def _by_wheel(job: JobContext, feature: Feature, *, forced: bool) -> Left:
    """The least that a wheel leaves that comes from a side and runs as far as what stands there lets it."""
    dips = [(_dip(job, feature, *way), way) for way in surface_grind.ways(job.part, feature)]
    if not dips:
        raise NoBodyError("no traverse is square to a side it opens to")
    found = [
        _rim(job, feature, *way) for dip, way in dips if dip.share > (0 if forced else 1 - tol.LENGTH_MM)
    ]
    if not found:
        raise NoBodyError(max(dips, key=lambda d: d[0].share)[0].words)
    return min(found, key=lambda left: left.sections_mm3)


@dataclass(frozen=True)
class _Dip:
    """How much of a feature's depth a wheel gets to."""

    share: float
    words: str


def _dip(job: JobContext, feature: Feature, side: Array, traverse: Array) -> _Dip:
    """All where it comes in from an open end; between two ends L apart R - sqrt(R^2 - L^2 / 4) at most."""
    cloud = job.cloud(feature.faces)
    deep, length = (float(np.ptp(cloud @ d)) for d in (side, traverse))
    if not _is_closed(job, feature, traverse) or deep < tol.LENGTH_MM:
        return _Dip(1.0, "")
    radius = min(w.diameter_mm for w in job.shop.wheels) / 2
    dip = min(radius - float(np.sqrt(max(radius**2 - length**2 / 4, 0.0))), deep)
    said = f"closed at both ends {length:.2f} apart: a wheel of diameter {2 * radius:g} dips {dip:.3f} in"
    return _Dip(dip / deep, said)


def _rim(job: JobContext, feature: Feature, side: Array, traverse: Array) -> Left:
    """In the wheel's own plane: its disc, in air that is open to its side all over the feature's width."""
    stack, plan = (
        Stack.along(job, np.cross(side, traverse), side),
        View.toward(job.part.frame.origin, side, traverse),
    )
    outline = outline_of(job.part, plan, np.array(feature.faces))
    heights = Stack.along(job, side)
    low, mouth = heights.extent(feature.faces)
    top = float(heights.levels(job.part.mesh.vertices).max())
    first, last = stack.extent(feature.faces)
    wide = last - first if _is_closed(job, feature, stack.view.along) else np.inf
    passing = [w for w in job.shop.wheels if w.width_mm <= wide + tol.LENGTH_MM]
    wheel = min(passing or job.shop.wheels, key=lambda w: (w.diameter_mm, -w.depth_mm))
    radius = wheel.diameter_mm / 2
    cloud = stack.view.flat(job.part.mesh.vertices)
    window = shapely.box(
        float(cloud[:, 0].min()) - 2 * radius,
        low - 1,
        float(cloud[:, 0].max()) + 2 * radius,
        top + 2 * radius,
    )
    tool = (
        f"wheel {wheel.diameter_mm:g} along {surface_grind.direction_name(job.part, traverse).lstrip('+-')}"
    )
    found = Left(f"{tool} from {side_name(job, side)}", stack.view, chord_mm=job.part.mesh.deflection_mm)
    own = stack.view.flat(job.cloud(feature.faces))
    slabs = stack.slabs(first, last, shapely.box(*own.min(axis=0), *own.max(axis=0)))
    metals = [[stack.metal(level) for level in slab.levels] for slab in slabs]
    solid = shapely.union_all([m for some in metals for m in some])
    free = window.difference(below(envelope(solid), low - 2)) if passing else shapely.Polygon()
    free = free.difference(shapely.box(*window.bounds[:3], top - wheel.depth_mm))
    reach = Reach(free, radius)
    for slab, some in reversed(list(zip(slabs, metals, strict=True))):
        pieces, spaces = [], []
        for level, metal in zip(slab.levels, some, strict=True):
            # Seen from the side, across is against the stack's view, and up along the traverse.
            runs = [(-b, -a) for a, b in strips(outline, -level)]
            spaces.append(boxes(runs, low, mouth).difference(metal))
            pieces.append(reach.left_of(spaces[-1]))
        found.add(slab, spaces[0], pieces)
    return found


def _is_closed(job: JobContext, feature: Feature, across: Array) -> bool:
    """Whether the feature opens to neither end of a direction."""
    return not any(parallel(job.part.frame.direction(s), across, tol.AXIS_DEG) for s in feature.opens_to)

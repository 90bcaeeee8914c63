"""What a wheel would leave of a feature, in the wheel's own plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from featurize import tolerances as tol
from featurize.brep.silhouette import View, below, envelope
from featurize.brep.surfaces import Array
from featurize.brep.surfaces_at import parallel
from featurize.feature import Feature
from routing.processes.context import JobContext
from routing.processes.outlines import outline_of
from routing.processes.rest.left import Left, NoBodyError
from routing.processes.rest.plane import Reach, boxes
from routing.processes.rest.slabs import Stack, strips
from routing.processes.surface_grind.reach import direction_name, ways
from routing.processes.surface_grind.shop import GrindShop


def left_by_wheel(job: JobContext, feature: Feature, *, forced: bool) -> Left:
    """The least that a wheel leaves that comes from a side and runs as far as what stands there lets it."""
    dips = [(_dip(job, feature, *way), way) for way in ways(job.part, feature)]
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
    radius = min(w.diameter_mm for w in job.shop[GrindShop].wheels) / 2
    dip = min(radius - float(np.sqrt(max(radius**2 - length**2 / 4, 0.0))), deep)
    text = f"closed at both ends {length:.2f} apart: a wheel of diameter {2 * radius:g} dips {dip:.3f} in"
    return _Dip(dip / deep, text)


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
    passing = [w for w in job.shop[GrindShop].wheels if w.width_mm <= wide + tol.LENGTH_MM]
    wheel = min(passing or job.shop[GrindShop].wheels, key=lambda w: (w.diameter_mm, -w.depth_mm))
    radius = wheel.diameter_mm / 2
    cloud = stack.view.flat(job.part.mesh.vertices)
    window = shapely.box(
        float(cloud[:, 0].min()) - 2 * radius,
        low - 1,
        float(cloud[:, 0].max()) + 2 * radius,
        top + 2 * radius,
    )
    tool = f"wheel {wheel.diameter_mm:g} along {direction_name(job.part, traverse).lstrip('+-')}"
    found = Left(f"{tool} from {job.side_name(side)}", stack.view, chord_mm=job.part.mesh.deflection_mm)
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

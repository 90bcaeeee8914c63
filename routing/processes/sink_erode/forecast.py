"""The electrodes that a feature will take, before any is drawn: their blanks, wear and money.

The estimate and the list of electrodes both have them from here: one set of stages for each region.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from featurize import tolerances as tol
from featurize.brep.silhouette import View
from featurize.brep.surfaces import Array
from featurize.feature import Feature
from routing.processes.context import JobContext, bearing
from routing.processes.corners import inside_corners, inside_feet
from routing.processes.protocol import MadeTool, Task
from routing.processes.sink_erode import rules
from routing.processes.sink_erode.ends import goes_through, opens_below, over_faces
from routing.processes.sink_erode.shop import Electrodes, ErodeRates, ErodeShop
from routing.processes.sink_erode.stages import Burn, BurnRegion, burns_of
from routing.processes.sink_erode.zones import Zone, footprint_mm, zones_of
from routing.processes.sizes import area_of_faces, found_by

# How an electrode is moved: about in the plane and down by as much, or equally all round.
PLANE, BALL = "round in the plane", "round about a ball"
# Sine and 1 - cosine up to which a wall is upright and a floor level: of sampled normals.
_SQUARE = 1e-6


@dataclass(frozen=True, eq=False)
class Set:
    """Electrodes that go one after the other into a region: all of a cavity, or ``zones`` of it alone.

    ``group`` counts from 1 where there are zones, else it is 0; ``orbit`` is how they are moved, in a word.
    """

    group: int
    zones: tuple[Zone, ...]
    region: BurnRegion
    burns: tuple[Burn, ...]
    orbit: str


def sets_of(job: JobContext, task: Task, *, last: bool = False) -> tuple[Set, ...]:
    """What an eroding task takes, from the corners left to it or the whole, and the volume that it finds."""
    feature, toward, owned = task.feature, task.approach.direction, job.shop[ErodeShop].electrodes
    groups: tuple[tuple[Zone, ...], ...] = zones_of(job, feature, toward, task.ahead) or ((),)
    corners = sum(map(len, groups))
    found = []
    for n, zones in enumerate(groups, 1):
        region = _region(job, task, zones, len(zones) / corners if corners else 1.0)
        orbit = PLANE if _is_prismatic(job, feature, toward) else BALL
        burns = burns_of(region, owned, last=last)
        found.append(Set(n if zones else 0, zones, region, burns, orbit))
    return tuple(found)


def made_tools(job: JobContext, task: Task, sets: Sequence[Set]) -> tuple[MadeTool, ...]:
    """The electrodes of a task with their blanks and money."""
    shop, toward, feature = job.shop[ErodeShop], task.approach.direction, task.feature
    rates, found = shop.rates, []
    for one in sets:
        for burn in one.burns:
            size = size_mm(job, feature, toward, one.zones, burn.undersize_mm)
            blank = rules.blank(size, shop.electrodes, burn.material.cost_per_cm3)
            made = MadeTool(
                feature.id,
                burn.stage,
                one.group,
                burn.share,
                blank.size_mm,
                blank.cost + rates.electrode_cost,
                rates.electrode_min,
                "mill",
                "electrodes",
                _basis(burn, rates, job.shop.rates.currency),
            )
            found.append(made)
    return tuple(found)


def _region(job: JobContext, task: Task, zones: Sequence[Zone], part: float) -> BurnRegion:
    """``part`` is the share of the zones in all that the task finds."""
    feature, toward, owned = task.feature, task.approach.direction, job.shop[ErodeShop].electrodes
    volume, share = found_by(job, task)
    heights = job.cloud(feature.faces) @ toward
    depth = float(np.ptp(heights))
    outline = _kept_outline(job, feature, toward)
    key = ("narrowest", feature.faces, bearing(toward))
    width = job.seen(key, lambda: rules.smallest_width_mm(outline))
    if zones:
        area = sum(2 * z.burn_mm * depth for z in zones)
        front = sum(2 * z.burn_mm**2 for z in zones)
        corner = min(z.corner.radius_mm for z in zones)
    else:
        area = share * area_of_faces(job, feature.faces)
        front, over = over_faces(job.part, feature, toward)
        if front <= 0:  # upright walls right through: the end sees all that they enclose
            front = float(shapely.area(outline))
        elif task.ahead is None:
            volume = min(volume, over)
        if task.ahead and depth > 0:
            front = min(front, volume / depth)
        corner = _tightest_mm(job, feature, toward)
    rule = job.shop.rule(job.material)
    return BurnRegion(
        volume_mm3=part * volume,
        area_mm2=area,
        front_mm2=front,
        width_mm=width,
        corner_mm=corner,
        through=_is_open(job, feature, toward),
        ra_um=_asked_um(feature, owned),
        fine_steps=rule.finishing_passes,
        workpiece="steel" if job.material.binder_percent is None else "carbide",
        wear_scale=rule.erode_scale,
    )


def _is_open(job: JobContext, feature: Feature, toward: Array) -> bool:
    """Whether the end of an electrode comes out below."""
    return goes_through(job.part, feature, toward) or opens_below(job.part, feature, toward)


def _asked_um(feature: Feature, owned: Electrodes) -> float:
    called = [c.value_mm * 1000 for c in feature.callouts if c.kind == "surface texture" and c.value_mm]
    return min(called, default=owned.ra_um)


def _is_prismatic(job: JobContext, feature: Feature, toward: Array) -> bool:
    """Whether all walls are upright over one level floor: then an orbit in the plane makes them true."""
    faces = [job.part.faces[f] for f in feature.faces]
    lean = [np.abs(f.normals @ toward) for f in faces]
    if not all(np.all((w < _SQUARE) | (w > 1 - _SQUARE)) for w in lean):
        return False
    floors = [f.points @ toward for f, w in zip(faces, lean, strict=True) if np.all(w > 0.5)]
    return not floors or float(np.ptp(np.concatenate(floors))) < tol.LENGTH_MM


def _tightest_mm(job: JobContext, feature: Feature, toward: Array) -> float:
    """The tightest inside radius that the orbit rounds: of upright corners, at the foot too where it must."""
    corners = inside_corners(job, feature, toward)
    if not _is_prismatic(job, feature, toward):
        corners = corners + inside_feet(job, feature, toward)
    return min((c.radius_mm for c in corners), default=float("inf"))


def _basis(burn: Burn, rates: ErodeRates, currency: str) -> str:
    material = f"{burn.material.name} at {burn.material.cost_per_cm3:g} {currency}/cm3"
    return f"{material}, {rates.electrode_cost:g} {currency} each for holders"


def size_mm(
    job: JobContext, feature: Feature, toward: Array, zones: tuple[Zone, ...], gap_mm: float
) -> tuple[float, float, float]:
    """Of the whole electrode: across, up, along the view it is sunk in."""
    view, owned = View.of(job.part, toward), job.shop[ErodeShop].electrodes
    outline = _kept_outline(job, feature, toward)
    turn = np.array([view.across, view.up])
    open_ = [(turn @ job.part.frame.direction(s), owned.overrun_mm) for s in feature.opens_to]
    wide, high = footprint_mm(outline, zones, gap_mm, () if zones else open_)
    low = float((job.cloud(feature.faces) @ view.along).min())
    top = job.seen(("top", bearing(toward)), lambda: float((job.part.mesh.vertices @ view.along).max()))
    # Right through it goes on below, else the gap is under it.
    through = _is_open(job, feature, toward)
    below = owned.overrun_mm if through and not zones else -gap_mm
    return rules.whole_mm((wide, high, top + owned.overrun_mm - low + below), owned)


def _kept_outline(job: JobContext, feature: Feature, toward: Array) -> Any:
    key = ("cavity outline", feature.faces, bearing(toward))
    return job.seen(key, lambda: _outline(job, feature, View.of(job.part, toward)))


def _outline(job: JobContext, feature: Feature, view: View) -> Any:
    """The cavity's own outline, or what its faces span where they enclose nothing."""
    from featurize.brep.solids import KernelError
    from routing.processes.outlines import outline_of

    try:
        return outline_of(job.part, view, np.array(feature.faces))
    except KernelError:
        return shapely.multipoints(view.flat(job.cloud(feature.faces))).envelope

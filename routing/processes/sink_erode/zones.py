"""Where an electrode for inside corners alone has to burn, and which corners share one: in the plane.

Behind a cutter (or a wire) only the corners are left, each as far as its disc did not touch the walls:
r / tan(a / 2) along both walls of a corner of angle a. There the electrode keeps its gap; beyond, it stands
back from what is finished, and is no thicker than it has to be to stand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from featurize.brep.silhouette import View
from featurize.brep.surfaces import Array
from featurize.feature import Feature
from routing.processes.context import JobContext
from routing.processes.corners import Corner, inside_corners, lean_deg
from routing.processes.protocol import Verdict
from routing.processes.sink_erode.shop import Electrodes, ErodeShop
from routing.processes.tools import RoundTool


@dataclass(frozen=True, eq=False)
class Zone:
    """About ``centre`` (2,) of the view: within ``burn_mm`` the gap is kept, the leg reaches to ``leg_mm``;
    ``touch_mm`` is how far from the corner the disc before touched the walls.
    """

    corner: Corner
    centre: Array
    touch_mm: float
    burn_mm: float
    leg_mm: float


def zones_of(
    job: JobContext, feature: Feature, toward: Array, ahead: Verdict | None
) -> tuple[tuple[Zone, ...], ...]:
    """The corners that ``ahead`` leaves, those that share an electrode together; () where it leaves none."""
    if ahead is None or ahead.rest is None:
        return ()
    owned, view = job.shop[ErodeShop].electrodes, View.of(job.part, toward)
    radius = ahead.tool.corner_mm if isinstance(ahead.tool, RoundTool) else 0.0
    heights = job.cloud(feature.faces) @ view.along
    deep = float(np.ptp(heights))
    found = []
    for corner in inside_corners(job, feature, toward):
        if corner.place not in ahead.rest.places:
            continue
        touch = radius / float(np.tan(np.radians(corner.angle_deg) / 2))
        # An edge that leans moves over the depth.
        lean = max(lean_deg(job.part.faces[f], toward) for f in corner.faces)
        burn = touch + deep / 2 * float(np.tan(np.radians(lean))) + owned.corner_blend_mm
        leg = max(burn, deep / owned.corner_leg_ratio)
        found.append(Zone(corner, view.flat(np.array(corner.place)), touch, burn, leg))
    return _grouped(found, owned)


def _grouped(zones: Sequence[Zone], owned: Electrodes) -> tuple[tuple[Zone, ...], ...]:
    """Corners that a chain of neighbours joins, none further than the shop's limit from the next."""
    if not zones:
        return ()
    near = shapely.union_all(
        [shapely.points(z.centre).buffer(owned.corner_group_mm / 2, quad_segs=32) for z in zones]
    )
    groups: dict[int, list[Zone]] = {}
    for zone in zones:
        k = int(np.argmin(shapely.distance(shapely.get_parts(near), shapely.points(zone.centre))))
        groups.setdefault(k, []).append(zone)
    return tuple(tuple(g) for _, g in sorted(groups.items()))


def footprint_mm(
    outline: object, zones: Sequence[Zone], gap_mm: float, open_mm: Sequence[tuple[Array, float]] = ()
) -> tuple[float, float]:
    """Size of a form seen from its base: the outline (shapely) less the gap, about corners alone if given.

    ``open_mm`` are directions (2,) in which the cavity is open, and how far the form goes on there.
    """
    region = shapely.buffer(outline, -gap_mm, join_style="mitre")
    if zones:
        region = region.intersection(
            shapely.union_all([shapely.points(z.centre).buffer(z.leg_mm, quad_segs=64) for z in zones])
        )
    if region.is_empty:
        return 0.0, 0.0
    low, high = np.array(region.bounds[:2]), np.array(region.bounds[2:])
    for way, more in open_mm:
        low -= np.where(way < -0.9, more + gap_mm, 0.0)
        high += np.where(way > 0.9, more + gap_mm, 0.0)
    return float(high[0] - low[0]), float(high[1] - low[1])

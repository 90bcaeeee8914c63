"""Whether shank and holder of a cutter pass what stands beside its path, and how far it must stand out."""

from __future__ import annotations

from featurize import tolerances as tol
from featurize.brep.surfaces import Array
from featurize.feature import Feature
from routing.processes.context import JobContext, bearing
from routing.processes.heights import HeightGrid
from routing.processes.mill.shop import MillShop
from routing.processes.tools import Cutter

# A holder's nose stays this much over what it passes (common practice, no source).
_OVER_MM = 1.0


def stick_out_mm(job: JobContext, feature: Feature, toward: Array, cutter: Cutter) -> float | None:
    """How far a cutter stands out of its holder at a feature's floor; None where something is in the way.

    The least that the shop gives, or more, as many diameters of the shank as the material bears.
    """
    key = ("stick out", feature.id, cutter, bearing(toward))
    return job.kept(key, lambda: _stick_out(job, feature, toward, cutter))


def _stick_out(job: JobContext, feature: Feature, toward: Array, cutter: Cutter) -> float | None:
    held = job.shop[MillShop].holding
    grid = HeightGrid.of(job, feature, toward)
    shank, least = held.shank_of(cutter), max(cutter.stick_out_mm, cutter.neck_mm)
    high = grid.top_mm - grid.floor_mm
    if high <= cutter.neck_mm + tol.LENGTH_MM:
        return least  # nothing on the part stands so high
    grid = HeightGrid.of(job, feature, toward, max(held.holder_mm, shank) / 2)

    def passes(level: float, diameter: float) -> bool:
        return grid.beside_path_mm(cutter.radius_mm, grid.floor_mm + level) >= diameter / 2

    if not passes(cutter.neck_mm, shank):
        return None
    if passes(least, held.holder_mm):
        return least
    longer = high + _OVER_MM
    bears = longer <= job.rule().length_ratio * shank
    return longer if bears else None

"""What is cut from one side: walls, floors and shapes of a feature, and how quick a cutter is at them."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Face
from featurize.brep.surfaces import Array, Cone, Plane
from featurize.feature import Feature
from routing.processes.context import JobContext
from routing.processes.corners import hollow_radius, is_wall, sharp_feet_mm
from routing.processes.heights import HeightGrid
from routing.processes.mill import effort
from routing.processes.mill.held import stick_out_mm
from routing.processes.mill.pace import Pace, per_minute, worn
from routing.processes.mill.shop import MillShop
from routing.processes.mill.verdict import FinishCut, RoughCut
from routing.processes.protocol import Effort
from routing.processes.sizes import area_of_faces
from routing.processes.tools import Cutter, SideCutter


@dataclass(frozen=True)
class MillRegion:
    """What is to be cut from one side. ``depth_mm`` is from its rim down; areas (mm2) of its faces.

    ``soft`` where the steel is not hardened yet.
    """

    job: JobContext
    feature: Feature
    toward: Array
    depth_mm: float
    walls_mm2: float
    floors_mm2: float
    shapes_mm2: float
    is_roughed: bool = True
    soft: bool = False
    shape_feet_mm: float = 0.0  # where shapes stand sharp at walls, along which no rounded cutter gets

    def pace(self, tool: Cutter | SideCutter) -> Pace:
        out = 0.0
        if isinstance(tool, Cutter):
            out = stick_out_mm(self.job, self.feature, self.toward, tool) or 0.0
        return Pace.of(self.job, tool, out, soft=self.soft)

    def roughing(self, cut: RoughCut) -> Effort:
        rates = self.job.shop[MillShop].rates
        found = effort.rough(cut.volume_mm3, cut.tool.diameter_mm, rates, scale=self.pace(cut.tool).rough)
        return worn(self.job, found, cut.tool, soft=self.soft)

    def finishing(self, cut: FinishCut, *, semi: bool, share: float = 1.0) -> Effort:
        """``share`` of the faces, where another process made the rest."""
        d, pace, rates = cut.tool.diameter_mm, self.pace(cut.tool), self.job.shop[MillShop].rates
        scale = pace.floor if cut.what == "floor" else pace.wall(d, self.depth_mm)
        if cut.what == "shape" and isinstance(cut.tool, Cutter) and self.is_roughed:
            # Rows for one height of cusp are as far apart as the root of the radius that leaves them.
            scale *= math.sqrt(cut.tool.corner_radius_mm / cut.tool.radius_mm)
        found = effort.finish(share * cut.area_mm2, d, rates, scale=scale, semi=semi)
        return worn(self.job, found, cut.tool, soft=self.soft)

    def money(self, efforts: Iterable[Effort]) -> float:
        """The machine's and what wears."""
        return sum(e.minutes * per_minute(self.job) + e.each_cost for e in efforts)


def region_of(job: JobContext, feature: Feature, toward: Array) -> MillRegion:
    """The faces of a feature as walls, floors and shapes, and how deep it is."""
    grid = HeightGrid.of(job, feature, toward)
    faces = job.faces(feature)
    if feature.kind.traits.edge_break:
        return MillRegion(
            job, feature, toward, grid.depth_mm, 0.0, 0.0, area_of_faces(job, feature.faces), False
        )
    shaped = [f.id for f in faces if is_shaped(f, toward)]
    plain = [f for f in faces if f.id not in shaped]
    floors = [f.id for f in plain if isinstance(f.surface, Plane) and not is_wall(f, toward, tol.TANGENT_DEG)]
    walls = [f.id for f in plain if f.id not in floors]
    wall, floor, shape = (area_of_faces(job, ids) for ids in (walls, floors, shaped))
    feet = sharp_feet_mm(job, shaped, toward)
    return MillRegion(job, feature, toward, grid.depth_mm, wall, floor, shape, shape_feet_mm=feet)


def is_shaped(face: Face, toward: Array) -> bool:
    """Neither wall nor floor: its slope is made by scanning."""
    if is_wall(face, toward, tol.TANGENT_DEG):
        return False
    if isinstance(face.surface, Plane):
        return bool(face.surface.normal @ toward < np.cos(np.radians(tol.TANGENT_DEG)))
    return not isinstance(face.surface, Cone) or hollow_radius(face) is not None

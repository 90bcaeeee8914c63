"""A recess that is too deep for every cutter that fits it, made as shallow as they reach."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from math import floor
from typing import Any

import numpy as np

from featurize import tolerances as tol
from featurize.brep.edits import more, swept
from featurize.brep.kernel_faces import kernel_faces
from featurize.brep.part import Part
from featurize.brep.surfaces import Array, Plane
from featurize.feature import Feature, Kind, Role
from routing.plan.changes.proposal import Proposal, alike, at_stake, named, sized
from routing.plan.plan import Plan
from routing.processes.context import JobContext
from routing.processes.mill.pace import owned, reach_mm
from routing.processes.mill.shop import MillShop
from routing.processes.mill.verdict import MILL

ORDER = 110
_STEP_MM = 0.1
# A recess that would lose more of its depth would be another.
_MOST = 0.5


def propose(plan: Plan) -> Iterator[Proposal]:
    """For what is refused by the mill and has a flat floor over sharp feet."""
    job, part = plan.job, plan.job.part
    deep = [r.feature for r in plan.features if _is_refused(plan, r.feature)]
    for group in alike(deep):
        first = group[0]
        (floor_id,) = first.faces_with(Role.FLOOR)
        surface = part.faces[floor_id].surface
        if not isinstance(surface, Plane):
            continue
        depth, reach = first.dims["depth_mm"], _reach(job, first)
        new = floor(reach / _STEP_MM + 1e-6) * _STEP_MM
        if not (1 - _MOST) * depth <= new < depth - tol.SURFACE_MM:
            continue
        ids = tuple(f.id for f in group)
        yield Proposal(
            kind="shallower",
            features=ids,
            text=f"{sized(group)} {new:.3g} deep in place of {depth:.4g}: a cutter that fits reaches it",
            ask=f"Is a depth of {new:.3g} mm enough in {named(group)}?",
            risk="what stands in it would stand higher, or what moves in it have less way",
            at_stake=at_stake(plan, ids),
            apply=partial(_apply, part, group, depth - new),
        )


def _is_refused(plan: Plan, feature: Feature) -> bool:
    mill = next((v for v in plan.verdicts[feature.id] if v.process == MILL), None)
    shallow = {Role.FLOOR, Role.WALL, Role.CORNER}
    return (
        feature.kind in (Kind.POCKET, Kind.BLIND_SLOT, Kind.SLOT)
        and mill is not None
        and not mill.workable
        and plan.process_of(feature.id) not in ("none", MILL)
        and set(feature.roles.values()) <= shallow
        and len(feature.faces_with(Role.FLOOR)) == 1
        and "depth_mm" in feature.dims
    )


def _reach(job: JobContext, feature: Feature) -> float:
    """The deepest that a cutter gets that fits its corners and its width."""
    margin = job.shop[MillShop].milling.corner_margin_mm
    corner = feature.dims.get("corner_radius_mm", np.inf)
    widest = min(corner, feature.dims.get("width_mm", np.inf) / 2) - margin
    return max(
        (reach_mm(job, c) for c in owned(job) if c.form != "chamfer" and c.radius_mm <= widest), default=0.0
    )


def _apply(part: Part, group: list[Feature], by_mm: float) -> Any:
    bodies = []
    for feature in group:
        for i in feature.faces_with(Role.FLOOR):
            surface = part.faces[i].surface
            assert isinstance(surface, Plane)
            up: Array = surface.normal
            bodies += [swept(face, by_mm * up) for face in kernel_faces(part)[i]]
    return more(part.solid, *bodies)

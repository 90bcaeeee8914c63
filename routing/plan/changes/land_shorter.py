"""The straight land of an opening shortened, its relief begun earlier: less that is trimmed."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

import numpy as np

from featurize import tolerances as tol
from featurize.brep.edits import CLEAR_MM, flared, less
from featurize.brep.part import Part
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Role
from routing.plan.changes.outline import floor_of
from routing.plan.changes.proposal import Proposal, alike, at_stake, named, sized
from routing.plan.plan import Plan
from routing.processes.wire.verdict import WIRE

ORDER = 100
# A land from here on is long; it is regrindable for as much (common practice, no source: 3 to 5 mm).
_LAND_MM = 3.0


def propose(plan: Plan) -> Iterator[Proposal]:
    """For wired openings whose land is longer than is common."""
    part = plan.job.part
    wired = [
        r.feature
        for r in plan.features
        if r.process == WIRE and r.feature.dims.get("land_mm", 0.0) > _LAND_MM
    ]
    for group in alike(wired):
        first, ids = group[0], tuple(f.id for f in group)
        land, lean = first.dims["land_mm"], first.dims.get("taper_deg", 0.0)
        if lean < tol.CONE_MIN_DEG or not all(f.faces_with(Role.LAND) for f in group):
            continue
        yield Proposal(
            kind="land shorter",
            features=ids,
            text=f"land of {sized(group)} from {land:.3g} to {_LAND_MM:g} mm, the relief of {lean:.3g} deg "
            "begun there: less is trimmed to size",
            ask=f"Is a land of {_LAND_MM:g} mm enough for the regrinds that {named(group)} will see?",
            risk="fewer regrinds before the opening grows; where the relief guides something it is wider",
            at_stake=at_stake(plan, ids),
            apply=partial(_apply, part, group, lean),
        )


def _apply(part: Part, group: list[Feature], lean_deg: float) -> Any:
    return less(part.solid, *(_throat(part, f, lean_deg) for f in group))


def _throat(part: Part, feature: Feature, lean_deg: float) -> Any:
    """The relief begun at the shorter land's end: the land's outline swept out of the part, widening."""
    land = part.mesh.vertices[part.mesh.corners(feature.faces_with(Role.LAND))]
    relief = part.mesh.vertices[part.mesh.corners(feature.faces_with(Role.RELIEF))]
    up: Array = part.frame.axes[2]
    if (land @ up).mean() < (relief @ up).mean():
        up = -up
    level = float((land @ up).max()) - _LAND_MM
    way = level - float((part.mesh.vertices @ up).min()) + CLEAR_MM
    face = floor_of(part, feature.faces_with(Role.LAND), np.asarray(up), level)
    return flared(face, way, lean_deg)

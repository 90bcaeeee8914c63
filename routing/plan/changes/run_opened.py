"""A run that ends in the part is led out of it, so that a wheel passes through."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any

import numpy as np

from featurize import tolerances as tol
from featurize.brep.edits import CLEAR_MM, box, less
from featurize.brep.part import Part
from featurize.brep.surfaces import Array, Plane
from featurize.brep.surfaces_at import parallel
from featurize.feature import Feature, Kind, Role
from routing.plan.changes.proposal import Proposal, at_stake, named, sized
from routing.plan.plan import Plan
from routing.processes.context import JobContext
from routing.processes.surface_grind.verdict import GRIND

ORDER = 40
_WORDS = {1: "the end of {} opened", 2: "both ends of {} opened"}


def propose(plan: Plan) -> Iterator[Proposal]:
    """For recesses with a flat floor that no wheel makes: along the way that takes least."""
    job, part = plan.job, plan.job.part
    for routed in plan.features:
        feature = routed.feature
        refused = any(v.process == GRIND and not v.workable for v in routed.verdicts)
        if not refused or feature.kind not in (Kind.POCKET, Kind.BLIND_SLOT, Kind.BLIND_STEP):
            continue
        up = _up(part, feature)
        if up is None:
            continue
        for along, ends in _ways(job, feature, up)[:1]:
            gone = [_beyond(part, feature, up, along, sense) for sense in ends]
            longer = sum(length for _, length in gone)
            side = part.frame.side_of(along) or "its length"
            yield Proposal(
                kind="run opened",
                features=(feature.id,),
                text=f"{_WORDS[len(ends)].format(sized([feature]))} along {side.lstrip('+-')}, {longer:.3g} "
                "mm more at the same width and depth: ground right through",
                ask=f"May {named([feature])} run out at the side{'s' if len(ends) > 1 else ''} of the "
                "part? It would be ground through and have no end wall",
                risk="what an end wall locates or holds back would need another stop; the rim gets weaker",
                at_stake=at_stake(plan, {feature.id}),
                apply=partial(_cut, part, [b for b, _ in gone]),
            )


def _up(part: Part, feature: Feature) -> Array | None:
    """The way that all its flat floors look, where it has nothing else than floors and walls."""
    floors = [part.faces[i].surface for i in feature.faces_with(Role.FLOOR)]
    plain = set(feature.roles.values()) <= {Role.FLOOR, Role.WALL, Role.CORNER}
    normals = [s.normal for s in floors if isinstance(s, Plane)]
    if not plain or len(floors) != 1 or not normals:
        return None
    return np.asarray(normals[0]) if part.frame.side_of(normals[0]) else None


def _ways(job: JobContext, feature: Feature, up: Array) -> list[tuple[Array, tuple[int, ...]]]:
    """Directions (3,) and the senses in which they end at a wall of the feature; first what takes least."""
    part, found = job.part, []
    walls = [part.faces[i].surface for i in feature.faces_with(Role.WALL)]
    normals = [s.normal for s in walls if isinstance(s, Plane)]
    for axis in part.frame.axes:
        if abs(float(axis @ up)) > np.sqrt(0.5):
            continue
        ends = tuple(
            s
            for s in (1, -1)
            if any(parallel(-s * axis, n, tol.AXIS_DEG) and -s * axis @ n > 0 for n in normals)
        )
        sides = [n for n in normals if abs(float(n @ axis)) < np.sin(np.radians(tol.AXIS_DEG))]
        if ends and sides:
            found.append((np.asarray(axis), ends))
    own = part.mesh.vertices[part.mesh.corners(feature.faces)]

    def area(way: tuple[Array, tuple[int, ...]]) -> float:
        longer = sum(_length(part, feature, way[0], sense) for sense in way[1])
        return longer * float(np.ptp(own @ np.cross(up, way[0])))

    return sorted(found, key=area)


def _length(part: Part, feature: Feature, along: Array, sense: int) -> float:
    """From the end of a feature to the end of the part."""
    own = part.mesh.vertices[part.mesh.corners(feature.faces)] @ along * sense
    return float((part.mesh.vertices @ along * sense).max() - own.max())


def _beyond(part: Part, feature: Feature, up: Array, along: Array, sense: int) -> tuple[Any, float]:
    """What is cut from the middle of a feature out of the part, and how far that is beyond its end."""
    axes = np.array([along, np.cross(up, along), up])
    own = part.mesh.vertices[part.mesh.corners(feature.faces)] @ axes.T
    whole = part.mesh.vertices @ axes.T
    low, high = own.min(axis=0), own.max(axis=0)
    for k in (0, 1):  # an open side is not bounded by the feature
        if low[k] < whole[:, k].min() + tol.SURFACE_MM:
            low[k] -= CLEAR_MM
        if high[k] > whole[:, k].max() - tol.SURFACE_MM:
            high[k] += CLEAR_MM
    middle = (low[0] + high[0]) / 2
    start, end = (
        (middle, whole[:, 0].max() + CLEAR_MM) if sense > 0 else (whole[:, 0].min() - CLEAR_MM, middle)
    )
    low[0], high[0] = start, end
    high[2] = whole[:, 2].max() + CLEAR_MM
    return box(axes, low, high), _length(part, feature, along, sense)


def _cut(part: Part, boxes: Sequence[Any]) -> Any:
    return less(part.solid, *boxes)

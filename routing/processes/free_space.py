"""How much of what leaves the blank stands in front of each face: every cubic millimetre counts once.

A point of the blank outside the part belongs to the nearest face that did not come with the blank. Each
feature's share is found by points spread evenly (a Sobol sequence, the same each time) over its box, drawn
out to the blank where it is open; then all shares are scaled so that their sum is the blank less the part.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.stats import qmc

from featurize import tolerances as tol
from featurize.brep.frame import SIDES
from featurize.brep.rays import hit_counts
from featurize.brep.surfaces import Array
from featurize.feature import Feature
from routing.processes.context import JobContext

# Points for a feature, of many features together at most.
_POINTS, _MOST = 512, 200_000
_FEWEST = 64
# How far a feature's points go beyond its own box, as a share of it: what stands around a rib is its own.
_BEYOND = 0.35


def volume_in_front(job: JobContext, faces: Iterable[int]) -> float:
    """mm3 of the blank that stand in front of some faces."""
    found = _kept(job).in_blank
    return float(sum(found.get(i, 0.0) for i in faces))


def share_in_blank(job: JobContext, feature: Feature) -> float:
    """How much of the space in front of a feature the blank fills: 0 for what it brings along."""
    found = _kept(job)
    free = sum(found.free.get(i, 0.0) for i in feature.faces)
    return sum(found.filled.get(i, 0.0) for i in feature.faces) / free if free else 1.0


@dataclass(frozen=True)
class _Space:
    """By face, mm3: ``free`` of the part in its box, ``filled`` of that by the blank, ``in_blank`` scaled."""

    free: Mapping[int, float]
    filled: Mapping[int, float]
    in_blank: Mapping[int, float]


def _kept(job: JobContext) -> _Space:
    return job.kept("free space", lambda: _by_face(job))


def _by_face(job: JobContext) -> _Space:
    cut = [f for f in job.features if not f.kind.traits.blank]
    if not cut:
        return _Space({}, {}, {})
    boxes = [_box(job, f) for f in cut]
    count = 2 ** int(np.log2(np.clip(_MOST / len(cut), _FEWEST, _POINTS)))
    unit = qmc.Sobol(3, scramble=False).random(count)
    # Off the origin and off round numbers, where faces stand.
    unit = (unit + 0.5 / count * np.array([1.0, 0.7548776662, 0.5698402910])) % 1.0
    points = np.vstack([low + unit * (high - low) for low, high in boxes])
    own = np.repeat(np.arange(len(cut)), count)
    skin, ids = _skin(job, [i for f in cut for i in f.faces])
    _, nearest = cKDTree(skin).query(points)
    face = ids[nearest]
    owner = np.full(len(job.part.faces), -1)
    for k, f in enumerate(cut):
        owner[list(f.faces)] = k
    ours = np.flatnonzero(owner[face] == own)

    def world_of(some: NDArray[np.int64]) -> Array:
        return job.part.frame.world(points[some])

    world = world_of(ours)
    ours = ours[hit_counts(job.part.mesh, world, job.part.frame.axes[2]) % 2 == 0]
    share = np.array([np.prod(high - low) / count for low, high in boxes])

    def volumes(points: NDArray[np.int64]) -> dict[int, float]:
        found = np.bincount(face[points], share[own[points]], len(job.part.faces))
        return {int(i): float(found[i]) for i in np.flatnonzero(found)}

    free, filled = volumes(ours), volumes(ours[job.in_blank(world_of(ours))])
    total, leaves = sum(filled.values()), job.blank_mm3 - job.part.volume_mm3
    scale = leaves / total if total > 0 and leaves > 0 else 1.0
    return _Space(free, filled, {i: v * scale for i, v in filled.items()})


def _skin(job: JobContext, faces: list[int]) -> tuple[Array, Array]:
    """Points (n, 3) on some faces in the part's frame, and the face of each."""
    spread, ids = job.scene.skin
    own = np.isin(ids, faces)
    more = [job.part.frame.local(job.part.faces[i].points) for i in faces]
    places = np.repeat(faces, [len(p) for p in more])
    return np.vstack([spread[own], *more]), np.concatenate([ids[own], places])


def _box(job: JobContext, feature: Feature) -> tuple[Array, Array]:
    """A feature's box in the part's frame, drawn out to the part's where it is open."""
    cloud = job.part.frame.local(job.cloud(feature.faces))
    low, high = cloud.min(axis=0), cloud.max(axis=0)
    for side in (s for s in feature.opens_to if s in SIDES):
        k = "xyz".index(side[1])
        if side[0] == "+":
            high[k] = job.part.high[k]
        else:
            low[k] = job.part.low[k]
    # What is nearest to it may lie beyond its own box.
    margin = _BEYOND * (high - low) + tol.VOID_MM
    if feature.kind.traits.protrusion:  # all round, as far as it stands up
        margin = np.maximum(margin, np.median(high - low))
    return np.maximum(low - margin, job.part.low), np.minimum(high + margin, job.part.high)

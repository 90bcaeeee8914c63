"""Sizes of a feature that several processes reckon their minutes from. Lengths mm, areas mm2, volumes mm3."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from featurize.brep.surfaces import Array
from featurize.feature import Feature
from routing.processes.context import JobContext
from routing.processes.free_space import volume_in_front
from routing.processes.heights import HeightGrid
from routing.processes.protocol import Task
from routing.processes.undercut import cut_mm3, is_undercut

# A rim this little over a feature's lowest point is no rim.
_RIM_MM = 0.02


def area_of_faces(job: JobContext, faces: Iterable[int]) -> float:
    return sum(job.part.faces[i].area_mm2 for i in faces)


def run_and_width(job: JobContext, feature: Feature) -> tuple[float, float]:
    """Longest extent along the part's axes and the mean width across it."""
    run = float(np.ptp(job.part.frame.local(job.cloud(feature.faces)), axis=0).max())
    return run, area_of_faces(job, feature.faces) / run


def rim_depth(job: JobContext, feature: Feature, toward: Array) -> float:
    """Depth below the highest level beside the feature; below the part's top where none is higher."""
    grid = HeightGrid.of(job, feature, toward)
    if grid.depth_mm > _RIM_MM:
        return grid.depth_mm
    return max(grid.top_mm - grid.floor_mm, _RIM_MM)


def whole_volume(job: JobContext, feature: Feature) -> float:
    """What leaves the blank for a feature: what stands in front of its faces."""
    if is_undercut(feature):
        return cut_mm3(job, feature)
    return volume_in_front(job, feature.faces)


def found_by(job: JobContext, task: Task) -> tuple[float, float]:
    """Volume that a task finds, and its share of the whole: less where another took the bulk."""
    whole = whole_volume(job, task.feature)
    found = whole if task.volume_mm3 is None else min(task.volume_mm3, whole)
    return found, found / whole if whole else 1.0

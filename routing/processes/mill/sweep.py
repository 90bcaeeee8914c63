"""What the steps of a bore sweep, as solids of the kernel."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from featurize.brep.surfaces import Array
from featurize.feature import Feature
from routing.processes.context import JobContext
from routing.processes.mill.hole import Hole
from routing.processes.mill.verdict import BoreStep
from routing.processes.sweeps import turned
from routing.processes.tools import Drill


def swept(
    job: JobContext, feature: Feature, toward: Array, steps: Sequence[BoreStep], blank_mm: Array
) -> list[Any]:
    """Cylinders, cones and the points of drills, each drawn out of the blank ((n, 3) points of its hull)."""
    mouth = Hole.of(job, feature, toward).mouth
    clear = max(0.0, float((blank_mm @ toward).max()) - float(mouth @ toward)) + 1.0
    found = []
    for step in steps:
        wide, narrow = step.diameter_mm, step.end_diameter_mm
        at = mouth - step.from_mm * toward
        found.append(turned(mouth + clear * toward, -toward, wide, wide, clear + max(step.from_mm, 0.0)))
        if step.to_mm > step.from_mm:
            found.append(
                turned(at, -toward, wide, wide if narrow is None else narrow, step.to_mm - step.from_mm)
            )
        if isinstance(step.tool, Drill) and step.bottom.startswith("point"):
            tip = mouth - step.to_mm * toward
            found.append(turned(tip, -toward, wide, 0.0, step.tool.point_mm))
    return found

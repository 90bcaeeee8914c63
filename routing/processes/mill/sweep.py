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


def swept(
    job: JobContext, feature: Feature, toward: Array, steps: Sequence[BoreStep], blank_mm: Array
) -> list[Any]:
    """A solid of revolution for each, drawn out of the blank (hull (n, 3)); a drill has its point."""
    mouth = Hole.of(job, feature, toward).mouth
    clear = max(0.0, float((blank_mm @ toward).max()) - float(mouth @ toward)) + 1.0
    found = []
    for step in steps:
        wide = step.diameter_mm / 2
        narrow = wide if step.end_diameter_mm is None else step.end_diameter_mm / 2
        # A spot-face on a slanted rim starts over the mouth.
        profile = [(wide, min(-clear, step.from_mm - 1.0)), (wide, step.from_mm)]
        if step.to_mm > step.from_mm:
            profile.append((narrow, step.to_mm))
        if step.point_mm > 0:
            profile.append((0.0, step.to_mm + step.point_mm))
        found.append(turned(mouth, -toward, profile))
    return found

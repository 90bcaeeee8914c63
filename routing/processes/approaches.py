"""From where a tool may come at a feature."""

from __future__ import annotations

import numpy as np

from featurize import tolerances as tol
from featurize.brep.frame import SIDES
from featurize.brep.surfaces import Array
from featurize.feature import Feature
from routing.processes.context import JobContext


def approaches(job: JobContext, feature: Feature) -> list[Array]:
    """Directions to the tool, most natural first: its axis, its open sides, the rest, a slanted one."""
    frame = job.part.frame
    tried: list[Array] = []
    mean = sum((np.asarray(f.normals.mean(axis=0)) * f.area_mm2 for f in job.faces(feature)), np.zeros(3))
    # An edge break is run round from a side; its own slanted normal is the last resort.
    if feature.axis is not None and not feature.kind.traits.edge_break:
        tried.append(np.array(feature.axis.direction))
    # The working side is up already: it comes before its equals.
    order = sorted(SIDES, key=lambda s: (s not in feature.opens_to, s != "+z", s != "-z"))
    tried += [frame.direction(s) for s in order]
    length = float(np.linalg.norm(mean))
    if length > tol.LENGTH_MM:
        tried.append(mean / length)
    kept: list[Array] = []
    for d in tried:
        if all(float(d @ k) < 1 - 1e-9 for k in kept):
            kept.append(d)
    return kept

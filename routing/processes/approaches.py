"""From where a tool may come at a feature."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from featurize import tolerances as tol
from featurize.brep.frame import SIDES
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Kind
from routing.processes.base import JobContext, Verdict


def approaches(job: JobContext, feature: Feature) -> list[Array]:
    """Directions to the tool, most natural first: its axis, its open sides, the rest, a slanted one."""
    frame = job.part.frame
    tried: list[Array] = []
    mean = sum((np.asarray(f.normals.mean(axis=0)) * f.area_mm2 for f in job.faces(feature)), np.zeros(3))
    # An edge break is run round from a side; its own slanted normal is the last resort.
    if feature.axis is not None and feature.kind not in (Kind.CHAMFER, Kind.EDGE_ROUND):
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


def side_name(job: JobContext, toward: Array) -> str:
    """A side such as "+z", or a slanted direction in the part's own frame."""
    side = job.part.frame.side_of(toward)
    if side is not None:
        return side
    x, y, z = (round(float(c), 3) + 0.0 for c in job.part.frame.axes @ toward)
    return f"({x:g}, {y:g}, {z:g})"


def side_direction(job: JobContext, name: str) -> Array:
    """The direction that ``side_name`` named, to a thousandth; the working side's where it names none."""
    if name.startswith("("):
        d = np.array([float(word) for word in name.strip("()").split(",")]) @ job.part.frame.axes
        return np.asarray(d / np.linalg.norm(d))
    return np.asarray(job.part.frame.direction(name if name in SIDES else "+z"))


def furthest(answers: Sequence[Verdict]) -> Verdict:
    """The refusal that says most: the first where the tool at least sees the feature, else the first.

    ``details["stage"]`` is 0 or 1 for those that do not.
    """
    return next((v for v in answers if float(v.details["stage"]) > 1), answers[0])

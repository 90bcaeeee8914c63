"""What each step of a bore finds, in closed form: bodies of revolution about one axis, earlier ones off."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from featurize.brep.surfaces import Array
from routing.processes.mill.verdict import BoreStep
from routing.processes.protocol import Stage


def measured(steps: Sequence[BoreStep], open_mm: float) -> Iterator[BoreStep]:
    """The same steps with what each finds of the hole, those before it taken off.

    ``open_mm`` is the diameter of what goes on below, which is open before.
    """
    before: list[BoreStep] = []
    for step in steps:
        stops = np.unique([x for s in (*before, step) for x in (s.from_mm, s.to_mm, _tip(s))])
        stops = stops[(stops >= step.from_mm) & (stops <= _tip(step))]
        volume = 0.0
        for low, high in pairwise(stops.tolist()):
            # Differences of squares of straight lines: Simpson's rule is exact.
            at = np.array([low, (low + high) / 2, high])
            at = np.clip(at, low + 1e-9, high - 1e-9)
            gone = np.max([np.full(3, open_mm / 2), *(_radius(s, at) for s in before)], axis=0)
            area = np.pi * np.clip(_radius(step, at) ** 2 - gone**2, 0, None)
            volume += float((high - low) / 6 * (area @ np.array([1, 4, 1])))
        if step.what == "mouth" or step.stage == Stage.THREAD:
            volume = 0.0  # beyond what the model shows
        yield replace(step, found_mm3=volume)
        before.append(step)


def _tip(step: BoreStep) -> float:
    return step.to_mm + step.point_mm


def _radius(step: BoreStep, depth: Array) -> Array:
    """Radius that a step takes at depths (n,); 0 outside it."""
    r = np.full(len(depth), step.diameter_mm / 2)
    if step.end_diameter_mm is not None and step.to_mm > step.from_mm:
        share = (depth - step.from_mm) / (step.to_mm - step.from_mm)
        r = r + share * (step.end_diameter_mm - step.diameter_mm) / 2
    tip = _tip(step)
    if tip > step.to_mm:
        r = np.where(depth > step.to_mm, step.diameter_mm / 2 * (tip - depth) / (tip - step.to_mm), r)
    inside = (depth >= step.from_mm) & (depth <= tip)
    return np.asarray(np.where(inside, r, 0.0))

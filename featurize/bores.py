"""The stages of a hole by the mouth that each widens to."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from featurize.brep.part import Part
from featurize.feature import Bore, Feature
from featurize.recognise.thread_bores import is_through, thread_bore
from featurize.standards.threads import parse


def core_of(feature: Feature) -> Bore:
    """The thread's bore, else the narrowest straight stage, of bores without one the narrowest."""
    if feature.thread is not None and feature.thread.designation is not None:
        return thread_bore(feature, parse(feature.thread.designation)[0])
    straight = [b for b in feature.bores if b.is_cylinder] or list(feature.bores)
    return min(straight, key=lambda b: min(b.start_diameter_mm, b.end_diameter_mm))


def from_far(bores: Sequence[Bore], length_mm: float) -> tuple[Bore, ...]:
    """Stages as they are met from the other mouth of a hole of a length."""
    return tuple(
        Bore(length_mm - b.end_mm, length_mm - b.start_mm, b.end_diameter_mm, b.start_diameter_mm)
        for b in reversed(bores)
    )


def stages_by_mouth(part: Part, feature: Feature) -> Iterator[tuple[str, Bore]]:
    """(side of the mouth, stage with depths from there), from the first mouth to the other.

    The side is a label of the part's frame, "" for a slanted one.
    """
    if not feature.bores or feature.axis is None:
        return
    out = np.array(feature.axis.direction)
    near, far = (part.frame.side_of(d) or "" for d in (out, -out))
    core = feature.bores.index(core_of(feature))
    after = feature.bores[core + 1 :] if is_through(feature) else ()
    yield from ((near, b) for b in feature.bores[: len(feature.bores) - len(after)])
    for bore in reversed(from_far(after, feature.bores[-1].end_mm)):
        yield far, bore

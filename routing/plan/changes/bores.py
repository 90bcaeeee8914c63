"""A hole with other stages in its place."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from featurize.brep.edits import bored, less, without
from featurize.brep.kernel_faces import kernel_faces
from featurize.brep.part import Part
from featurize.feature import Axis, Bore, Feature


def bored_anew(part: Part, holes: Sequence[tuple[Feature, Axis, Sequence[Bore]]]) -> Any:
    """The part with holes filled and bored again along an axis in other stages; raises KernelError."""
    solid = without(part.solid, [k for f, _, _ in holes for i in f.faces for k in kernel_faces(part)[i]])
    return less(solid, *(body for _, axis, bores in holes for body in bored(axis, bores)))


def deepened(bores: Sequence[Bore], n: int, by_mm: float) -> tuple[Bore, ...]:
    """Stages with the n-th longer by so much, and those behind it moved on."""
    moved = [
        Bore(
            b.start_mm + (by_mm if k > n else 0.0),
            b.end_mm + (by_mm if k >= n else 0.0),
            b.start_diameter_mm,
            b.end_diameter_mm,
        )
        for k, b in enumerate(bores)
    ]
    return tuple(moved)

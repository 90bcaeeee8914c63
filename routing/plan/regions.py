"""A feature in regions, each made from one side: what no process makes whole may be made in parts.

A region is judged as a feature of its own: its id is the feature's with a number, "F07.2".
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from featurize.feature import Feature
from routing.processes.context import JobContext


@dataclass(frozen=True)
class Region:
    """``piece`` is the region as a feature, ``words`` name it, "" for the whole.

    ``is_core`` tells the region that stands for the feature.
    """

    feature: Feature
    piece: Feature
    words: str = ""
    is_core: bool = True


def whole(feature: Feature) -> Region:
    return Region(feature, feature)


def splits(job: JobContext, feature: Feature) -> Iterator[Sequence[Region]]:
    """Ways to split a feature, the simplest first."""
    del job, feature
    yield from ()

"""Two results of the benchmark, one beside the other: what got slower, and by how much."""

from __future__ import annotations

import statistics
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from tests.benchmarks.measure import STAGES, Figures

# Two runs of one program differ by less than this share, for what takes a tenth of the bare read and more.
BAND = 0.25
LEAST_RATIO = 0.1
_MEMORY_BAND = 0.15


@dataclass(frozen=True)
class Worse:
    """``before`` and ``after`` are ratios to the bare read, or MB."""

    group: str
    what: str
    before: float
    after: float
    unit: str = "times the bare read"

    def __str__(self) -> str:
        return f"{self.group}: {self.what} {self.before:.2f} -> {self.after:.2f} {self.unit}"


def slower(
    old: Mapping[str, Sequence[Figures]], new: Mapping[str, Sequence[Figures]], band: float = BAND
) -> Iterator[Worse | str]:
    """What got slower or larger by more than ``band`` (a share), by group: medians of its files."""
    for group in sorted(old.keys() & new.keys()):
        for stage in STAGES:
            before, after = (_median([f.ratio(stage) for f in files[group]]) for files in (old, new))
            if before is None or after is None:
                continue
            if after > max(before * (1 + band), before + LEAST_RATIO):
                yield Worse(group, stage, before, after)
        before, after = (_median([f.peak_mb for f in files[group]]) for files in (old, new))
        if before and after and after > before * (1 + _MEMORY_BAND):
            yield Worse(group, "peak memory", before, after, "MB")
        ended = [sum(bool(f.stopped or f.failed) for f in files[group]) for files in (old, new)]
        if ended[1] * len(old[group]) > ended[0] * len(new[group]):
            before_, after_ = (
                f"{n} of {len(files[group])}" for n, files in zip(ended, (old, new), strict=True)
            )
            yield f"{group}: {after_} files did not end, {before_} before"


def _median(values: Sequence[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return statistics.median(known) if known else None

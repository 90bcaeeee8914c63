"""What a step rests on or measures from stays until that step is done: wishes for the order of steps.

A wish is kept where no firmer rule asks for the opposite; what is then left to rest on is seen when the
setups' holding is computed (see ``routing.plan.holding``).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Protocol

from featurize.brep.frame import SIDES, opposite
from routing.plan.bearing import outside
from routing.processes.context import JobContext

# A side that loses more than this share of itself is no longer what it was to rest on (common practice, no
# source).
KEEP_SHARE = 0.5


class Sided(Protocol):
    """A step: the side it comes from and the features it cuts."""

    @property
    def side(self) -> str: ...

    @property
    def features(self) -> tuple[str, ...]: ...


def order_preferences(job: JobContext, steps: Sequence[Sided]) -> list[tuple[int, int, str]]:
    """Places of an early and a late step, and why; the most urgent first."""
    return [*_datums(job, steps), *((j, k, why) for _, j, k, why in sorted(_seats(job, steps)))]


def _seats(job: JobContext, steps: Sequence[Sided]) -> Iterator[tuple[float, int, int, str]]:
    """Steps that rest on a side before those that cut it away; the less it leaves the more urgent."""
    least = job.shop.workholding.seat_mm2
    for j, early in enumerate(steps):
        if early.side not in SIDES:
            continue
        seat = outside(job, opposite(early.side))
        for k, late in enumerate(steps):
            cut = {f for f in late.features if seat.opens(f)}
            if not cut - set(early.features) or not seat.whole_mm2:
                continue
            left = seat.left_mm2(cut)
            if left < max(KEEP_SHARE * seat.whole_mm2, least):
                share = left / seat.whole_mm2
                yield share, j, k, f"it rests on {seat.side}, of which {share:.0%} are left after this"


def _datums(job: JobContext, steps: Sequence[Sided]) -> Iterator[tuple[int, int, str]]:
    """Steps that make a datum before those that make what is called out from it."""
    for letter, owners in _letters(job).items():
        users = {
            f.id
            for f in job.features
            if f.id not in owners
            and any(c.kind != "datum" and letter in c.datum.split("|") for c in f.callouts)
        }
        for j, early in enumerate(steps):
            for k, late in enumerate(steps):
                if j != k and owners & set(early.features) and users & set(late.features):
                    yield j, k, f"datum {letter} is made before what is measured from it"


def _letters(job: JobContext) -> Mapping[str, set[str]]:
    found: dict[str, set[str]] = {}
    for feature in job.features:
        for callout in feature.callouts:
            if callout.kind == "datum" and callout.datum:
                found.setdefault(callout.datum, set()).add(feature.id)
    return found

"""The relief at a thread's mouth no deeper than the rule has it: a flat cutter opens it in a helix."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from featurize.feature import Axis, Bore, Feature
from featurize.recognise.thread_bores import is_through, relief_bore
from featurize.standards.threads import parse
from routing.plan.changes.bores import bored_anew
from routing.plan.changes.proposal import Proposal, alike, at_stake, named, sized
from routing.plan.plan import Plan
from routing.plan.threads import RELIEF_PITCHES

ORDER = 75
# A relief that is deeper by less than this is the drawing's rounding.
_LEAST_MM = 0.5


def propose(plan: Plan) -> Iterator[Proposal]:
    """To the deepest that is common, with the thread's bore as deep as it was."""
    holes = [f for f in plan.job.features if f.thread and f.thread.designation and not is_through(f)]
    for group in alike(holes):
        first = group[0]
        assert first.thread is not None
        size, _ = parse(first.thread.designation or "")
        relief, depth = relief_bore(first, size), round(size.pitch_mm * RELIEF_PITCHES[1], 2)
        if relief is None or relief.start_mm > 0 or relief.end_mm - depth < _LEAST_MM:
            continue
        ids = tuple(f.id for f in group)
        jobs: list[tuple[Feature, Axis, tuple[Bore, ...]]] = [
            (f, f.axis, _shallower(f.bores, depth)) for f in group if f.axis is not None
        ]
        yield Proposal(
            kind="relief shallower",
            features=ids,
            text=f"relief of {sized(group)} {depth:g} deep in place of {relief.end_mm:.3g}: "
            f"{RELIEF_PITCHES[1]:g} pitches, as is common",
            ask=f"Is the deep relief of {named(group)} needed, for a collar of the screw?",
            risk="a screw with a plain shank would seat too early",
            at_stake=at_stake(plan, ids),
            apply=partial(bored_anew, plan.job.part, jobs),
        )


def _shallower(bores: tuple[Bore, ...], depth_mm: float) -> tuple[Bore, ...]:
    """The first stage ends earlier, the next begins there."""
    first, second, *rest = bores
    return (
        Bore(first.start_mm, depth_mm, first.start_diameter_mm, first.end_diameter_mm),
        Bore(depth_mm, second.end_mm, second.start_diameter_mm, second.end_diameter_mm),
        *rest,
    )

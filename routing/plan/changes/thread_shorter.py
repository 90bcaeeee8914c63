"""A blind thread no deeper than it holds: less to drill and to mill."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from featurize import tolerances as tol
from featurize.feature import Axis, Bore, Feature
from featurize.recognise.thread_bores import is_through, relief_bore, thread_bore
from featurize.standards.threads import ThreadSize, parse
from routing.plan.changes.bores import bored_anew, deepened
from routing.plan.changes.change import Change, alike, at_stake, named
from routing.plan.plan import Plan
from routing.plan.threads import FULL_THREAD_CARBIDE, FULL_THREAD_STEEL, RUN_OUT_PITCHES

ORDER = 70
# A thread shorter by less than this is not worth a question.
_LEAST_MM = 1.0
# Depths on drawings go in half millimetres.
_DEPTH_STEP_MM = 0.5


def propose(plan: Plan) -> Iterator[Change]:
    """To the full thread that the material asks for, and its run-out."""
    job = plan.job
    carbide = job.material.binder_percent is not None
    holes = [f for f in job.features if f.thread and f.thread.designation and f.axis and not is_through(f)]
    for group in alike(holes):
        first = group[0]
        assert first.thread is not None
        assert first.thread.designation is not None
        size, _ = parse(first.thread.designation)
        wanted = (FULL_THREAD_CARBIDE if carbide else FULL_THREAD_STEEL) * size.major_mm
        carrier, depth = thread_bore(first, size), _depth(first, size, wanted)
        if carrier not in first.bores or carrier.end_mm - depth < _LEAST_MM:
            continue
        ids = tuple(f.id for f in group)
        jobs: list[tuple[Feature, Axis, tuple[Bore, ...]]] = [
            (f, f.axis, deepened(f.bores, f.bores.index(thread_bore(f, size)), depth - carrier.end_mm))
            for f in group
            if f.axis is not None
        ]
        yield Change(
            kind="thread shorter",
            features=ids,
            text=f"bore of {named(group)} from {carrier.end_mm:.4g} to {depth:g} deep: {wanted:.3g} mm of "
            f"full {size.designation} stay",
            ask=f"Are {wanted:.3g} mm of full {size.designation} in {', '.join(ids)} enough for the screw?",
            risk="a screw that is too long would bottom; the thread holds less where the material is soft",
            at_stake=at_stake(plan, ids),
            apply=partial(bored_anew, job.part, jobs),
        )


def _depth(hole: Feature, size: ThreadSize, wanted_mm: float) -> float:
    """Where the bore may end: relief, full thread, run-out, to the next half millimetre."""
    relief = relief_bore(hole, size)
    start = relief.end_mm if relief else 0.0
    least = start + wanted_mm + RUN_OUT_PITCHES * size.pitch_mm
    return float(-(-(least - tol.SURFACE_MM) // _DEPTH_STEP_MM) * _DEPTH_STEP_MM)

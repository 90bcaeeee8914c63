"""A blind thread no deeper than it holds: less to drill and to mill."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

from featurize import tolerances as tol
from featurize.feature import Axis, Bore, Feature
from featurize.recognise.thread_bores import is_through, relief_bore, thread_bore
from featurize.standards.threads import ThreadSize, parse
from routing.plan.changes.bores import bored_anew, deepened
from routing.plan.changes.proposal import Proposal, at_stake, sized
from routing.plan.plan import Plan
from routing.plan.threads import FULL_THREAD_CARBIDE, FULL_THREAD_STEEL, RUN_OUT_PITCHES

ORDER = 70
# A thread shorter by less than this is not worth a question.
_LEAST_MM = 1.0
# Depths on drawings go in half millimetres.
_DEPTH_STEP_MM = 0.5


def propose(plan: Plan) -> Iterator[Proposal]:
    """To the full thread that the material asks for, and its run-out."""
    job = plan.job
    carbide = job.material.binder_percent is not None
    for designation, group in _by_size(job.features).items():
        size, _ = parse(designation)
        wanted = (FULL_THREAD_CARBIDE if carbide else FULL_THREAD_STEEL) * size.major_mm
        jobs: list[tuple[Feature, Axis, tuple[Bore, ...]]] = []
        for f in group:
            carrier, depth = thread_bore(f, size), _depth(f, size, wanted)
            if (
                f.axis is not None
                and carrier in f.bores
                and carrier.end_mm - depth > _LEAST_MM - tol.SURFACE_MM
            ):
                jobs.append((f, f.axis, deepened(f.bores, f.bores.index(carrier), depth - carrier.end_mm)))
        if not jobs:
            continue
        shortened = [f for f, _, _ in jobs]
        ids = tuple(f.id for f in shortened)
        before, after = (
            sorted({round(thread_bore(f.but(bores=b), size).end_mm, 3) for f, b in some})
            for some in ([(f, f.bores) for f in shortened], [(f, b) for f, _, b in jobs])
        )
        yield Proposal(
            kind="thread shorter",
            features=ids,
            text=f"bore of {sized(shortened)} {_listed(after)} deep in place of {_listed(before)}: "
            f"{wanted:.3g} mm of full {designation} stay",
            ask=f"Are {wanted:.3g} mm of full {designation} in {', '.join(ids)} enough for the screw?",
            risk="a screw that is too long would bottom; the thread holds less where the material is soft",
            at_stake=at_stake(plan, ids),
            apply=partial(bored_anew, job.part, jobs),
        )


def _by_size(features: Sequence[Feature]) -> dict[str, list[Feature]]:
    """Blind threads by designation."""
    found: dict[str, list[Feature]] = {}
    for f in features:
        if f.thread and f.thread.designation and not is_through(f):
            found.setdefault(f.thread.designation, []).append(f)
    return found


def _listed(values: Sequence[float]) -> str:
    return ", ".join(f"{v:.4g}" for v in values)


def _depth(hole: Feature, size: ThreadSize, wanted_mm: float) -> float:
    """Where the bore may end: relief, full thread, run-out, to the next half millimetre."""
    relief = relief_bore(hole, size)
    start = relief.end_mm if relief else 0.0
    least = start + wanted_mm + RUN_OUT_PITCHES * size.pitch_mm
    return float(-(-(least - tol.SURFACE_MM) // _DEPTH_STEP_MM) * _DEPTH_STEP_MM)

"""What would make a part cheaper: changes to the model, each tried by routing the changed part.

Trials are bounded by number and by time, those with the most money at stake first; each runs in a process of
its own where that can be, so that no crash of the kernel ends the others.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from featurize import isolate
from featurize.errors import is_memory_short
from featurize.step.read import Skip, read_step, reading_less
from routing.export import route_json
from routing.export.exporters import letter
from routing.inputs.choices import Choices
from routing.jobs.exporting import clear
from routing.jobs.job import Relay, decide_plan, folder_names, to_parent
from routing.jobs.job_inputs import Inputs
from routing.jobs.progress import Report, span
from routing.jobs.recognising import inputs_of, recognise_parts
from routing.jobs.stages import NO_CACHE, NoCache
from routing.jobs.staging import staged_folder
from routing.processes.shop import Shop

if TYPE_CHECKING:  # these load the kernel
    from featurize.step.document import StepDocument
    from routing.inputs.overrides import Settled
    from routing.plan.changes.hint import Hint, Hints
    from routing.plan.changes.proposal import Proposal
    from routing.plan.plan import Plan

# A saving under this share of the part's money is lost in the estimate's own scatter.
_LEAST_SHARE = 0.002
# One trial takes what one plan takes; one that takes much longer hangs.
_TRIAL_S = 300.0


@dataclass(frozen=True)
class Budget:
    """How many changes are tried at most for a part, and for how long in all: then a trial is stopped."""

    trials: int = 16
    seconds: float = 300.0

    def for_each(self, parts: int) -> Budget:
        """Its share for each of several parts: the time is the file's."""
        return replace(self, seconds=self.seconds / max(1, parts))


def find_hints(
    plan: Plan, inputs: Inputs, budget: Budget = Budget(), report: Report = lambda text, share: None
) -> Hints:
    """``inputs`` has the choices by which the plan was made, answers for single features in them."""
    from routing.jobs.trial import blocking, tried
    from routing.plan.changes import proposals
    from routing.plan.changes.hint import Hints, hint_of

    estimate, started = plan.estimate, time.monotonic()
    least = _LEAST_SHARE * estimate.cost
    waiting = [c for c in proposals(plan) if c.at_stake > least]
    found: list[Hint] = []
    counted = Hints(estimate.currency, estimate.minutes, estimate.cost, (), untried=len(waiting))
    for n, change in enumerate(waiting[: budget.trials]):
        left_s = budget.seconds - (time.monotonic() - started)
        if left_s <= 0:
            break
        report(f"trying {change.kind} of {', '.join(change.features)}", n / len(waiting))
        counted = replace(counted, tried=counted.tried + 1, untried=counted.untried - 1)
        try:
            trial = isolate.run_apart(
                partial(tried, change, plan, inputs), time_limit_s=min(_TRIAL_S, max(left_s, 1.0))
            )
        except Exception as error:  # the kernel's failures are of many kinds: this one is not promised
            if is_memory_short(error):
                raise
            counted = replace(counted, failed=counted.failed + 1)
            continue
        if trial.touched or trial.blocking > blocking(plan):
            counted = replace(counted, refused=counted.refused + 1)
            continue
        hint = hint_of(change, estimate, _made_by(plan, change), trial, plan.job.shop.rates)
        if hint.cost.value < least:
            counted = replace(counted, idle=counted.idle + 1)
            continue
        found.append(hint)
    found.sort(key=lambda h: -h.cost.value)
    numbered = tuple(replace(h, overlaps=_overlaps(found[:n], h)) for n, h in enumerate(found))
    return replace(counted, hints=numbered)


def _made_by(plan: Plan, change: Proposal) -> dict[str, str]:
    return {i: plan.process_of(i) for i in change.features}


def _overlaps(before: list[Hint], hint: Hint) -> tuple[int, ...]:
    own = set(hint.features)
    return tuple(n for n, other in enumerate(before, 1) if own & set(other.features))


def list_hints(
    model: Path,
    out_dir: Path,
    choices: Choices,
    shop: Shop,
    report: Report = lambda text, share: None,
    *,
    budget: Budget,
    time_limit_s: float,
) -> list[dict[str, Any]]:
    """Hints for each part of a file, as plain data; ``out_dir`` gets them with the letter, or nothing.

    Raises StepError, ChoicesError or OutputError, each one line.
    """
    with staged_folder(out_dir, letter.FILES) as folder:

        def attempt(skip: Skip, left_s: float) -> list[dict[str, Any]]:
            clear(folder)
            args = (model, folder, choices, shop, budget, skip)
            return isolate.run_isolated(_in_child, *args, time_limit_s=left_s, progress=Relay(report))

        return reading_less(attempt, time_limit_s)


def _in_child(
    model: Path, folder: Path, choices: Choices, shop: Shop, budget: Budget, skip: Skip
) -> list[dict[str, Any]]:
    to_parent(f"reading {model.name}", 0.0)
    document = read_step(model, isolate=False, skip=skip)
    inputs = inputs_of(document, choices, shop)
    names = folder_names([part.name for part in document.parts])
    return [
        hints_of_part(document, n, settled, inputs, folder / name, budget.for_each(len(names)), to_parent)
        for n, (settled, name) in enumerate(
            zip(recognise_parts(document, inputs, to_parent), names, strict=True)
        )
    ]


def hints_of_part(
    document: StepDocument,
    n: int,
    settled: Settled,
    inputs: Inputs,
    folder: Path,
    budget: Budget,
    report: Report,
    *,
    cache: NoCache = NO_CACHE,
) -> dict[str, Any]:
    """Hints for one part as plain data, written into its folder with the letter."""
    from routing.export.report.cheaper import subject_of_part

    solid = document.parts[n]
    inputs = inputs.with_choices(settled.added_to(inputs.choices))
    report(f"routing {solid.name}", 0.1)
    plan = decide_plan(settled, inputs, n, cache=cache)
    found: dict[str, Any] = route_json.plain(find_hints(plan, inputs, budget, span(report, 0.2, 0.75)))
    subject = subject_of_part(solid.solid, solid.source_faces, settled.recognition)
    own = letter.head_of(str(inputs.shop.toolroom), inputs.name, inputs.choices.material, inputs.choices.date)
    folder.mkdir(parents=True, exist_ok=True)
    letter.write_letter(found, solid.name, own, subject, folder)
    return {"part": solid.name, "count": solid.count, **found}

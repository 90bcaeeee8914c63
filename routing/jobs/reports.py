"""The lesser jobs: what is doubtful in a file, and what changed from one file to another."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from featurize import isolate
from featurize.step.read import Skip, read_step, reading_less
from routing.export import route_json
from routing.inputs.choices import Choices, ChoicesError
from routing.jobs.job import Relay, to_parent
from routing.jobs.progress import Report, span
from routing.jobs.recognising import inputs_of, recognise_parts
from routing.processes.shop import Shop


def list_doubts(
    model: Path,
    choices: Choices,
    shop: Shop,
    report: Report = lambda text, share: None,
    *,
    time_limit_s: float,
) -> list[dict[str, Any]]:
    """What a person should settle in each part of a file, as plain data; nothing is routed or written."""

    def attempt(skip: Skip, left_s: float) -> list[dict[str, Any]]:
        args = (model, choices, shop, skip)
        return isolate.run_isolated(_doubts_in_child, *args, time_limit_s=left_s, progress=Relay(report))

    return reading_less(attempt, time_limit_s)


def _doubts_in_child(model: Path, choices: Choices, shop: Shop, skip: Skip) -> list[dict[str, Any]]:
    from routing.inputs.questions import doubts

    document = read_step(model, isolate=False, skip=skip)
    return [
        {"name": solid.name, "doubts": [route_json.doubt(d) for d in doubts(settled.recognition)]}
        for solid, settled in zip(
            document.parts,
            recognise_parts(document, inputs_of(document, choices, shop), to_parent),
            strict=True,
        )
    ]


def compare_models(
    old: Path,
    new: Path,
    choices: Choices,
    shop: Shop,
    report: Report = lambda text, share: None,
    *,
    time_limit_s: float,
) -> dict[str, Any]:
    """What changed from one file to another in features and operations, as plain data.

    Raises ChoicesError where a file holds several parts.
    """

    def attempt(skip: Skip, left_s: float) -> dict[str, Any]:
        args = (old, new, choices, shop, skip)
        return isolate.run_isolated(_compare_in_child, *args, time_limit_s=left_s, progress=Relay(report))

    return reading_less(attempt, time_limit_s)


def _compare_in_child(old: Path, new: Path, choices: Choices, shop: Shop, skip: Skip) -> dict[str, Any]:
    from routing.plan.make import make_plan
    from routing.plan.revision import revise

    routes = []
    for n, model in enumerate((old, new)):
        to_parent(f"reading {model.name}", n / 2)
        document = read_step(model, isolate=False, skip=skip)
        if len(document.parts) != 1:
            raise ChoicesError(f"{model.name} holds {len(document.parts)} parts: compare files of one part.")
        (settled,) = recognise_parts(
            document, inputs_of(document, choices, shop), span(to_parent, n / 2, 0.5)
        )
        to_parent(f"routing {model.name}", n / 2 + 0.3)
        routes.append(make_plan(settled.recognition, shop, settled.added_to(choices)))
    revision = route_json.plain(revise(*routes))
    return {"old": old.name, "new": new.name, "same": not any(revision.values()), **revision}

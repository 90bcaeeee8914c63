"""A changed part, routed as the part as drawn was: with the same answers, by the same plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from featurize import tolerances as tol
from featurize.brep.build import build_part
from featurize.brep.frame import direction_name
from featurize.brep.part import Part
from featurize.compare import compare
from featurize.feature import Feature, Kind
from featurize.recognise import Recognition, recognise
from featurize.recognise.threads import PLAIN
from routing.inputs.choices import Choices, is_edge_id, is_feature_id
from routing.inputs.overrides import BY_A_PERSON, Settled
from routing.jobs.job import decide_plan
from routing.jobs.job_inputs import Inputs
from routing.plan.changes.hint import Trial
from routing.plan.changes.proposal import Proposal
from routing.plan.plan import Plan
from routing.processes.flags import Severity


def tried(change: Proposal, plan: Plan, inputs: Inputs) -> Trial:
    """What the changed part costs; ``inputs`` has the choices with all that was settled before.

    Raises KernelError where it cannot be changed, and what reading or routing raises.
    """
    old = plan.recognition
    part = build_part(change.apply(), name=old.part.name, count=old.part.count)
    new = _Renewed.of(old, part, inputs.choices)
    settled = Settled(new.recognition)
    changed = decide_plan(settled, inputs.with_choices(new.choices), 0)
    by_old = {o: changed.process_of(n) for o, n in new.pairs.items() if o in change.features}
    return Trial(changed.estimate, by_old, blocking(changed), _touched(old, new, change))


def blocking(plan: Plan) -> int:
    return sum(flag.severity == Severity.BLOCKING for flag in plan.flags)


@dataclass(frozen=True, eq=False)
class _Renewed:
    """The changed part recognised; ``pairs`` maps old feature ids to new ones."""

    recognition: Recognition
    choices: Choices
    pairs: Mapping[str, str]

    @classmethod
    def of(cls, old: Recognition, part: Part, choices: Choices) -> _Renewed:
        up = old.part.frame.direction("+z")
        bare = recognise(part, working_side=up)
        pairs = compare(old, bare).pairs
        threads = {pairs[f.id]: answer for f in old.features if f.id in pairs and (answer := _thread(f))}
        same = all(_thread(f) == threads.get(f.id) for f in bare.features if f.id in pairs.values())
        found = bare if same else recognise(part, working_side=up, threads=threads)
        before = {new: next(f for f in old.features if f.id == was) for was, new in pairs.items()}
        features = tuple(_with_words(f, before[f.id]) if f.id in before else f for f in found.features)

        def kept(name: str) -> dict[str, Any]:
            return _renamed(getattr(choices, name), pairs, old.part, part)

        renewed = replace(
            choices,
            working_side=direction_name(up),
            threads={},
            settle=(),
            processes=kept("processes"),
            allowances=kept("allowances"),
            edges=kept("edges"),
            present=tuple(pairs.get(f, f) if is_feature_id(f) else f for f in choices.present),
        )
        return cls(replace(found, features=features), renewed, pairs)


def _thread(hole: Feature) -> str | None:
    """The answer that settles a hole as it is settled in the part as drawn; None where it is open."""
    if hole.thread is not None:
        return hole.thread.designation
    return PLAIN if hole.kind == Kind.HOLE else None


def _with_words(new: Feature, old: Feature) -> Feature:
    """What the file says of a feature, and the kind that a person has given it."""
    kind = old.kind if any(BY_A_PERSON in words for words in old.evidence) else new.kind
    if new.thread is not None or old.thread is not None:
        kind = new.kind
    return new.but(callouts=old.callouts, text=old.text, kind=kind)


def _renamed(table: Mapping[str, Any], pairs: Mapping[str, str], old: Part, new: Part) -> dict[str, Any]:
    """A table of choices under the new ids; what has lost its feature or edge is left out."""
    edges = _edges(old, new) if any(map(is_edge_id, table)) else {}
    names = {**pairs, **edges}
    single = {key: is_feature_id(key) or is_edge_id(key) for key in table}
    return {names.get(k, k): v for k, v in table.items() if not single[k] or k in names}


def _edges(old: Part, new: Part) -> dict[str, str]:
    """Edges that are where they were."""
    middles = np.array([e.points.mean(axis=0) for e in new.edges])
    found = {}
    for edge in old.edges:
        away = np.linalg.norm(middles - edge.points.mean(axis=0), axis=1)
        if away.min() < tol.SURFACE_MM:
            found[f"E{edge.id}"] = f"E{new.edges[int(away.argmin())].id}"
    return found


def _touched(old: Recognition, new: _Renewed, change: Proposal) -> tuple[str, ...]:
    """Features that the change was not to touch, and that are gone or of another kind."""
    after = {f.id: f for f in new.recognition.features}
    return tuple(
        f.id
        for f in old.features
        if f.id not in change.features
        and not f.kind.traits.blank
        and (f.id not in new.pairs or after[new.pairs[f.id]].kind != f.kind)
    )

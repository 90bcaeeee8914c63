"""A person's answers, brought to the features they were given for.

An answer names its feature by kind, size and place in the part's box (see :mod:`featurize.placing`), so it
holds for every export of the model, however turned, shifted, split or rewritten.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from featurize.brep.part import Part
from featurize.brep.runs import EdgeRun
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Kind
from featurize.placing import (
    PLACE_MM,
    Placed,
    box_point,
    box_turns,
    edge_places,
    is_size,
    own_turns,
    places,
)
from featurize.recognise import Recognition
from featurize.recognise.sides import Turned, likeliest, weighed
from featurize.recognise.threads import questions
from routing.inputs.choices import EDGE, Choices, ChoicesError, Settlement
from routing.inputs.questions import turned_over
from routing.processes.flags import Flag, Severity

if TYPE_CHECKING:
    from routing.inputs.sheet.said import Said


class Find(Protocol):
    """Recognises the part again, with a working direction in model coordinates and threads by key."""

    def __call__(self, *, working_side: Array | None, threads: Mapping[str, str]) -> Recognition: ...


Found = Feature | EdgeRun  # what an answer is for
BY_A_PERSON = "settled by a person"


@dataclass(frozen=True, eq=False)
class Settled:
    """A recognition with the answers in it.

    ``processes`` maps feature ids to the processes asked for, ``allowances`` to what stays on them, ``edges``
    ids of edges and features to what becomes of them; ``found`` holds the numbers (from 0) of the answers
    that found their feature. ``sheet`` is what its drawing says, where one was given.
    """

    recognition: Recognition
    processes: Mapping[str, str] = field(default_factory=dict)
    allowances: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    edges: Mapping[str, str] = field(default_factory=dict)
    found: frozenset[int] = frozenset()
    flags: tuple[Flag, ...] = ()
    sheet: Said | None = None

    def added_to(self, choices: Choices) -> Choices:
        """The choices with what was settled for single features and edges."""
        return choices.but(processes=self.processes, allowances=self.allowances, edges=self.edges)


def settle(recognition: Recognition, choices: Choices, find: Find) -> Settled:
    """The part with every answer that finds its feature; raises ChoicesError for one that finds two."""
    answers = choices.settle
    matched, flags = match(recognition, answers)
    up = recognition.part.frame.direction("+z") if choices.working_side is not None else None
    if up is None and (up := _working(recognition, matched, answers)) is not None:
        recognition = find(working_side=up, threads=choices.threads)
    text = _answered(matched, answers, "thread")
    _only_holes(recognition, text)
    equals = _equals(recognition, text)
    threads = {**choices.threads, **text, **{f: text[first] for f, first in equals.items()}}
    if text:
        recognition = find(working_side=up, threads=threads)
    kinds = _answered(matched, answers, "is_kind")
    why = dict.fromkeys(text, BY_A_PERSON)
    why |= {f: f"{BY_A_PERSON} for its equal {first}" for f, first in equals.items()}

    def called(found: Recognition) -> Recognition:
        features = tuple(_named(f, kinds.get(f.id), why.get(f.id)) for f in found.features)
        return replace(found, features=features) if matched else found

    recognition = called(recognition)
    if kinds and up is None:
        recognition = _reweighed(
            recognition, kinds, lambda side: called(find(working_side=side, threads=threads))
        )
    if (how := turned_over(recognition)) is not None:
        look = f"{how}: look at it, and choose the working side."
        flags = (*flags, Flag("side-turned", Severity.WARNING, None, look))
    return Settled(
        recognition,
        _answered(matched, answers, "process"),
        _answered(matched, answers, "allowance"),
        _answered(matched, answers, "edge"),
        frozenset(matched),
        flags,
    )


def _equals(recognition: Recognition, text: Mapping[str, str]) -> dict[str, str]:
    """Holes that another one's answer settles, and that other: equal holes are one question.

    The first of them answers for all, or any that no other contradicts; a hole's own answer stands.
    """
    found: dict[str, str] = {}
    for group in questions(recognition.features):
        ids = [f.id for f in group]
        given = [id_ for id_ in ids if id_ in text]
        if given and (given[0] == ids[0] or len({text[id_] for id_ in given}) == 1):
            found |= {id_: given[0] for id_ in ids if id_ not in text}
    return found


def _reweighed(
    found: Recognition, kinds: Mapping[str, str], stood: Callable[[Array], Recognition]
) -> Recognition:
    """The part as it stands with the kinds that a person named."""
    before = found.sides.turned or Turned("+z", ())
    was = found.part.frame.direction(before.unanswered)
    if (working := likeliest(found.part, found.features)) != "+z":
        found = stood(found.part.frame.direction(working))
    side = found.part.frame.side_of(was) or "+z"
    answers = (*before.answers, *(f"{kind} for {id_}" for id_, kind in kinds.items()))
    turned = Turned(side, answers) if side != "+z" else None
    return replace(found, sides=weighed(found.part, found.features, turned))


def unmatched(answers: Sequence[Settlement], parts: Iterable[Settled]) -> list[Flag]:
    """A warning for each answer that found nothing in any part."""
    found = frozenset().union(*(p.found for p in parts))
    return [
        Flag("settle-unmatched", Severity.WARNING, None, f"no {answer} is here: its answer was not used.")
        for n, answer in enumerate(answers)
        if n not in found
    ]


def match(
    recognition: Recognition, answers: Sequence[Settlement]
) -> tuple[dict[int, Found], tuple[Flag, ...]]:
    """The feature or edge of each answer by the answer's number; a warning where the box had to be turned.

    The part's geometry says which way round its box stands (or that it does not matter); only where more
    answers find their feature the other way round, or in its mirror image, is that way taken, and said.
    """
    if not answers:
        return {}, ()
    part = recognition.part
    placed = places(part, recognition.features)
    spots = _spots(part, placed, edges=any(answer.kind == EDGE for answer in answers))
    preferred, every = own_turns(part, placed)
    ways = [("", t) for t in preferred]
    ways += [("turned", t) for t in every if not any(t is p for p in preferred)]
    ways += [("mirrored", t) for t in box_turns(part, placed, mirrored=True)]
    tried = [(how, _hits(part, spots, turn, answers)) for how, turn in ways]
    most = max(len(hits) for _, hits in tried)
    best_how, best = next((how, hits) for how, hits in tried if len(hits) == most)
    for n, hits in best.items():
        _only(answers[n], hits)
    if not best_how:
        return {n: hits[0] for n, hits in best.items()}, ()
    for how, other in tried:
        if how == best_how and len(other) == most:
            for n in best.keys() & other.keys():
                _only(answers[n], [*best[n], *other[n]])
    text = f"the part's box stands otherwise than when the answers were given ({best_how}): check them."
    flag = Flag("settle-turned", Severity.WARNING, None, text)
    return {n: hits[0] for n, hits in best.items()}, (flag,)


@dataclass(frozen=True, eq=False)
class _Spot:
    """Where something is that an answer may be for."""

    what: Found
    kind: str
    at: Array
    size_mm: float

    def is_meant(self, answer: Settlement) -> bool:
        holes = _is_hole(self.kind) and _is_hole(answer.kind)
        return (self.kind == answer.kind or holes) and is_size(self.size_mm, answer.size_mm)


def _is_hole(kind: str) -> bool:
    return kind != EDGE and Kind(kind).traits.hole


def _spots(part: Part, placed: Sequence[Placed], *, edges: bool) -> list[_Spot]:
    found = [_Spot(p.feature, str(p.feature.kind), p.at, p.size_mm) for p in placed]
    return found + [_Spot(e.run, EDGE, e.at, e.size_mm) for e in (edge_places(part) if edges else ())]


def _hits(
    part: Part, spots: Sequence[_Spot], turn: Array, answers: Sequence[Settlement]
) -> dict[int, list[Found]]:
    points = np.array([box_point(part, turn, spot.at) for spot in spots])
    found = {}
    for n, answer in enumerate(answers):
        near = np.max(np.abs(points - answer.at), axis=1) <= PLACE_MM
        found[n] = [s.what for s, is_near in zip(spots, near, strict=True) if is_near and s.is_meant(answer)]
    return {n: hits for n, hits in found.items() if hits}


def _only(answer: Settlement, hits: Sequence[Found]) -> None:
    ids = sorted({f.id for f in hits})
    if len(ids) > 1:
        raise ChoicesError(
            f"settle: {answer} may be {' or '.join(ids)}: write its place as `dieroute doubts` or the "
            "route file gives it."
        )


def _working(
    recognition: Recognition, matched: Mapping[int, Found], answers: Sequence[Settlement]
) -> Array | None:
    """The working direction in model coordinates, where a person has said on which side features are."""
    found = None
    for n, feature in matched.items():
        if answers[n].side is None or isinstance(feature, EdgeRun):
            continue
        if len(feature.opens_to) != 1:
            raise ChoicesError(
                f"settle: {feature.id}, a {answers[n]}, is not on one side: name an outside face."
            )
        out = recognition.part.frame.direction(feature.opens_to[0])
        up = out if answers[n].side == "working" else -out
        if found is not None and float(found @ up) < 0.5:
            raise ChoicesError(
                f"settle: {feature.id}, a {answers[n]}, has another working side than the rest."
            )
        found = up
    return found


def _only_holes(recognition: Recognition, threads: Mapping[str, str]) -> None:
    for feature in recognition.features:
        if feature.id in threads and not feature.kind.traits.hole:
            raise ChoicesError(f"settle: {feature.id} is a {feature.kind}, which has no thread.")


def _answered(matched: Mapping[int, Found], answers: Sequence[Settlement], key: str) -> dict[str, Any]:
    """Answers of one sort by the id of what they are for; raises ChoicesError where two differ."""
    found: dict[str, Any] = {}
    for n, feature in matched.items():
        answer = getattr(answers[n], key)
        if answer is not None and found.setdefault(feature.id, answer) != answer:
            raise ChoicesError(
                f"settle: {feature.id}, a {answers[n]}, is answered twice: {found[feature.id]} and {answer}."
            )
    return found


def _named(feature: Feature, kind: str | None, why: str | None) -> Feature:
    """``why``: that its thread is settled."""
    if kind is None:
        return feature.but(evidence=(*feature.evidence, why)) if why else feature
    called = Kind(kind)
    if feature.kind == Kind.THREADED_HOLE and called == Kind.HOLE:
        raise ChoicesError(f'settle: {feature.id} is threaded: write thread = "plain" to call it a hole.')
    as_what = f"{BY_A_PERSON} as {called}" + (f", found as {feature.kind}" if called != feature.kind else "")
    thread = feature.thread if called.traits.hole else None
    return feature.but(kind=called, thread=thread, evidence=(*feature.evidence, as_what), confidence=1.0)

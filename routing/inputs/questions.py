"""What a person should settle before trusting the route, the most doubtful first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from featurize.brep.frame import direction_name
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Kind, Vec3
from featurize.placing import Placed, box_point, own_turns, places
from featurize.recognise import Recognition
from featurize.recognise.sides import GIVEN, likeliest
from featurize.recognise.threads import PLAIN, question, questions
from routing.inputs.choices import CALLED, SIDES

# Below this a person should look (our own measure: a near-tie of the evidence scores 0.5).
SURE = 0.7


@dataclass(frozen=True)
class Doubt:
    """``key`` is what an answer is given for in a choices file: "thread", "is" or "side".

    ``at`` (mm, in the part's box), ``kind`` and ``size_mm`` find the feature again in any other export.
    ``features`` are all that one answer settles, ``feature`` the first of them.
    """

    feature: str
    confidence: float
    question: str
    answers: tuple[str, ...]
    key: str
    at: Vec3
    kind: str
    size_mm: float
    features: tuple[str, ...]


def doubts(recognition: Recognition) -> list[Doubt]:
    """Ambiguous threads, equal holes as one, then features of low confidence; the least sure first in each.

    The sides come last, where they are in doubt, but first where an answer turns the part over, or would.
    """
    part, sides = recognition.part, recognition.sides
    placed = places(part, recognition.features)
    by_id = {p.feature.id: p for p in placed}
    turn = own_turns(part, placed)[0][0]

    def doubt(
        group: Sequence[Feature], confidence: float, question: str, answers: tuple[str, ...], key: str
    ) -> Doubt:
        p = by_id[group[0].id]
        x, y, z = (round(float(c), 3) + 0.0 for c in box_point(part, turn, p.at))
        kind, size, ids = str(p.feature.kind), round(p.size_mm, 4), tuple(f.id for f in group)
        return Doubt(ids[0], confidence, question, answers, key, (x, y, z), kind, size, ids)

    threads = [
        doubt(group, group[0].confidence, question(group), group[0].thread.asked, "thread")
        for group in questions(recognition.features)
        if group[0].thread is not None
    ]
    asked = {id_ for d in threads for id_ in d.features}
    features = []
    for f in (f for f in recognition.features if f.id not in asked and f.confidence < SURE):
        why = f" ({f.evidence[-1]})" if f.evidence else ""
        called = (f.kind, *(k for k in CALLED if k != f.kind)) if f.kind in CALLED else CALLED
        text = f"is this {_a(f.kind)}{why}?"
        features.append(doubt([f], f.confidence, text, tuple(map(str, called)), "is"))
    found = [d for group in (threads, features) for d in sorted(group, key=lambda d: d.confidence)]
    turning = turned_over(recognition) or _would_turn(recognition)
    if turning is None and sides.confidence >= SURE:
        return found
    for p in list(_on_working_side(placed))[:1]:
        why = "; ".join(sides.evidence)
        text = f"is this {p.feature.kind} on the working side ({why})?"
        text = f"{turning}: {text}" if turning else text
        side = doubt([p.feature], sides.confidence, text, SIDES, "side")
        found = [side, *found] if turning else [*found, side]
    return found


def turned_over(recognition: Recognition) -> str | None:
    """How a person's answers have turned the part over, in words; None where they have not."""
    turned, frame = recognition.sides.turned, recognition.part.frame
    if turned is None:
        return None
    now, before = (direction_name(frame.direction(side)) for side in ("+z", turned.unanswered))
    answers = " and ".join(turned.answers)
    return f"{answers} turned the part over: {now} of the model works, without that it would be {before}"


def _would_turn(recognition: Recognition) -> str | None:
    """The first answer to an open question that would turn the part over."""
    if recognition.sides == GIVEN:
        return None
    part = recognition.part
    for group in questions(recognition.features):
        ids = {f.id for f in group}
        *sizes, plain = group[0].thread.asked if group[0].thread else (PLAIN,)
        for answer, changes in ((sizes[0], {"kind": Kind.THREADED_HOLE}), (plain, {"thread": None})):
            as_answered = [f.but(**changes) if f.id in ids else f for f in recognition.features]
            if (side := likeliest(part, as_answered)) != "+z":
                to = direction_name(part.frame.direction(side))
                ids_ = ", ".join(f.id for f in group)
                return f"{answer} for {ids_} would turn the part over: {to} of the model would work"
    return None


def _on_working_side(placed: list[Placed]) -> Iterator[Placed]:
    """Features on that side alone, outside faces first, then the largest."""

    def rank(p: Placed) -> tuple[bool, float]:
        return p.feature.kind != Kind.OUTSIDE_FACE, -_area(p)

    yield from sorted((p for p in placed if p.feature.opens_to == ("+z",)), key=rank)


def _area(p: Placed) -> float:
    spans: Array = p.high - p.low
    return float(spans[0] * spans[1])


def _a(kind: Kind) -> str:
    if kind == Kind.UNASSIGNED:
        return "something that must be made"
    return f"{'an' if kind[0] in 'aeiou' else 'a'} {kind}"

"""What a person should settle before trusting the route, the most doubtful first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from featurize.brep.surfaces import Array
from featurize.feature import Kind, Vec3
from featurize.placing import Placed, box_point, own_turns, places
from featurize.recognise import Recognition
from routing.inputs.choices import CALLED, SIDES

# Below this a person should look (our own measure: a near-tie of the evidence scores 0.5).
SURE = 0.7


@dataclass(frozen=True)
class Doubt:
    """``key`` is what an answer is given for in a choices file: "thread", "is" or "side".

    ``at`` (mm, in the part's box), ``kind`` and ``size_mm`` find the feature again in any other export.
    """

    feature: str
    confidence: float
    question: str
    answers: tuple[str, ...]
    key: str
    at: Vec3
    kind: str
    size_mm: float


def doubts(recognition: Recognition) -> list[Doubt]:
    """Ambiguous threads, then features of low confidence, then the sides; the least sure first in each."""
    part, sides = recognition.part, recognition.sides
    placed = places(part, recognition.features)
    turn = own_turns(part, placed)[0][0]

    def doubt(p: Placed, confidence: float, question: str, answers: tuple[str, ...], key: str) -> Doubt:
        x, y, z = (round(float(c), 3) + 0.0 for c in box_point(part, turn, p.at))
        size = round(p.size_mm, 4)
        return Doubt(p.feature.id, confidence, question, answers, key, (x, y, z), str(p.feature.kind), size)

    threads, features = [], []
    for p in placed:
        f = p.feature
        if f.thread is not None and f.thread.designation is None:
            *asked, plain = f.thread.asked
            said = f"is this {p.size_mm:.4g} mm hole {' or '.join(asked)}, or {plain}?"
            threads.append(doubt(p, f.confidence, said, f.thread.asked, "thread"))
        elif f.confidence < SURE:
            why = f" ({f.evidence[-1]})" if f.evidence else ""
            called = (f.kind, *(k for k in CALLED if k != f.kind)) if f.kind in CALLED else CALLED
            features.append(
                doubt(p, f.confidence, f"is this {_a(f.kind)}{why}?", tuple(map(str, called)), "is")
            )
    found = [d for group in (threads, features) for d in sorted(group, key=lambda d: d.confidence)]
    if sides.confidence < SURE:
        for p in list(_on_working_side(placed))[:1]:
            why = "; ".join(sides.evidence)
            said = f"is this {p.feature.kind} on the working side ({why})?"
            found.append(doubt(p, sides.confidence, said, SIDES, "side"))
    return found


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

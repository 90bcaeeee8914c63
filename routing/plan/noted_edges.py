"""What a drawing's notes say of all edges, beside what the plan makes of each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from routing.inputs.sheet.apply import flag_of
from routing.inputs.sheet.asking import Question
from routing.inputs.sheet.called import EDGES_BROKEN, EDGES_SHARP, Topic
from routing.inputs.sheet.said import Said
from routing.plan.edges import Break, EdgeVerdict
from routing.processes.flags import Flag

_MOST = 6


def with_edges(said: Said, edges: Sequence[EdgeVerdict]) -> tuple[Said, list[Flag]]:
    """The drawing's word with a question for each note that the plan's edges are against; their flags."""
    asked = tuple(_asked(said, edges))
    matched = replace(said.matched, questions=(*said.matched.questions, *asked))
    return replace(said, matched=matched), [flag_of(q, said.sheet) for q in asked]


def _asked(said: Said, edges: Sequence[EdgeVerdict]) -> Iterator[Question]:
    against = {EDGES_SHARP: Break.MUST_BREAK, EDGES_BROKEN: Break.KEEP_SHARP}
    for n, placed in enumerate(said.sheet.notes):
        note = placed.note
        if note.about != Topic.EDGES or note.value not in against:
            continue
        other = [e for e in edges if e.verdict == against[note.value] and not e.asked]
        if not other:
            continue
        ids = ", ".join(e.id for e in other[:_MOST]) + (
            f" and {len(other) - _MOST} more" if other[_MOST:] else ""
        )
        text = (
            f"'{note.text}' is said of the edges, and {len(other)} of them {other[0].verdict} "
            f"by the rule here ({ids}; {other[0].reason}): which holds? Choose with --edge."
        )
        yield Question("drawing-edges", text, (), None, n)

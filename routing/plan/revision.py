"""Two revisions of a part: which operations change with its features."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from featurize.brep.frame import SIDES, Frame
from featurize.brep.surfaces import Array
from featurize.compare import Change, Comparison, compare
from featurize.placing import PLACE_MM, edge_places, is_size
from routing.plan.plan import Plan, PlannedStep

_STRAIGHT = Frame(np.zeros(3), np.eye(3))


@dataclass(frozen=True)
class OperationChange:
    """``what`` is "new", "gone" or "changed"; ``old``/``new`` are the operations' numbers."""

    what: str
    stage: str
    process: str
    from_side: str
    old: int | None
    new: int | None
    detail: str


@dataclass(frozen=True)
class EdgeChange:
    """An edge that is in both, by its ids, with its two verdicts and the reason of the new one."""

    old: str
    new: str
    was: str
    now: str
    reason: str


@dataclass(frozen=True)
class Revision:
    """Changes of the features, of the operations that make them, and of what becomes of the edges."""

    features: tuple[Change, ...]
    operations: tuple[OperationChange, ...]
    edges: tuple[EdgeChange, ...]


def revise(old: Plan, new: Plan) -> Revision:
    """Compares two routes made with the same shop and choices."""
    comparison = compare(old.recognition, new.recognition)
    return Revision(
        comparison.changes,
        tuple(operation_changes(old, new, comparison)),
        tuple(edge_changes(old, new, comparison)),
    )


def edge_changes(old: Plan, new: Plan, comparison: Comparison) -> Iterator[EdgeChange]:
    """Edges with another verdict. Those that were moved or cut are left to the features that did it."""
    was, now = ({v.id: v for v in route.edges} for route in (old, new))
    there = edge_places(new.recognition.part)
    places = np.array([e.at for e in there]).reshape(-1, 3)
    for edge in edge_places(old.recognition.part):
        near = np.max(np.abs(places - comparison.turn @ edge.at), axis=1) <= PLACE_MM
        found = (there[k] for k in np.flatnonzero(near) if is_size(edge.size_mm, there[int(k)].size_mm))
        other = next(found, None)
        if other and was[edge.run.id].verdict != now[other.run.id].verdict:
            before, after = was[edge.run.id], now[other.run.id]
            yield EdgeChange(before.id, after.id, str(before.verdict), str(after.verdict), after.reason)


def operation_changes(old: Plan, new: Plan, comparison: Comparison) -> Iterator[OperationChange]:
    """Operations are the same by stage, process and side, as the new part sees its sides."""
    touched = {c.new for c in comparison.changes if c.new is not None}
    waiting: dict[tuple[str, str, str], list[PlannedStep]] = {}
    for operation in new.steps:
        key = operation.stage.words, operation.process, operation.from_side
        waiting.setdefault(key, []).append(operation)
    gone = []
    pairs: list[tuple[PlannedStep, PlannedStep]] = []
    for operation in old.steps:
        side = _seen(operation.from_side, comparison.turn)
        equals = waiting.get((operation.stage.words, operation.process, side), [])
        if equals:
            pairs.append((operation, equals.pop(0)))
        else:
            gone.append(operation)
    for before, after in pairs:
        detail = _difference(before, after, comparison, touched)
        if detail:
            yield _change("changed", before, after, detail)
    for operation in gone:
        yield _change("gone", operation, None, f"made {_list(operation.features)}")
    for operation in (o for left in waiting.values() for o in left):
        yield _change("new", None, operation, f"makes {_list(operation.features)}")


def _difference(before: PlannedStep, after: PlannedStep, comparison: Comparison, touched: set[str]) -> str:
    # Outside faces in one plane are compared as one: those without a pair are no news.
    known = {c.old for c in comparison.changes if c.new is None} | set(comparison.pairs)
    named = {comparison.pairs.get(f, f"old {f}") for f in before.features if f in known}
    seen = set(comparison.pairs.values()) | touched
    has = {f for f in after.features if f in seen}
    words = (
        ("no longer", sorted(named - has)),
        ("also", sorted(has - named)),
        ("changed", sorted(has & named & touched)),
    )
    return "; ".join(f"{word} {_list(names)}" for word, names in words if names)


def _change(what: str, old: PlannedStep | None, new: PlannedStep | None, detail: str) -> OperationChange:
    operation = new or old
    assert operation is not None
    return OperationChange(
        what,
        operation.stage.words,
        operation.process,
        operation.from_side,
        old.number if old else None,
        new.number if new else None,
        detail,
    )


def _seen(side: str, turn: Array) -> str:
    """A side of the old frame in the new one; what is no side stays as it is."""
    return _STRAIGHT.side_of(turn @ _STRAIGHT.direction(side)) or side if side in SIDES else side


def _list(names: Sequence[str]) -> str:
    return ", ".join(names)

"""A person's decisions, brought from one drawing of a part to the next. Loads the kernel: for the workers.

A decision names its feature by the place in the part's box, and that moves when the part grows at one end. So
the two drawings are laid over each other, and each decision goes to the feature that its own has become.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from featurize.compare import Comparison, compare
from featurize.placing import box_point, edge_places, own_turns, places
from featurize.recognise import Recognition
from routing.inputs.choices import EDGE, ChoicesError, is_edge_id, is_feature_id
from routing.web.answers import is_there
from routing.web.records import Source

Place = Mapping[str, Any]
Recognised = Callable[[Source], Sequence[Recognition]]
# Of choices, the tables whose keys may be single features or edges.
_BY_ID = ("threads", "processes", "edges", "allowances")


def places_of(recognition: Recognition) -> list[dict[str, Any]]:
    """How a choices file would name each feature and each edge."""
    part = recognition.part
    placed = places(part, recognition.features)
    turn = own_turns(part, placed)[0][0]
    found = [(p.feature.id, p.at, str(p.feature.kind), p.size_mm) for p in placed]
    found += [(f"E{e.id}", p.at, EDGE, p.size_mm) for p in edge_places(part) for e in p.run.edges]
    return [
        {
            "id": name,
            "at": [round(float(c), 3) + 0.0 for c in box_point(part, turn, at)],
            "kind": kind,
            "size_mm": round(size_mm, 4),
        }
        for name, at, kind, size_mm in found
    ]


def carried_over(old: Source, new: Source, recognised: Recognised) -> tuple[dict[str, Any], tuple[str, ...]]:
    """The old one's choices for the new file, and a line for each that found nothing there.

    Parts are taken in their order. A decision that the new drawing does not allow is left out too.
    """
    table = dict(old.choices)
    plain = {name: _without_ids(value) if name in _BY_ID else value for name, value in table.items()}
    plain.pop("settle", None)
    bare = replace(new, choices=plain)
    pairs = [_Pair(a, b) for a, b in zip(recognised(old), recognised(bare), strict=False)]
    lost: list[str] = []
    for name in _BY_ID:
        if any(map(_is_id, table.get(name, ()))):
            named = {_new_id(pairs, key) if _is_id(key) else key: v for key, v in table[name].items()}
            lost += [f"{name}: {key} {table[name][key]}" for key in table[name] if not _new_id(pairs, key)]
            table[name] = {key: value for key, value in named.items() if key}
    entries = []
    for entry in table.pop("settle", ()):
        place = next((found for pair in pairs if (found := pair.place(entry))), None)
        if place is None:
            lost.append(_said(entry))
        else:
            entries.append({**entry, **{key: place[key] for key in ("at", "kind", "size_mm")}})
    allowed = _allowed(table, entries, lambda choices: recognised(replace(new, choices=choices)), lost)
    return allowed, tuple(
        f"a decision for the drawing before has no place in this one: {text}" for text in lost
    )


def _allowed(
    table: dict[str, Any], entries: list[dict[str, Any]], attempt: Callable[[Any], Any], lost: list[str]
) -> dict[str, Any]:
    """With as many of the entries as can be followed."""
    whole = {**table, "settle": entries} if entries else table
    try:
        attempt(whole)
        return whole
    except ChoicesError:
        kept: list[dict[str, Any]] = []
    for entry in entries:
        try:
            attempt({**table, "settle": [*kept, entry]})
            kept.append(entry)
        except ChoicesError as error:
            lost.append(f"{_said(entry)} ({error})")
    return {**table, "settle": kept} if kept else table


class _Pair:
    """One part in both drawings."""

    def __init__(self, old: Recognition, new: Recognition) -> None:
        self.comparison: Comparison = compare(old, new)
        self._old, self._new = places_of(old), {p["id"]: p for p in places_of(new)}
        self._sides = [_features_by_edge(r) for r in (old, new)]

    def place(self, entry: Mapping[str, Any]) -> Place | None:
        """Where the feature or edge of an entry is now."""
        for was in self._old:
            if is_there(entry, was) and (now := self.new_id(was["id"], was["at"])):
                return self._new[now]
        return None

    def new_id(self, name: str, at: Sequence[float] | None = None) -> str | None:
        if not name.startswith("E"):
            return self.comparison.pairs.get(name)
        old, new = self._sides
        ends = {self.comparison.pairs.get(f or "") for f in old.get(name, ())}
        between = [e for e, features in new.items() if features == ends and e in self._new]
        at = next(p["at"] for p in self._old if p["id"] == name) if at is None else at
        return min(between, key=lambda e: _away(self._new[e]["at"], at), default=None)


def _away(a: Sequence[float], b: Sequence[float]) -> float:
    return float(np.linalg.norm(np.subtract(a, b)))


def _features_by_edge(recognition: Recognition) -> dict[str, set[str | None]]:
    owner: dict[int, str] = {}
    for feature in recognition.features:
        for face in feature.faces:
            owner.setdefault(face, feature.id)
    return {f"E{e.id}": {owner.get(f) for f in e.faces} for e in recognition.part.edges}


def _new_id(pairs: Sequence[_Pair], key: str) -> str | None:
    if not _is_id(key):
        return key
    known = (pair.new_id(key) for pair in pairs)
    return next((name for name in known if name), None)


def _is_id(key: str) -> bool:
    return is_feature_id(key) or is_edge_id(key)


def _without_ids(table: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in table.items() if not _is_id(key)}


def _said(entry: Mapping[str, Any]) -> str:
    told = {k: v for k, v in entry.items() if k not in ("at", "kind", "size_mm")}
    words = ", ".join(f"{k} {v}" for k, v in told.items())
    return (
        f"{entry['kind']} of {entry['size_mm']:g} mm at [{', '.join(f'{c:g}' for c in entry['at'])}]: {words}"
    )

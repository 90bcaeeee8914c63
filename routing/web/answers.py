"""Choices as the page sends and shows them: the same that a choices file holds."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import fields
from typing import Any

from featurize.placing import PLACE_MM, is_size
from routing.inputs.choices import BLANKS, EDGE, Choices, ChoicesError, Settlement
from routing.web.store import is_blank_file

# What of a feature a person may answer from the page, as a choices file calls it.
ANSWERS = ("thread", "process", "is", "side", "edge", "allowance")
_DEFAULT = Choices()


def as_table(choices: Choices) -> dict[str, Any]:
    """What differs from the defaults, as a choices file holds it: plain data."""
    table: dict[str, Any] = {}
    for f in fields(Choices):
        value = getattr(choices, f.name)
        if f.name == "settle":
            value = [_entry(s) for s in value]
        elif isinstance(value, Mapping):
            value = dict(value)
        if value not in (getattr(_DEFAULT, f.name), {}, []):
            table[f.name] = value
    return table


def from_table(table: object) -> Choices:
    """Choices from the page; raises ChoicesError.

    A blank's path would be one on this machine and is refused, but for the name of one kept with the job.
    """
    if not isinstance(table, Mapping):
        raise ChoicesError("choices must be a table.")
    known = [f.name for f in fields(Choices)]
    for key in table:
        if key not in known:
            raise ChoicesError(f"{key} is not a choice: write one of {', '.join(known)}.")
    blank = table.get("blank", "auto")
    if blank not in BLANKS and not is_blank_file(blank):
        raise ChoicesError(
            f"blank: write one of {', '.join(BLANKS)}, or hand in a file of it beside the model."
        )
    if table.get("drawing"):
        raise ChoicesError("drawing: the page takes none yet: route the model with --drawing.")
    return Choices(**table)


def as_toml(table: Mapping[str, Any]) -> str:
    """The text of a choices file."""
    lines = [f"{key} = {_value(v)}" for key, v in table.items() if not isinstance(v, Mapping | list)]
    for name, inner in table.items():
        if isinstance(inner, Mapping):
            lines += ["", f"[{name}]", *(f"{_value(k)} = {_value(v)}" for k, v in inner.items())]
    for entry in table.get("settle", ()):
        lines += ["", "[[settle]]", *(f"{k} = {_value(v)}" for k, v in entry.items())]
    return "\n".join(lines).lstrip("\n") + "\n"


def answered(
    table: Mapping[str, Any], place: Mapping[str, Any], answers: Mapping[str, str | None]
) -> dict[str, Any]:
    """A table of choices with answers for a feature or edge, known by ``place``: id, at, kind, size_mm.

    None takes an answer back. Raises ChoicesError.
    """
    for key in answers:
        if key not in ANSWERS:
            raise ChoicesError(f"{key} cannot be answered: write one of {', '.join(ANSWERS)}.")
    changed = {k: dict(v) if isinstance(v, Mapping) else v for k, v in table.items()}
    for name, key in (
        ("threads", "thread"),
        ("processes", "process"),
        ("edges", "edge"),
        ("allowances", "allowance"),
    ):
        if key in answers:
            changed.get(name, {}).pop(place["id"], None)
    entries = [dict(e) for e in table.get("settle", ())]
    found = next((e for e in entries if is_there(e, place)), None)
    if found is None:
        found = {"at": list(place["at"]), "kind": place["kind"], "size_mm": place["size_mm"]}
        entries.append(found)
    for key, value in answers.items():
        found.pop(key, None)
        if value is not None:
            found[key] = value
    changed["settle"] = [e for e in entries if any(key in e for key in ANSWERS)]
    return as_table(from_table({k: v for k, v in changed.items() if v or v == 0.0}))


def is_there(entry: Mapping[str, Any], place: Mapping[str, Any]) -> bool:
    """Whether an entry of a choices file is for the feature or edge at a place."""
    at: Sequence[float] = entry["at"]
    near = all(math.isclose(a, b, abs_tol=PLACE_MM) for a, b in zip(at, place["at"], strict=True))
    same = (entry["kind"] == EDGE) == (place["kind"] == EDGE)
    return near and same and is_size(place["size_mm"], entry["size_mm"])


def _entry(answer: Settlement) -> dict[str, Any]:
    given = {
        "thread": answer.thread,
        "process": answer.process,
        "is": answer.is_kind,
        "side": answer.side,
        "edge": answer.edge,
        "allowance": answer.allowance and list(answer.allowance),
    }
    return {"at": list(answer.at), "kind": answer.kind, "size_mm": answer.size_mm} | {
        k: v for k, v in given.items() if v is not None
    }


def _value(value: Any) -> str:
    """JSON spells strings, numbers, truth and flat lists as TOML does."""
    return json.dumps(value, ensure_ascii=False)

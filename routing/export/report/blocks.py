"""What a report is made of: sections of words, tables and drawings, whatever they are written to."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from routing.export.report.drawing import Drawing


@dataclass(frozen=True)
class Text:
    """A paragraph; ``look`` is "plain", "note" (small), "alert" (in a frame) or "item" (of a list)."""

    words: str
    look: str = "plain"


@dataclass(frozen=True)
class Table:
    """Words in rows; ``widths`` are shares. ``tall`` leaves room to write by hand.

    ``leads`` are places of rows that head those after them: bold, and on the same page as the next. A row
    whose first cell is empty goes on with the one before it and is not parted from it in a tall table.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]
    tall: bool = False
    leads: frozenset[int] = frozenset()


@dataclass(frozen=True)
class Facts:
    """Words by what they are about, in two columns; ``wide`` gives each a whole row."""

    rows: tuple[tuple[str, str], ...]
    wide: bool = False


@dataclass(frozen=True)
class Pictures:
    """Drawings with what stands under each, side by side in so many columns."""

    drawings: tuple[tuple[Drawing, str], ...]
    columns: int = 1


Block = Text | Facts | Table | Pictures


@dataclass(frozen=True)
class Section:
    title: str
    blocks: tuple[Block, ...]
    new_page: bool = False


@dataclass(frozen=True)
class Report:
    """``head`` are the fields of the title block, ``sections`` what follows; ``what`` names the paper."""

    title: str
    head: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    what: str = "Route sheet"


def clean(text: Any) -> str:
    """Words from a stranger's file without what is no writing: controls and turns of direction are shown."""
    return "".join(
        c
        if c == "\n" or unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Co", "Cn")
        else f"[U+{ord(c):04X}]"
        for c in str(text)
    )


def sentence(words: str) -> str:
    """Words as a sentence, cleaned."""
    text = clean(words)
    return f"{text[:1].upper()}{text[1:]}."


def number(value: float, digits: int = 3) -> str:
    """Without idle noughts: 4.2, 0.05, 12."""
    text = f"{value:.{digits}f}".rstrip("0").rstrip(".") if digits else f"{value:.0f}"
    return "0" if text in ("-0", "") else text


def words_of(name: str) -> str:
    """A key as words: "corner_radius_mm" is "corner radius"."""
    for end in ("_mm2", "_mm3", "_mm", "_deg", "_min"):
        name = name.removesuffix(end)
    return name.replace("_", " ")


def unit_of(name: str) -> str:
    ends = {"_mm3": " mm³", "_mm2": " mm²", "_mm": " mm", "_deg": "°", "_min": " min"}
    return next((unit for end, unit in ends.items() if name.endswith(end)), "")


def sizes(dims: Mapping[str, float]) -> list[str]:
    """ "width 12", "taper 0.75°": lengths are mm and say no unit."""
    return [
        f"{words_of(name)} {number(value)}{'°' if name.endswith('_deg') else ''}"
        for name, value in dims.items()
    ]


def general(value: Any) -> list[Block]:
    """Whatever a key of the route file holds, as tables: for what has no form of its own yet."""
    if isinstance(value, Mapping):
        flat = {k: v for k, v in value.items() if not _rows(v) and not isinstance(v, Mapping)}
        found: list[Block] = []
        if flat:
            rows = tuple(
                (words_of(k), _said(v) + (unit_of(k) if _is_number(v) else "")) for k, v in flat.items()
            )
            found.append(Table(("what", "value"), rows, (1, 3)))
        for key, inner in value.items():
            if key not in flat and inner:
                found += [Text(words_of(key), "note"), *general(inner)]
        return found
    if _rows(value):
        return _listed([_spread(row) for row in value])
    return [Text(_said(value))] if value not in (None, "", []) else []


# About as many letters stand side by side in a table's row.
_LETTERS = 120


def _listed(rows: Sequence[Mapping[str, Any]]) -> list[Block]:
    """A column for each key or, where they are too many for the page, for each row."""
    keys = list(dict.fromkeys(k for row in rows for k in row))
    heads = [words_of(k) + (f" ({unit_of(k).strip()})" if unit_of(k).strip() else "") for k in keys]
    columns = [[_said(row.get(k)) for row in rows] for k in keys]
    widths = [_width(column, head) for column, head in zip(columns, heads, strict=True)]
    if sum(widths) <= _LETTERS:
        return [Table(tuple(heads), tuple(zip(*columns, strict=True)), tuple(widths))]
    chunks = [range(k, min(k + 3, len(rows))) for k in range(0, len(rows), 3)]
    return [
        Table(
            ("", *(f"no. {n + 1}" for n in chunk)),
            tuple((head, *(column[n] for n in chunk)) for head, column in zip(heads, columns, strict=True)),
            (2.0, *(3.0 for _ in chunk)),
        )
        for chunk in chunks
    ]


def _rows(value: Any) -> bool:
    return isinstance(value, Sequence) and bool(value) and all(isinstance(v, Mapping) for v in value)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _spread(row: Mapping[str, Any]) -> dict[str, Any]:
    """Tables within a row become columns of it."""
    found: dict[str, Any] = {}
    for key, value in row.items():
        if isinstance(value, Mapping):
            found |= {f"{words_of(key)} {k}": v for k, v in _spread(value).items()}
        else:
            found[key] = value
    return found


def _said(value: Any) -> str:
    if value is None or value == "":
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return number(float(value))
    if isinstance(value, Mapping):
        return ", ".join(f"{words_of(k)} {_said(v)}" for k, v in value.items())
    if isinstance(value, Iterable) and not isinstance(value, str):
        inner = list(value)
        return ("; " if any(isinstance(v, str | Mapping) for v in inner) else " ").join(
            map(_said, inner)
        ) or "-"
    return clean(value)


def _width(column: Sequence[str], head: str) -> float:
    """A share of the page that suits the words: long ones are wrapped, short ones kept whole."""
    longest = max(map(len, [*column, head]))
    word = max((len(w) for w in head.split()), default=1)
    return max(word + 2.0, math.pow(min(longest, 60), 0.8) + 2.0)

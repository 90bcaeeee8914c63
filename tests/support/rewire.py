"""Damage that keeps the grammar: a STEP text is taken apart into records and tokens, which are swapped,
wired elsewhere, scaled or lost, and put together again. No check of the text alone can tell it.

Written apart from ``mutate``, which damages bytes and lines.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from dataclasses import dataclass, field

_RECORD = re.compile(rb"#(\d+)\s*=\s*((?:[^;']|'(?:[^']|'')*')*);", re.DOTALL)
_TOKEN = re.compile(
    rb"'(?:[^']|'')*'|#\d+|\.[A-Z0-9_]+\.|[+-]?\d+(?:\.\d*(?:E[+-]?\d+)?)?|[A-Z][A-Z0-9_]*|\s+|.", re.DOTALL
)
_REAL = re.compile(rb"[+-]?\d+\.\d*(?:E[+-]?\d+)?")
_FACTORS = (-1.0, 0.0, 0.5, 0.99, 0.9999, 1.0001, 1.01, 2.0, 10.0, 25.4, 1e-3, 1e3, 1e-9, 1e9)


@dataclass
class Text:
    """A text in pieces: what stands before and after the records, and the tokens of each by its number."""

    before: bytes
    records: dict[int, list[bytes]]
    after: bytes
    done: list[str] = field(default_factory=list)

    @classmethod
    def of(cls, text: bytes) -> Text:
        start = text.index(b"DATA;") + len(b"DATA;")
        end = text.rindex(b"ENDSEC;")
        found = _RECORD.finditer(text, start, end)
        records = {int(m[1]): _TOKEN.findall(m[2]) for m in found}
        return cls(text[:start], records, text[end:])

    def __bytes__(self) -> bytes:
        lines = (b"#%d = %b;" % (n, b"".join(tokens)) for n, tokens in self.records.items())
        return self.before + b"\n" + b"\n".join(lines) + b"\n" + self.after

    def kind(self, number: int) -> bytes:
        """The keyword of a record; of a complex one its first."""
        words = (t for t in self.records.get(number, ()) if t[:1].isalpha())
        return next(words, b"")

    def places(self, of: Callable[[bytes], object]) -> list[tuple[int, int]]:
        """(record, place in it) of all tokens of a sort."""
        return [(n, i) for n, tokens in self.records.items() for i, t in enumerate(tokens) if of(t)]


def _is_reference(token: bytes) -> bool:
    return token[:1] == b"#"


def _lists(tokens: list[bytes]) -> list[list[int]]:
    """The places of the references in each innermost list that has several."""
    found: list[list[int]] = []
    here: list[int] = []
    for i, token in enumerate(tokens):
        if token == b"(":
            here = []
        elif token == b")":
            if len(here) > 1:
                found.append(here)
            here = []
        elif _is_reference(token):
            here.append(i)
    return found


def swap_tokens(rng: random.Random, text: Text) -> None:
    """Two tokens of one sort take each other's place, in one record or in two."""
    sort = rng.choice((_is_reference, _REAL.fullmatch, re.compile(rb"\.[TF]\.").fullmatch))
    places = text.places(sort)
    if len(places) > 1:
        (n, i), (m, j) = rng.sample(places, 2)
        if rng.random() < 0.5 and (own := [p for p in places if p[0] == n and p[1] != i]):
            m, j = rng.choice(own)
        text.records[n][i], text.records[m][j] = text.records[m][j], text.records[n][i]


def rewire(rng: random.Random, text: Text) -> None:
    """A reference goes to another record of the same kind."""
    n, i = rng.choice(text.places(_is_reference))
    kind = text.kind(int(text.records[n][i][1:]))
    alike = [m for m in text.records if text.kind(m) == kind]
    text.records[n][i] = b"#%d" % rng.choice(alike or list(text.records))


def rewire_anywhere(rng: random.Random, text: Text) -> None:
    n, i = rng.choice(text.places(_is_reference))
    text.records[n][i] = b"#%d" % rng.choice(list(text.records))


def shift_number(rng: random.Random, text: Text) -> None:
    """A reference is off by a few, as after a bad merge."""
    n, i = rng.choice(text.places(_is_reference))
    text.records[n][i] = b"#%d" % max(1, int(text.records[n][i][1:]) + rng.choice((-2, -1, 1, 2)))


def scale_number(rng: random.Random, text: Text) -> None:
    n, i = rng.choice(text.places(_REAL.fullmatch))
    text.records[n][i] = b"%.12E" % (float(text.records[n][i]) * rng.choice(_FACTORS))


def scale_size(rng: random.Random, text: Text) -> None:
    """The radius, angle or length of a surface, curve or vector."""
    places = [
        p for p in text.places(_REAL.fullmatch) if text.kind(p[0]) not in (b"CARTESIAN_POINT", b"DIRECTION")
    ]
    n, i = rng.choice(places)
    text.records[n][i] = b"%.12E" % (float(text.records[n][i]) * rng.choice(_FACTORS))


def lose_records(rng: random.Random, text: Text) -> None:
    numbers = list(text.records)
    at = rng.randrange(len(numbers))
    for number in numbers[at : at + rng.randint(1, 6)]:
        del text.records[number]


def lose_from_list(rng: random.Random, text: Text) -> None:
    """One of several references is left out of its list, with the comma."""
    lists = [(n, places) for n, tokens in text.records.items() for places in _lists(tokens)]
    n, places = rng.choice(lists)
    i = rng.choice(places)
    tokens = text.records[n]
    comma = next(j for j in (*range(i - 1, -1, -1), *range(i, len(tokens))) if tokens[j] == b",")
    if i == places[0]:
        comma = next(j for j in range(i, len(tokens)) if tokens[j] == b",")
    text.records[n] = [t for j, t in enumerate(tokens) if j not in (i, comma)]


def repeat_in_list(rng: random.Random, text: Text) -> None:
    lists = [(n, places) for n, tokens in text.records.items() for places in _lists(tokens)]
    n, places = rng.choice(lists)
    i = rng.choice(places)
    text.records[n][i:i] = [text.records[n][i], b","]


def unset(rng: random.Random, text: Text) -> None:
    n, i = rng.choice(text.places(lambda t: _is_reference(t) or _REAL.fullmatch(t)))
    text.records[n][i] = rng.choice((b"$", b"*"))


def other_keyword(rng: random.Random, text: Text) -> None:
    """A record is taken for one of another kind that occurs in the file, with its own arguments."""
    kinds = sorted({text.kind(n) for n in text.records})
    n, i = rng.choice(text.places(lambda t: t in kinds))
    text.records[n][i] = rng.choice(kinds)


def swap_records(rng: random.Random, text: Text) -> None:
    """Two records of a kind take each other's number."""
    n = rng.choice(list(text.records))
    alike = [m for m in text.records if text.kind(m) == text.kind(n) and m != n]
    if alike:
        m = rng.choice(alike)
        text.records[n], text.records[m] = text.records[m], text.records[n]


def reorder(rng: random.Random, text: Text) -> None:
    """The same model: the order of records has no meaning."""
    numbers = list(text.records)
    rng.shuffle(numbers)
    text.records = {n: text.records[n] for n in numbers}


REWIRINGS: tuple[Callable[[random.Random, Text], None], ...] = (
    swap_tokens, rewire, rewire_anywhere, shift_number, scale_number, scale_size, lose_records,
    lose_from_list, repeat_in_list, unset, other_keyword, swap_records, reorder,
)  # fmt: skip


def rewired(good: bytes, seed: str) -> tuple[bytes, str]:
    """The damaged text and what was done to it, the same for the same seed."""
    rng = random.Random(seed)
    text = Text.of(good)
    done = rng.choices(REWIRINGS, k=rng.choice((1, 1, 2, 3)))
    for change in done:
        change(rng, text)
    return bytes(text), "+".join(change.__name__ for change in done)

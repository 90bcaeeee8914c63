"""Where the keys of a TOML text stand, and what is said beside them: ``tomllib`` keeps neither.

For text that ``tomllib`` has accepted; nothing is checked here. A key's path is written as errors do:
``rates.wire.mm2_per_min``, ``wires[0].gap_mm``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

_ENDS_BARE_KEY = " \t=.]"
_ENDS_BARE_VALUE = ",]}#\n"
_ESCAPED = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r"}


@dataclass(frozen=True)
class Place:
    """``line`` counts from 1; ``above`` are the comment lines right over it, ``beside`` the one after it."""

    line: int
    above: tuple[str, ...] = ()
    beside: str = ""


def places_of(text: str) -> Mapping[str, Place]:
    """The place of every table, list entry and key, in the order of the text."""
    return _Scan(text.replace("\r\n", "\n")).places


def nearest(places: Mapping[str, Place], key: str) -> Place | None:
    """The place of a key, or of the innermost table or list around it that the text names."""
    while key and key not in places:
        key = key[: max(key.rfind("."), key.rfind("["), 0)]
    return places.get(key)


class _Scan:
    def __init__(self, text: str) -> None:
        self.text, self.at, self.line = text, 0, 1
        self.places: dict[str, Place] = {}
        self._lengths: dict[str, int] = {}
        table, above = "", []  # type: str, list[str]
        while self.at < len(text):
            if self._here == "#":
                above.append(self._comment())
            elif self._here == "\n":
                self._step()
                if self._here in "\n":  # a blank line parts a comment from what follows
                    above = []
            elif self._here in " \t":
                self._step()
            else:
                before = len(self.places)
                table = self._statement(table, tuple(above))
                self._skip(" \t")
                if self._here == "#":
                    name = list(self.places)[before] if before < len(self.places) else table
                    self.places[name] = replace(self.places[name], beside=self._comment())
                above = []

    @property
    def _here(self) -> str:
        return self.text[self.at : self.at + 1]

    def _step(self, count: int = 1) -> str:
        taken = self.text[self.at : self.at + count]
        self.line += taken.count("\n")
        self.at += count
        return taken

    def _skip(self, signs: str) -> None:
        while self._here and self._here in signs:
            self._step()

    def _until(self, signs: str) -> str:
        start = self.at
        while self._here and self._here not in signs:
            self._step()
        return self.text[start : self.at]

    def _comment(self) -> str:
        return self._until("\n").lstrip("#").strip()

    def _note(self, key: str, line: int, above: tuple[str, ...] = ()) -> None:
        self.places.setdefault(key, Place(line, above))

    def _statement(self, table: str, above: tuple[str, ...]) -> str:
        """A header, which gives the new table, or a key with its value."""
        line = self.line
        if self._here != "[":
            self._pair(table, above)
            return table
        brackets = 2 if self.text.startswith("[[", self.at) else 1
        self._step(brackets)
        *outer, last = self._names()
        self._step(brackets)
        table = ""
        for name in outer:
            table = self._last_entry(_joined(table, name))
        table = _joined(table, last)
        if brackets == 2:
            self._note(table, line, above)
            count = self._lengths[table] = self._lengths.get(table, 0) + 1
            table = f"{table}[{count - 1}]"
        self._note(table, line, above)
        return table

    def _last_entry(self, key: str) -> str:
        return f"{key}[{self._lengths[key] - 1}]" if key in self._lengths else key

    def _pair(self, table: str, above: tuple[str, ...] = ()) -> None:
        line = self.line
        names = self._names()
        for name in names[:-1]:
            table = _joined(table, name)
        key = _joined(table, names[-1])
        self._note(key, line, above)
        self._step()  # the equals sign
        self._skip(" \t")
        self._value(key)

    def _names(self) -> list[str]:
        """A dotted key, up to the sign that ends it."""
        found = []
        while True:
            self._skip(" \t")
            found.append(self._string() if self._here in "\"'" else self._until(_ENDS_BARE_KEY))
            self._skip(" \t")
            if self._here != ".":
                return found
            self._step()

    def _value(self, key: str) -> None:
        if self._here in "\"'":
            self._string()
        elif self._here in "[{":
            self._list(key) if self._step() == "[" else self._inline(key)
        else:
            self._until(_ENDS_BARE_VALUE)

    def _gap(self) -> None:
        self._skip(" \t\n,")
        while self._here == "#":
            self._comment()
            self._skip(" \t\n,")

    def _list(self, key: str) -> None:
        count = 0
        self._gap()
        while self._here != "]":
            entry = f"{key}[{count}]"
            self._note(entry, self.line)
            self._value(entry)
            count += 1
            self._gap()
        self._step()

    def _inline(self, key: str) -> None:
        self._gap()
        while self._here != "}":
            self._pair(key)
            self._gap()
        self._step()

    def _string(self) -> str:
        quote = self._here
        fence = quote * 3 if self.text.startswith(quote * 3, self.at) else quote
        self._step(len(fence))
        found = ""
        while not self.text.startswith(fence, self.at):
            if quote == '"' and self._here == "\\":
                self._step()
                found += _ESCAPED.get(self._here, self._here)
                self._step()
            else:
                found += self._step()
        self._step(len(fence))
        if len(fence) == 3:
            self._skip(quote)  # up to two more quotes belong to the string
        return found


def _joined(table: str, name: str) -> str:
    return f"{table}.{name}" if table else name

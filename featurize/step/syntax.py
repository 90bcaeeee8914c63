"""Does the text keep the grammar of ISO 10303-21? The kernel passes over what it cannot parse without a
word, so that a damaged file could give another part; here every damage is found and its line named."""

from __future__ import annotations

import re
from collections.abc import Iterator

# Possessive quantifiers throughout, and what is not closed runs to the end: one pass, whatever the text.
_COMMENTED = rb"/\*(?:[^*]|\*(?!/))*+(?:\*/|\Z)"
_STRING = rb"'(?:[^']|'')*+(?:'|\Z)"
_SPACE = rb"(?:\s|" + _COMMENTED + rb")*+"
# Up to the semicolon that is in no string and no comment.
_STATEMENT = re.compile(_SPACE + rb"((?:[^;'/]++|" + _STRING + rb"|" + _COMMENTED + rb"|/)*+);")
_TO_DATA = re.compile(
    rb"(?:[^'/;]++|" + _STRING + rb"|" + _COMMENTED + rb"|/|;(?!" + _SPACE + rb"DATA\b))*+;"
    + _SPACE + rb"DATA\b[^;]*+;"
)  # fmt: skip
_COMMENT, _BLANK = re.compile(_COMMENTED), re.compile(_SPACE)
_INSTANCE = re.compile(rb"#(\d++)\s*+=\s*+(.*)", re.DOTALL)
# Tokens, each put down as one letter: v a value, k a keyword, ( ) , as they are, ? what is no token.
_TOKEN = re.compile(
    rb"(?P<s>\s++)|(?P<r>#\d++)|(?P<p>[(),])|(?P<v>" + _STRING
    + rb"|[+-]?\d++(?:\.\d*+(?:[Ee][+-]?\d++)?)?+(?![\w.])|\.[A-Za-z][A-Za-z0-9_]*+\.|\"[0-9A-Fa-f]*+\"|[$*])"
    + rb"|(?P<k>!?[A-Za-z][A-Za-z0-9_-]*+)|(?P<x>.)",
    re.DOTALL,
)  # fmt: skip
# What stands for one value wherever it stands: records that differ in nothing else are of one shape.
_IN_QUOTES = re.compile(_STRING)
_REFERENCE = re.compile(rb"#(\d++)")
_VALUE = re.compile(rb"#\d++|(?<![\w.+-])[+-]?\d++(?:\.\d*+(?:[Ee][+-]?\d++)?)?+(?![\w.])")
# Neighbours that the grammar forbids. ")k" is right in a complex instance: its records have no commas.
_WRONG = re.compile(r"\?|vv|v\(|vk|\)v|\)\(|kv|k,|k\)|kk|k$|\(,|,,|,\)|^v|^,|^\)")


class Damage:
    """What is wrong with the DATA sections of a text, counted, with the first line of each kind."""

    def __init__(self, text: bytes) -> None:
        self.malformed: list[int] = []  # places in the text
        self.repeated: list[int] = []
        self.dangling: list[int] = []
        self._check(text)
        self._text = text

    def said(self) -> tuple[str, ...]:
        """One line for each kind of damage."""
        return tuple(self._said())

    def _said(self) -> Iterator[str]:
        for places, what in (
            (self.malformed, "the text of {} cannot be read"),
            (self.repeated, "the number of {} was given before"),
            (self.dangling, "{} refers to what is not in the file"),
        ):
            if places:
                many = "1 entity" if len(places) == 1 else f"{len(places)} entities"
                line = self._text.count(b"\n", 0, min(places)) + 1
                yield (
                    f"The file is damaged: {what.format(many)} (first at line {line}): "
                    "export or copy it again, and check the result against the drawing."
                )

    def _check(self, text: bytes) -> None:
        start = _TO_DATA.match(text)
        at = start.end() if start else 0
        if start is None:
            self.malformed.append(0)
        defined: set[bytes] = set()
        wanted: dict[bytes, int] = {}
        right: dict[bytes, bool] = {}
        while at < len(text):
            statement = _STATEMENT.match(text, at)
            if statement is None:
                rest = _BLANK.match(text, at)
                self.malformed.append(rest.end() if rest else at)
                break
            body, place, at = statement.group(1), statement.start(1), statement.end()
            instance = _INSTANCE.match(body)
            if instance is None:
                words = body.split()
                if words == [b"END-ISO-10303-21"]:
                    break
                if words != [b"ENDSEC"] and not body.startswith(
                    (b"DATA", b"SIGNATURE", b"ANCHOR", b"REFERENCE")
                ):
                    self.malformed.append(place)
                continue
            number, record = instance.groups()
            number = number.lstrip(b"0")
            if number in defined:
                self.repeated.append(place)
            defined.add(number)
            if b"/*" in record:
                record = _COMMENT.sub(b" ", record)
            if b"'" in record:
                record = _IN_QUOTES.sub(b"$", record)
            for name in _REFERENCE.findall(record):
                wanted.setdefault(name.lstrip(b"0"), place)
            record = _VALUE.sub(b"$", record)
            if record not in right:
                right[record] = _is_right(record)
            if not right[record]:
                self.malformed.append(place)
        self.dangling = sorted(place for number, place in wanted.items() if number not in defined)


def _is_right(record: bytes) -> bool:
    """Whether a record without comments keeps the grammar."""
    shape = "".join(map(_letter, _TOKEN.finditer(record)))
    return not _WRONG.search(shape) and shape.count("(") == shape.count(")") and _nested(shape)


def _letter(token: re.Match[bytes]) -> str:
    kind = token.lastgroup or "x"
    return {"r": "v", "s": "", "x": "?", "p": token.group().decode("latin-1")}.get(kind, kind)


def _nested(shape: str) -> bool:
    """Whether the record is one keyword with its list, or several in parentheses, all closed at its end."""
    depth = 0
    for letter in shape[:-1]:
        depth += (letter == "(") - (letter == ")")
        if depth < 0 or (depth == 0 and letter == ")"):
            return False
    return shape.endswith(")")

"""What the text of a STEP file holds, and whether it keeps the grammar of ISO 10303-21.

The kernel passes over what it cannot parse without a word, so that a damaged file could give another part;
here every damage is found and its line named. Each question is asked of the whole text at once: most
statements differ in their numbers only, so that one of each shape stands for all.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from graphlib import CycleError, TopologicalSorter
from itertools import accumulate

from featurize.step.notes import ReadNote, blocking

# Possessive quantifiers throughout, and what is not closed runs to the end: one pass, whatever the text.
_COMMENTED = rb"/\*(?:[^*]|\*(?!/))*+(?:\*/|\Z)"
_STRING = rb"'[^']*+(?:''[^']*+)*+(?:'|\Z)"
_SPACE = rb"(?:\s|" + _COMMENTED + rb")*+"
_TO_DATA = re.compile(
    rb"(?:[^'/;]++|" + _STRING + rb"|" + _COMMENTED + rb"|/|;(?!" + _SPACE + rb"DATA\b))*+;"
    + _SPACE + rb"DATA\b[^;]*+;"
)  # fmt: skip
_OPAQUE = re.compile(_STRING + rb"|" + _COMMENTED)
_DEFINED = re.compile(rb"#(\d++)\s*+=")
_REFERENCE = re.compile(rb"#(\d++)")
_USED = re.compile(rb"#(\d++)(?!\s*+=)")
_LEADING_ZEROS = re.compile(rb"#0++(?=\d)")
# ISO 10303-42: what has no meaning but in something larger.
_GEOMETRIC = (
    rb"\s*+=\s*+(?:\(\s*+\w++\s*+\(\s*+\)\s*+)?+(?:CARTESIAN_POINT|VECTOR|LINE|CIRCLE|ELLIPSE|PLANE|PCURVE|SURFACE_CURVE"
    rb"|SEAM_CURVE|\w*+_SURFACE\w*+|B_SPLINE\w*+|BOUNDED_CURVE|BOUNDED_SURFACE|VERTEX_POINT|EDGE_CURVE|ORIENTED_EDGE|EDGE_LOOP"
    rb"|VERTEX_LOOP|FACE_BOUND|FACE_OUTER_BOUND|ADVANCED_FACE|CLOSED_SHELL|OPEN_SHELL|ORIENTED_CLOSED_SHELL)\b"
)
_GEOMETRY = re.compile(rb"#\d++" + _GEOMETRIC)
_MANY = 100
_NUMBER = re.compile(rb"(?<=[(,\s])[+-]?\d++(?:\.\d*+(?:[Ee][+-]?\d++)?)?+(?=[),\s])")
_INSTANCE = re.compile(rb"\s*+#\s*+=\s*+(.*)", re.DOTALL)
_NO_INSTANCE = re.compile(rb"\s*+(?:ENDSEC\s*+\Z|DATA\b|SIGNATURE\b|ANCHOR\b|REFERENCE\b)")
_LAST = b"END-ISO-10303-21"
_END = re.compile(rb"\s*+" + _LAST + rb"\s*+")
# Tokens, each put down as one letter: v a value, k a keyword, ( ) , as they are, ? what is no token.
_TOKEN = re.compile(
    rb"(?P<s>\s++)|(?P<p>[(),])|(?P<v>[$*#]|\.[A-Za-z][A-Za-z0-9_]*+\.|\"[0-9A-Fa-f]*+\")"
    rb"|(?P<k>!?[A-Za-z][A-Za-z0-9_-]*+)|(?P<x>.)",
    re.DOTALL,
)
# Neighbours that the grammar forbids. ")k" is right in a complex instance: its records have no commas.
_WRONG = re.compile(r"\?|vv|v\(|vk|\)v|\)\(|kv|k,|k\)|kk|k$|\(,|,,|,\)|^v|^,|^\)")
# What arithmetic leaves that has failed, as the run-time libraries of several systems print it.
_NO_NUMBER = re.compile(
    rb"(?<=[(,\s])[+-]?(?:\d++\.?\d*+[#$][A-Z]\w*+|NAN(?:\(\w*+\))?+|IND|INF(?:INITY)?+)(?=[),\s])", re.I
)
# Perhaps over 1.3e154, whose square a computer does not hold (IEEE 754): no length is, and the kernel, which
# squares lengths everywhere, may look for its way among such for ever.
_EXPONENT = re.compile(rb"[Ee]\+?\d{3}")
_LARGE = re.compile(rb"(?<=[(,\s])[+-]?(?:\d++\.\d*+[Ee]\+?\d{3,}+|\d{155,}+\.?+\d*+)(?=[),\s])")
_LONG_LINE = 155
# The kernel's scanner gives up at a token of 16 kB.
_KERNEL_TOKEN = 16_000
_FACE = re.compile(rb"\b(?:ADVANCED_FACE|FACE_SURFACE)\s*+\(")
_SOLID = re.compile(rb"\b(?:MANIFOLD_SOLID_BREP|BREP_WITH_VOIDS|FACETED_BREP)\s*+\(")
_ASSEMBLY = b"NEXT_ASSEMBLY_USAGE_OCCURRENCE"
_ASSEMBLED = re.compile(_ASSEMBLY + rb"\s*+\([^#;]*+#(\d++)\s*+,\s*+#(\d++)")


class Content:
    """``header`` is the text before its DATA sections, without comments; of these ``faces`` and ``solids``
    count the entities of their kinds."""

    def __init__(self, text: bytes) -> None:
        start = _TO_DATA.match(text)
        self.header = _OPAQUE.sub(_uncommented, start[0]) if start else b""
        self._lines_before = text.count(b"\n", 0, start.end()) if start else 0
        # Without what stands in strings and comments, but with every line end.
        self._text = _OPAQUE.sub(_emptied, text[start.end() :] if start else text)
        if b"#0" in self._text:
            self._text = _LEADING_ZEROS.sub(b"#", self._text)
        shapes = _NUMBER.sub(b"$", _REFERENCE.sub(b"#", self._text)).split(b";")
        end = next((i for i, shape in enumerate(shapes) if _LAST in shape and _END.fullmatch(shape)), None)
        if end is not None and any(shape.strip() for shape in shapes[end + 1 :]):  # signatures
            self._text = b";".join(self._text.split(b";")[:end])
        shapes = shapes[:end]
        counts = Counter(shapes)
        wrong = {shape for shape in counts if not _is_right(shape)}
        self._malformed = [] if start else [0]  # places in the text
        self._malformed += (
            self._places(i for i, shape in enumerate(shapes) if shape in wrong) if wrong else []
        )
        self._defined = _DEFINED.findall(self._text)
        self._used = set(_USED.findall(self._text))
        self.faces = sum(n for shape, n in counts.items() if _FACE.search(shape))
        self.solids = sum(n for shape, n in counts.items() if _SOLID.search(shape))

    def unusable(self) -> str:
        """Why nothing can be made of the text, and what to do; "" when something may be."""
        if found := sorted(self._no_numbers()):
            place, token = found[0]
            more = f" (and {len(found) - 1} more such)" if len(found) > 1 else ""
            return (
                f"gives {token} where a number belongs, at line {self._line(place)}{more}: the program that "
                "wrote it failed in its arithmetic: rebuild that geometry and export it again."
            )
        if (circle := self._circle()) is not None:
            return (
                f"describes an assembly that contains itself (line {self._line(circle)}): "
                "break the circle in the CAD system, or export the insert alone."
            )
        return ""

    def damage(self) -> tuple[ReadNote, ...]:
        """One remark for each kind of damage, with the first line of it."""
        return tuple(self._damage())

    def _damage(self) -> Iterator[ReadNote]:
        for code, places, what in (
            ("text-unreadable", self._malformed, "the text of {} cannot be read"),
            ("number-repeated", self._repeated(), "the number of {} was given before"),
            ("reference-missing", self._dangling(), "{} refers to what is not in the file"),
            ("geometry-unused", self._unused(), "{} of geometry is used by nothing"),
        ):
            if places:
                many = "1 entity" if len(places) == 1 else f"{len(places)} entities"
                yield blocking(
                    code,
                    f"The file is damaged: {what.format(many)} (first at line {self._line(min(places))}): "
                    "export or copy it again, and check the result against the drawing.",
                )

    def _line(self, place: int) -> int:
        return self._lines_before + self._text.count(b"\n", 0, place) + 1

    def _places(self, statements: Iterator[int]) -> list[int]:
        """Where statements begin, by their numbers."""
        pieces = self._text.split(b";")
        ends = list(accumulate(len(piece) + 1 for piece in pieces))
        return [ends[i] - 1 - len(pieces[i].lstrip()) for i in statements]

    def _repeated(self) -> list[int]:
        if len(self._defined) == len(set(self._defined)):
            return []
        seen: set[bytes] = set()
        places = []
        for match in _DEFINED.finditer(self._text):
            if match[1] in seen:
                places.append(match.start())
            seen.add(match[1])
        return places

    def _dangling(self) -> list[int]:
        """Where each number that stands for nothing is first referred to."""
        missing = self._used - set(self._defined)
        first: dict[bytes, int] = {}
        for match in _REFERENCE.finditer(self._text) if missing else ():
            if match[1] in missing:
                first.setdefault(match[1], match.start())
        return list(first.values())

    def _unused(self) -> list[int]:
        """Geometry and topology that no other entity uses: no system writes it, so what used it is lost."""
        unused = set(self._defined) - self._used
        if len(unused) > _MANY:
            named: Iterable[re.Match[bytes] | None] = _GEOMETRY.finditer(self._text)
        else:  # nearly always: a few roots, such as a product's shape
            named = (re.search(b"#" + number + _GEOMETRIC, self._text) for number in unused)
        return [match.start() for match in named if match and match[0][1:].split(b"=")[0].strip() in unused]

    def _no_numbers(self) -> Iterator[tuple[int, str]]:
        """What stands for a number and is none."""
        if self._malformed:
            for match in _NO_NUMBER.finditer(self._text):
                yield match.start(), match[0].decode("latin-1")
        long = max(map(len, self._text.split(b"\n"))) >= _LONG_LINE
        if long or _EXPONENT.search(self._text):
            for match in _LARGE.finditer(self._text):
                if math.isinf(float(match[0]) * float(match[0])):
                    yield match.start(), match[0].decode("latin-1")

    def _circle(self) -> int | None:
        """Where an assembly is put into itself, be it through others."""
        if _ASSEMBLY not in self._text:
            return None
        above = TopologicalSorter[bytes]()
        for whole, part in _ASSEMBLED.findall(self._text):
            above.add(part, whole)
        try:
            above.prepare()
        except CycleError as error:
            ring = set(error.args[1])
            return next(m.start() for m in _ASSEMBLED.finditer(self._text) if {m[1], m[2]} <= ring)
        return None


def without_long_tokens(text: bytes) -> bytes:
    """The same model without the comments and texts that are too long for the kernel's scanner."""

    def left(match: re.Match[bytes]) -> bytes:
        token = match[0]
        return token if len(token) < _KERNEL_TOKEN else b"''" if token.startswith(b"'") else b" "

    return _OPAQUE.sub(left, text)


def _uncommented(match: re.Match[bytes]) -> bytes:
    return match[0] if match[0].startswith(b"'") else b" "


def _emptied(match: re.Match[bytes]) -> bytes:
    """A value for a string, a space for a comment, nothing legal for one that is not closed."""
    token = match[0]
    ends = b"\n" * token.count(b"\n") if b"\n" in token else b""
    if token[:1] == b"'":
        return (b"$" if len(token) > 1 and token[-1:] == b"'" else b"'") + ends
    return (b" " if len(token) > 3 and token[-2:] == b"*/" else b"?") + ends


def _is_right(statement: bytes) -> bool:
    """Whether a statement keeps the grammar; its references are "#", its numbers and strings "$"."""
    if _NO_INSTANCE.match(statement):
        return True
    instance = _INSTANCE.fullmatch(statement)
    if instance is None:
        return False
    shape = "".join(map(_letter, _TOKEN.finditer(instance[1])))
    return not _WRONG.search(shape) and shape.count("(") == shape.count(")") and _nested(shape)


def _letter(token: re.Match[bytes]) -> str:
    kind = token.lastgroup or "x"
    return {"s": "", "x": "?", "p": token.group().decode("latin-1")}.get(kind, kind)


def _nested(shape: str) -> bool:
    """Whether the record is one keyword with its list, or several in parentheses, all closed at its end."""
    depth = 0
    for letter in shape[:-1]:
        depth += (letter == "(") - (letter == ")")
        if depth < 0 or (depth == 0 and letter == ")"):
            return False
    return shape.endswith(")")

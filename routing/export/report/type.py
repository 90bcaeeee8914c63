"""The type of the printed report: for each stretch of text a face that has its letters.

The first face is a wide one, FiraGO, from a package of free type (SIL Open Font License): Latin with all its
accents, Greek, Cyrillic and more, embedded. For Chinese, Japanese and Korean a face of this machine is
embedded where it is found (Debian: fonts-droid-fallback); else the report names one of the standard faces
that readers of PDF bring along for these scripts.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from functools import cache
from html import escape
from io import BytesIO
from itertools import groupby
from pathlib import Path
from typing import Any

NORMAL, BOLD = "Sans", "SansBold"
# As the package calls them.
_CODES = {NORMAL: "figo", BOLD: "figbo"}
# Drawings' own sign for a diameter means the letter that people write for it.
_ALIKE = {"\u2300": "Ø"}
_MACHINE = "Fallback"
_MACHINE_FILE = Path("/usr/share/fonts/truetype/droid/DroidSansFallbackFull.ttf")
# Standard faces of PDF readers, the text code that holds their letters, and the script that tells a language.
_READERS = (
    ("HeiseiKakuGo-W5", "cp932", "\u3040", "\u30ff"),
    ("HYGothic-Medium", "cp949", "\uac00", "\ud7a3"),
    ("STSong-Light", "gbk", "", ""),
    ("MSung-Light", "big5", "", ""),
)


def stretches(text: str, face: str = NORMAL) -> Iterator[tuple[str, str]]:
    """The text in pieces, each with the face that it is set in.

    Letters that no face has lose their accents or are written by their number.
    """
    whole = unicodedata.normalize("NFC", text)
    if whole and _glyphs(face).issuperset(map(ord, whole.replace("\n", ""))):
        yield face, whole
        return
    order = _readers_for(whole)
    set_in = [(_face_of(c, face, order), c) for c in whole]
    pieces = [(name, c) if name else (face, _replaced(c)) for name, c in set_in]
    for name, group in groupby(pieces, key=lambda piece: piece[0]):
        yield name, "".join(c for _, c in group)


def markup(text: str, face: str = NORMAL) -> str:
    """The text for a paragraph, its faces marked."""
    return "".join(
        escape(words, quote=False).replace("\n", "<br/>")
        if name == face
        else f'<font name="{name}">{escape(words, quote=False)}</font>'
        for name, words in stretches(text, face)
    )


def is_wide(text: str) -> bool:
    """Whether there is writing in it that knows no spaces between words."""
    return any(unicodedata.east_asian_width(c) in "WF" for c in text)


def draw(canvas: Any, x: float, y: float, text: str, size: float, place: str, face: str = NORMAL) -> None:
    """One line at a point that is its "start", "middle" or "end"."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    pieces = [(name, words, stringWidth(words, name, size)) for name, words in stretches(text, face)]
    x -= {"start": 0.0, "middle": 0.5, "end": 1.0}[place] * sum(width for *_, width in pieces)
    for name, words, width in pieces:
        canvas.setFont(name, size)
        canvas.drawString(x, y, words)
        x += width


@cache
def _glyphs(face: str) -> frozenset[int]:
    """What an embedded face has; it is made known to the writer of the file."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    if face in _CODES:
        from pymupdf_fonts import myfont

        source: Any = BytesIO(myfont(_CODES[face]))
    elif _MACHINE_FILE.is_file():
        source = str(_MACHINE_FILE)
    else:
        return frozenset()
    pdfmetrics.registerFont(TTFont(face, source))
    return frozenset(pdfmetrics.getFont(face).face.charToGlyph)


@cache
def _known_to_readers(face: str) -> None:
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.cidfonts import UnicodeCIDFont

    pdfmetrics.registerFont(UnicodeCIDFont(face))


def _readers_for(text: str) -> list[tuple[str, str]]:
    """Readers' faces and their codes, first the language that the text shows itself to be in."""
    speaks = [any(low <= c <= high for c in text) if low else False for *_, low, high in _READERS]
    ranked = sorted(zip(speaks, _READERS, strict=True), key=lambda pair: not pair[0])
    return [(face, code) for _, (face, code, *_) in ranked]


def _face_of(c: str, face: str, readers: list[tuple[str, str]]) -> str | None:
    if c == "\n" or ord(c) in _glyphs(face):
        return face
    if ord(c) in _glyphs(_MACHINE):
        return _MACHINE
    if unicodedata.east_asian_width(c) in "WF":
        for name, code in readers:
            if _encodes(c, code):
                _known_to_readers(name)
                return name
    return None


def _encodes(c: str, code: str) -> bool:
    try:
        return len(c.encode(code)) == 2
    except UnicodeEncodeError:
        return False


def _replaced(c: str) -> str:
    if c in _ALIKE:
        return _ALIKE[c]
    bare = "".join(d for d in unicodedata.normalize("NFKD", c) if not unicodedata.combining(d))
    return (
        bare if bare != c and all(ord(d) in _glyphs(NORMAL) for d in bare) and bare else f"[U+{ord(c):04X}]"
    )

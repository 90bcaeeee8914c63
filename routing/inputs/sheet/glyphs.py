"""The signs of a drawing's texts in one spelling, however the program that drew them writes them."""

from __future__ import annotations

import re
import unicodedata

# Old drawing programs' codes, then the variants of Unicode, each to the sign that the grammar knows.
_CODES = {"%%c": "Ø", "%%C": "Ø", "%%d": "°", "%%D": "°", "%%p": "±", "%%P": "±", "%%%": "%"}
_VARIANTS = str.maketrans(
    {
        **dict.fromkeys("⌀∅øΦφϕ⦰", "Ø"),
        **dict.fromkeys("×✕✖∗⨯╳", "x"),
        **dict.fromkeys("−–—‐‑‒﹣－", "-"),
        **dict.fromkeys("˚º", "°"),
        **dict.fromkeys("µμ", "u"),
        **dict.fromkeys("″“”„", '"'),
        **dict.fromkeys("′‘’‚´`", "'"),
        **dict.fromkeys("⁄∕", "/"),
        **dict.fromkeys("⭳⤓↓⊽▼", "↧"),
        **dict.fromkeys("⎵⊔␣", "⌴"),
        "∨": "⌵",
        "√": " ",
    }
)
_TOGGLES = re.compile(r"%%[uUoOkK]")
# A comma between digits is a decimal one, unless it groups thousands or parts a list ("4,2, 5").
_DECIMAL = re.compile(r"(?<=\d),(?=\d)")
# Stacked limits, as text programs of drawings write them.
_STACKED = re.compile(r"(?<=\d)\s?\^\s?(?=[+\-0-9])")
_BARE_DECIMAL = re.compile(r"(?<![\d,.]),(?=\d)")


def normal(text: str) -> str:
    """A text as the grammar reads it: one sign for each meaning, decimal points, single spaces.

    >>> normal("%%c20,5 H7")
    'Ø20.5 H7'
    """
    for code, sign in _CODES.items():
        text = text.replace(code, sign)
    text = _TOGGLES.sub("", text)
    text = "".join(_fraction(c) for c in text).translate(_VARIANTS)
    text = unicodedata.normalize("NFKC", text).translate(_VARIANTS)
    text = "".join(c if c.isprintable() else " " for c in text)
    text = _STACKED.sub("/", _BARE_DECIMAL.sub(".", _DECIMAL.sub(".", text)))
    return " ".join(text.split())


_WORDS = {"↧": "depth ", "⌴": "cbore ", "⌵": "csk ", "□": "square "}


def worded(text: str) -> str:
    """A normal text with words for the signs that most typefaces lack; the grammar reads it alike.

    >>> worded("4x M6 ↧12")
    '4x M6 depth 12'
    """
    for sign, word in _WORDS.items():
        text = text.replace(sign, word)
    return " ".join(text.split())


def _fraction(sign: str) -> str:
    """ "½" is " 1/2": after a whole number the space keeps them apart."""
    spelt = unicodedata.normalize("NFKC", sign)
    return f" {spelt}" if len(sign) == 1 and "⁄" in spelt else sign

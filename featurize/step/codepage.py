"""In which code page are a file's names? ISO 10303-21 allows UTF-8, and ASCII with escapes; old systems
write their own. What cannot be told from the bytes is not guessed: no name is better than a wrong one."""

from __future__ import annotations

import re
from dataclasses import dataclass

# Letters of western Europe in Windows' page 1252, one or two in a row: longer runs are of another script.
_WESTERN = re.compile(
    rb"(?:[\x00-\x7f]++|(?<![\x80-\xff]{2})[\xc0-\xd6\xd8-\xf6\xf8-\xff\xb0\xb2\xb3\xb5])*+"
)
# Punctuation, kana, kanji and wide letters; narrow kana are left out, as Chinese bytes look like them.
_JAPANESE = re.compile(r"(?:[\x00-\x7f]++|[\u3000-\u30ff\u4e00-\u9fff\uff01-\uff5e])*+")
_OUT_OF_ASCII = bytes(range(128)) + b"?" * 128


@dataclass(frozen=True)
class CodePage:
    """``kernel`` is the kernel's name for it; ``title`` ours, "" where none had to be guessed."""

    kernel: str
    title: str = ""


UTF8 = CodePage("UTF8")
UNKNOWN = CodePage("UTF8", "unknown")
_SHIFT_JIS, _CP1252 = CodePage("SJIS", "Shift-JIS"), CodePage("CP1252", "Windows 1252")


def code_page(text: bytes) -> CodePage:
    """The page that explains every byte of the text."""
    if text.isascii():
        return UTF8
    try:
        text.decode("utf-8")
        return UTF8
    except UnicodeDecodeError:
        pass
    if _WESTERN.fullmatch(text):
        return _CP1252
    try:
        # Python's name for Shift-JIS as Windows has it.
        return _SHIFT_JIS if _JAPANESE.fullmatch(text.decode("cp932")) else UNKNOWN
    except UnicodeDecodeError:
        return UNKNOWN


def in_ascii(text: bytes) -> bytes:
    """The text with a question mark for every byte out of ASCII."""
    return text.translate(_OUT_OF_ASCII)

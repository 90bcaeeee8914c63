"""TOML files that a person writes, read with an error of one line for all that can be wrong with them."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

# A hundred times what the longest file needs that anybody writes by hand.
_LARGEST_BYTES = 1_000_000
# Keys of shop and choices have three parts at most.
_MOST_PARTS = 100


class TomlError(Exception):
    """A file that cannot be read or is not TOML. ``str()`` is one line."""


def parsed(path: Path) -> dict[str, Any]:
    """What a file holds; raises TomlError."""
    text = text_of(path)
    # The parser takes a minute over a key of many parts before it finds it too deep.
    if any(_is_deep(line.partition("=")[0]) for line in text.splitlines()):
        raise TomlError(f"{path.name} is nested too deeply: write tables of plain values.")
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise TomlError(f"{path.name} is nested too deeply: write tables of plain values.") from error
    except ValueError as error:  # of TOML itself, or of a number with thousands of digits
        raise TomlError(f"{path.name} is not TOML ({shown(str(error), quoted=False, most=200)}).") from error


def _is_deep(key: str) -> bool:
    return key.count(".") > _MOST_PARTS and not {",", "#", '"', "'"} & set(key)


def text_of(path: Path) -> str:
    """The text of a file, without a byte order mark; raises TomlError."""
    try:
        if path.exists() and not path.is_file():
            raise TomlError(f"{path} is not a file: check the path.")
        if (size := path.stat().st_size) > _LARGEST_BYTES:
            raise TomlError(f"{path.name} has {size / 1e6:.1f} MB: that is no file written by hand.")
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise TomlError(f"{path} cannot be read ({error.strerror}): check the path.") from error
    except ValueError as error:  # bytes that are no UTF-8, a path with a NUL in it
        raise TomlError(f"{path.name} is not TOML ({shown(str(error), quoted=False, most=200)}).") from error


def shown(value: object, *, quoted: bool = True, most: int = 60) -> str:
    """A value as an error cites it: short, however long, large or deep it is."""
    if isinstance(value, int) and abs(value) >= 10**most:
        return "a number of too many digits"
    try:
        text = repr(value) if quoted else str(value)
    except (RecursionError, ValueError):
        return "what is too long to be shown"
    return text if len(text) <= most + 3 else f"{text[:most]}..."

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
    return parsed_text(text_of(path), path.name)


def parsed_text(text: str, name: str) -> dict[str, Any]:
    """What a file of this text holds; raises TomlError, which calls it by ``name``."""
    _check_size(len(text), name)
    # The parser takes a minute over a key of many parts before it finds it too deep.
    if any(_is_deep(line.partition("=")[0]) for line in text.splitlines()):
        raise TomlError(f"{name} is nested too deeply: write tables of plain values.")
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise TomlError(f"{name} is nested too deeply: write tables of plain values.") from error
    except tomllib.TOMLDecodeError as error:
        raise TomlError(f"{name} is not TOML ({shown(str(error), quoted=False, most=200)}).") from error
    except ValueError as error:  # Python makes no number of thousands of digits
        raise TomlError(f"{name} has a number of thousands of digits: write a shorter one.") from error


def _check_size(size_bytes: int, name: str) -> None:
    if size_bytes > _LARGEST_BYTES:
        raise TomlError(f"{name} has {size_bytes / 1e6:.1f} MB: that is no file written by hand.")


def _is_deep(key: str) -> bool:
    return key.count(".") > _MOST_PARTS and not {",", "#", '"', "'"} & set(key)


def text_of(path: Path) -> str:
    """The text of a file, without a byte order mark; raises TomlError."""
    try:
        if path.exists() and not path.is_file():
            raise TomlError(f"{path} is not a file: check the path.")
        _check_size(path.stat().st_size, path.name)
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

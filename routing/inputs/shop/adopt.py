"""The shop's own factors, written into its file: the tables under rates.factor, and nothing else of it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from routing.inputs.shop.load import ShopError, load_shop
from routing.inputs.toml_file import TomlError, parsed, text_of
from routing.processes.shop import OwnFactors

_OWN = re.compile(r"\s*\[\s*rates\s*\.\s*factor\s*[.\]]")
_HEADER = re.compile(r"\s*\[")
_BARE = re.compile(r"[A-Za-z0-9_-]+")


def adopt(path: Path, factors: OwnFactors, remark: str) -> None:
    """Puts the factors in the place of those in the file, whole or not at all; raises ShopError.

    ``remark`` stands above them, in one line.
    """
    try:
        before = parsed(path)
        old = text_of(path)
    except TomlError as error:
        raise ShopError(str(error)) from error
    kept = "".join(_without(old)).rstrip("\n")
    new = f"{kept}\n\n" * bool(kept) + "\n".join(_lines(factors, remark)) + "\n"
    try:
        same = _other(tomllib.loads(new)) == _other(before)
    except tomllib.TOMLDecodeError:
        same = False
    if not same:
        raise ShopError(
            f"{path.name}: write rates.factor as tables of its own, [rates.factor], or remove it."
        )
    half = path.with_name(f".{path.name}.half")
    try:
        half.write_text(new, encoding="utf-8")
        load_shop(half)
        half.replace(path.resolve())
    except OSError as error:
        raise ShopError(f"{path} cannot be written ({error.strerror}): check the path.") from error
    finally:
        half.unlink(missing_ok=True)


def _without(text: str) -> Iterator[str]:
    """The lines of a file without the tables under rates.factor and the remark above them."""
    own = False
    for line in text.splitlines(keepends=True):
        if _HEADER.match(line):
            own = bool(_OWN.match(line))
        if not own and not line.startswith(_REMARK):
            yield line


_REMARK = "# The shop's own minutes: "


def _other(content: Mapping[str, Any]) -> dict[str, Any]:
    """What a file says besides."""
    rates = {key: value for key, value in content.get("rates", {}).items() if key != "factor"}
    return {key: value for key, value in content.items() if key != "rates"} | (
        {"rates": rates} if rates else {}
    )


def _lines(factors: OwnFactors, remark: str) -> Iterator[str]:
    yield _REMARK + remark
    yield "[rates.factor]"
    yield f"all = {_number(factors.all)}"
    for name, table in (("process", factors.process), ("step", factors.step)):
        yield from ("", f"[rates.factor.{name}]")
        yield from (f"{_key(key)} = {_number(value)}" for key, value in table.items())
    yield from ("", "[rates.factor.material]")
    for process, by_family in factors.material.items():
        inner = ", ".join(f"{_key(family)} = {_number(value)}" for family, value in by_family.items())
        yield f"{_key(process)} = {{ {inner} }}"
    yield from ("", "[rates.factor.range]")
    for process, span in factors.range.items():
        yield f"{_key(process)} = {{ low = {_number(span.low)}, high = {_number(span.high)} }}"


def _key(name: str) -> str:
    return name if _BARE.fullmatch(name) else f'"{name}"'  # our own words: no quotes in them


def _number(value: float) -> str:
    return f"{value:.3f}"

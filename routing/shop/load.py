"""The shop from a TOML file, key by key over the defaults beside this module."""

from __future__ import annotations

import math
import tomllib
import typing
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

from routing.shop.model import Shop

DEFAULT = Path(__file__).with_name("default_shop.toml")

_WORDS = {
    "kind": ("flat", "ball", "bull"),
    "clearance_holes": ("wire", "drill"),
    "processes": ("wire", "surface grind", "mill", "sink-erode"),
}
_MAY_BE_ZERO = {"gap_mm", "corner_radius_mm", "sharp_corner_leave_mm", "taper_limit_deg", "setup_min"}
# A table replaces the default key by key, a list of tools as a whole: they are what the shop owns.


class ShopError(Exception):
    """A shop file that cannot be used. ``str()`` is one line that names the key."""


def load_shop(path: Path | None = None) -> Shop:
    """The defaults, overlaid with a TOML file; raises ShopError."""
    content = tomllib.loads(DEFAULT.read_text(encoding="utf-8"))
    if path is None:
        return _shop(content)
    try:
        given = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ShopError(f"{path} cannot be read ({error.strerror}): check the path.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ShopError(f"{path.name} is not TOML ({' '.join(str(error).split())}).") from error
    try:
        return _shop(_overlaid(content, given))
    except ShopError as error:
        raise ShopError(f"{path.name}: {error}") from None


def _shop(content: Mapping[str, Any]) -> Shop:
    shop: Shop = _made(Shop, content, "")
    return shop


def _overlaid(base: Mapping[str, Any], given: Mapping[str, Any]) -> dict[str, Any]:
    merged = dict(base)
    for key, value in given.items():
        old = merged.get(key)
        if isinstance(old, Mapping) and isinstance(value, Mapping):
            merged[key] = _overlaid(old, value)
        else:
            merged[key] = value
    return merged


def _made(kind: Any, content: object, key: str) -> Any:
    """A value of a declared type from TOML, checked; ``key`` is its path, for errors."""
    origin = typing.get_origin(kind)
    if origin is tuple:
        if not isinstance(content, list) or not content:
            raise ShopError(f"{key} must be a list with at least one entry.")
        entry = typing.get_args(kind)[0]
        names = [f"{key}[{n}]" if is_dataclass(entry) else key for n in range(len(content))]
        return tuple(_made(entry, item, name) for item, name in zip(content, names, strict=True))
    if origin is not None and issubclass(origin, Mapping):
        if not isinstance(content, Mapping):
            raise ShopError(f"{key} must be a table.")
        entry = typing.get_args(kind)[1]
        return {name: _made(entry, item, f"{key}.{name}") for name, item in content.items()}
    if typing.get_args(kind):  # X | None
        return _made(typing.get_args(kind)[0], content, key)
    if is_dataclass(kind):
        return _table(kind, content, key)
    return _single(kind, content, key)


def _table(kind: Any, content: object, key: str) -> Any:
    if not isinstance(content, Mapping):
        raise ShopError(f"{key} must be a table.")
    hints = typing.get_type_hints(kind)
    start = f"{key}." if key else ""
    for name in content:
        if name not in hints:
            raise ShopError(f"{start}{name} is not known: write one of {', '.join(hints)}.")
    missing = [f.name for f in fields(kind) if f.name not in content and f.name != "measured"]
    if missing:
        raise ShopError(f"{start}{missing[0]} is missing.")
    return kind(**{name: _made(hints[name], item, start + name) for name, item in content.items()})


def _single(kind: Any, content: object, key: str) -> Any:
    name = key.rsplit(".", 1)[-1].split("[")[0]
    if kind is bool:
        if not isinstance(content, bool):
            raise ShopError(f"{key} = {content!r}: write true or false.")
        return content
    if kind is str:
        words = _WORDS.get(name)
        if not isinstance(content, str) or not content or (words and content not in words):
            raise ShopError(f"{key} = {content!r}: write {' or '.join(words) if words else 'a word'}.")
        return content
    if isinstance(content, bool) or not isinstance(content, int | float) or not math.isfinite(content):
        raise ShopError(f"{key} = {content!r}: write a number.")
    zero = name in _MAY_BE_ZERO or "per_hour" in key
    if content < 0 or (content == 0 and not zero):
        raise ShopError(f"{key} = {content!r}: write a number {'from 0 up' if zero else 'over 0'}.")
    return float(content)

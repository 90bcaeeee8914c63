"""The shop from a TOML file, key by key over the defaults beside this module."""

from __future__ import annotations

import math
import re
import tomllib
import typing
from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from pathlib import Path
from typing import Any

from routing.inputs.choices import ChoicesError, thread_colours
from routing.inputs.shop.places import nearest, places_of
from routing.processes.material_rules import MaterialRule
from routing.processes.shop import Shop
from routing.processes.signs import PROCESSES

DEFAULT = Path(__file__).with_name("default_shop.toml")

_WORDS = {
    "kind": ("flat", "ball", "bull"),
    "side_cutters.kind": ("t-slot", "dovetail"),
    "clearance_holes": ("wire", "drill"),
    "wire_on_its_side": ("never", "no wheel", "always"),
    "processes": PROCESSES,
    "screw_class": ("8.8", "10.9", "12.9"),
    "order": ("threads", "magnet", "blocks", "vise", "chuck", "clamps"),
}
_MAY_BE_EMPTY = ("address", "side_cutters")
# Numbers lie over 0 unless their key, or the table they stand in, is here: least and most.
_LIMITS = {
    **dict.fromkeys(
        (
            "gap_mm",
            "corner_radius_mm",
            "sharp_corner_leave_mm",
            "taper_limit_deg",
            "start_hole_clear_mm",
            "lead_mm",
            "tab_over_g",
            "slug_magnet_binder_percent",
            "blank_margin_mm",
            "per_hour",
            "setup_min",
            "price_per_kg",
            "cutter_cost_per_hour",
            "lost_height_mm",
            "threading_min",
            "slug_min",
            "start_hole_min",
            "spark_out_passes",
            "reversal_min",
            "overrun_mm",
            "fine_mm",
            "squared_mm",
            "dress_min",
            "face_min",
            "tool_change_min",
            "position_min",
            "bore_min",
            "electrode_min",
            "electrode_cost",
            "electrode_per_cm3",
            "wear_share",
            "change_min",
            "piece_min",
            "feature_min",
            "callout_min",
        ),
        (0.0, math.inf),
    ),
    "scrap_share": (0.0, 0.5),
    "angle_deg": (20.0, 90.0),
    "low": (0.0, 1.0),
    "high": (1.0, math.inf),
    "cross_share": (0.05, 1.0),
    "chipping": (0.0, 1.0),
    "tighten_share": (0.05, 0.9),
    "friction": (0.01, 1.0),
    "slug_friction": (0.01, 1.0),
    "sine_limit_deg": (1.0, 60.0),
    "careful_feed": (0.05, 1.0),
    "safety": (1.0, math.inf),
    "thread_mill_share": (0.1, 0.95),
}
# A table replaces the default key by key, a list of tools as a whole: they are what the shop owns.


class ShopError(Exception):
    """A shop file that cannot be used. ``str()`` is one line that names the key, ``key`` is it alone."""

    def __init__(self, said: str, key: str = "") -> None:
        super().__init__(said)
        self.key = key


def load_shop(path: Path | None = None) -> Shop:
    """The defaults, overlaid with a TOML file; raises ShopError."""
    content = content_of(path)
    try:
        shop: Shop = _made(Shop, content, "")
    except ShopError as error:
        if path is None:
            raise
        place = nearest(places_of(_read(path)), error.key)
        line = f"line {place.line}: " if place else ""
        raise ShopError(f"{path.name}: {line}{error}", error.key) from None
    return shop


def content_of(path: Path | None = None) -> dict[str, Any]:
    """The defaults, overlaid with a TOML file, not yet checked; raises ShopError when it is not TOML."""
    content = tomllib.loads(DEFAULT.read_text(encoding="utf-8"))
    if path is None:
        return content
    try:
        return _overlaid(content, tomllib.loads(_read(path)))
    except tomllib.TOMLDecodeError as error:
        raise ShopError(f"{path.name} is not TOML ({' '.join(str(error).split())}).") from error


def write_default(path: Path, *, replace: bool = False) -> None:
    """A shop file to start from: the defaults with their comments. Raises ShopError where one stands."""
    try:
        with path.open("w" if replace else "x", encoding="utf-8") as file:
            file.write(DEFAULT.read_text(encoding="utf-8"))
    except FileExistsError as error:
        raise ShopError(f"{path} is there already: give another name, or --replace.") from error
    except OSError as error:
        raise ShopError(f"{path} cannot be written ({error.strerror}): check the path.") from error


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise ShopError(f"{path} cannot be read ({error.strerror}): check the path.") from error
    except UnicodeDecodeError as error:
        raise ShopError(f"{path.name} is not TOML ({' '.join(str(error).split())}).") from error


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
        if not isinstance(content, list) or not (content or key in _MAY_BE_EMPTY):
            raise ShopError(f"{key} must be a list with at least one entry.", key)
        entry = typing.get_args(kind)[0]
        names = [f"{key}[{n}]" for n in range(len(content))]
        return tuple(_made(entry, item, name) for item, name in zip(content, names, strict=True))
    if origin is not None and issubclass(origin, Mapping):
        if not isinstance(content, Mapping):
            raise ShopError(f"{key} must be a table.", key)
        if key == "thread_colours":
            return _colours(content, key)
        entry = typing.get_args(kind)[1]
        return {name: _made(entry, item, f"{key}.{name}") for name, item in content.items()}
    if typing.get_args(kind):  # X | None
        return _made(typing.get_args(kind)[0], content, key)
    if is_dataclass(kind):
        return _table(kind, content, key)
    return _single(kind, content, key)


def _colours(content: object, key: str) -> dict[str, str]:
    try:
        return thread_colours(content)
    except ChoicesError as error:
        raise ShopError(str(error), key) from error


def _table(kind: Any, content: object, key: str) -> Any:
    if not isinstance(content, Mapping):
        raise ShopError(f"{key} must be a table.", key)
    hints = typing.get_type_hints(kind)
    start = f"{key}." if key else ""
    for name in content:
        if name not in hints:
            raise ShopError(f"{start}{name} is not known: write one of {', '.join(hints)}.", start + name)
    missing = [f.name for f in fields(kind) if f.name not in content and f.default is MISSING]
    if missing:
        raise ShopError(f"{start}{missing[0]} is missing.", start + missing[0])
    if kind is MaterialRule:
        _check_material(content, key)
    return kind(**{name: _made(hints[name], item, start + name) for name, item in content.items()})


def _check_material(content: Mapping[str, Any], key: str) -> None:
    """A material stands for a hardness, or for a binder share and a grain."""
    if ("hardness_hrc" in content) == ("binder_percent" in content):
        raise ShopError(f"{key} needs either hardness_hrc or binder_percent.", key)
    if ("binder_percent" in content) != ("grain_um" in content):
        raise ShopError(f"{key} needs binder_percent and grain_um together.", key)


def _single(kind: Any, content: object, key: str) -> Any:
    path = re.sub(r"\[\d+\]", "", key).split(".")

    def wrong(write: str) -> ShopError:
        return ShopError(f"{key} = {content!r}: write {write}.", key)

    if kind is bool:
        if not isinstance(content, bool):
            raise wrong("true or false")
        return content
    if kind is str:
        names = [".".join(path[-2:]), *reversed(path)]
        words = next((_WORDS[name] for name in names if name in _WORDS), None)
        empty = not content and path[-1] not in _MAY_BE_EMPTY
        if not isinstance(content, str) or empty or (words and content not in words):
            raise wrong(" or ".join(words) if words else "a word")
        return content
    if isinstance(content, bool) or not isinstance(content, int | float) or not math.isfinite(content):
        raise wrong("a number")
    if kind is int and content != int(content):
        raise wrong("a whole number")
    limits = next((_LIMITS[name] for name in reversed(path) if name in _LIMITS), None)
    if limits is None:
        if content <= 0:
            raise wrong("a number over 0")
    elif not limits[0] <= content <= limits[1]:
        up = "up" if limits[1] == math.inf else f"to {limits[1]:g}"
        raise wrong(f"a number from {limits[0]:g} {up}")
    return kind(content)

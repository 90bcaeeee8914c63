"""What each value of the shop file means, told from the comments of the default file and nowhere else.

The comment of a key stands beside it; that of an entry of a list of tools in the lines above the list, as
"key: meaning"; that of a named table's entries beside the table's name. What is told of one material
holds for all.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from routing.inputs.shop.load import ShopError, content_of, default_text, load_shop
from routing.inputs.shop.places import Place, places_of

PRACTICE = "common practice, no source"
# A name's ending tells its unit; the longest that fits counts.
_UNITS = {
    "_mm3_per_min": "mm3/min",
    "_mm2_per_min": "mm2/min",
    "_mm_per_min": "mm/min",
    "mm3_per_min": "mm3/min",
    "mm2_per_min": "mm2/min",
    "_g_per_cm3": "g/cm3",
    "_per_kg": "money/kg",
    "_per_cm3": "money/cm3",
    "_cost_per_hour": "money/h",
    "per_hour": "money/h",
    "_mm3": "mm3",
    "_mm2": "mm2",
    "_mm": "mm",
    "_deg": "deg",
    "_min": "min",
    "_cost": "money",
    "_n_per_cm2": "N/cm2",
    "force_n": "N",
    "_mpa": "MPa",
    "_hrc": "HRC",
    "_um": "um",
    "_percent": "%",
    "thin_ratio": "times",
    "slender_ratio": "times",
    "spring_ratio": "times",
    "_ratio": "diameters",
}


@dataclass(frozen=True)
class Explained:
    """``value`` is the shop's, ``default`` the program's, as TOML; ``default`` may be ""."""

    key: str
    value: str
    default: str
    unit: str
    meaning: str
    basis: str


def explain(key: str = "", path: Path | None = None) -> list[Explained]:
    """The values whose key is ``key`` or lies under it, all without one; raises ShopError."""
    load_shop(path)  # with its own words for a file that cannot be used
    defaults = dict(_leaves(tomllib.loads(default_text()), ""))
    values = dict(_leaves(content_of(path), ""))
    wanted = [k for k in values if not key or k == key or k.startswith((f"{key}.", f"{key}["))]
    if not wanted:
        raise ShopError(f"{key} is not a key of the shop file: `dieroute shop explain` lists them.", key)
    return [_explained(k, values[k], defaults.get(k)) for k in wanted]


def meaning_of(key: str) -> tuple[str, str]:
    """Meaning and basis of one value; the meaning is "" where the default file has no comment on it."""
    places = _places()
    text = _beside(places.get(key))
    if not text and (entry := re.fullmatch(r"(.*)\[\d+\]\.(\w+)", key)):
        above = places[entry[1]].above if entry[1] in places else ()
        text = next((a.partition(":")[2].strip() for a in above if a.startswith(f"{entry[2]}:")), "")
    if key.startswith("materials.") and (not text or text.startswith("basis:")):
        # What one material tells of its numbers holds for the others', but for the basis.
        noted = re.compile(rf"materials\.[^.]+\.{re.escape(key.rpartition('.')[2])}")
        first = next((_beside(p) for k, p in places.items() if noted.fullmatch(k) and p.beside), "")
        text = f"{first.partition('basis:')[0]} {text}" if text else first
    outer = key
    while not text and "." in outer:
        outer = outer.rpartition(".")[0]
        text = _beside(places.get(outer))
    meaning, _, basis = text.partition("basis:")
    return meaning.strip(" ;,"), basis.strip() or PRACTICE


@cache
def _places() -> Mapping[str, Place]:
    return places_of(default_text())


def _beside(place: Place | None) -> str:
    return place.beside if place else ""


def _explained(key: str, value: object, default: object) -> Explained:
    meaning, basis = meaning_of(key)
    return Explained(key, _toml(value), "" if default is None else _toml(default), _unit(key), meaning, basis)


def _unit(key: str) -> str:
    """By the name of the key, or of the table whose entries are named by process."""
    for name in reversed(re.sub(r"\[\d+\]", "", key).split(".")):
        fits = [end for end in _UNITS if name.endswith(end)]
        if fits:
            return _UNITS[max(fits, key=len)]
    return ""


def _leaves(content: object, key: str) -> list[tuple[str, Any]]:
    if isinstance(content, Mapping):
        start = f"{key}." if key else ""
        return [leaf for name, item in content.items() for leaf in _leaves(item, start + name)]
    if isinstance(content, list) and content and isinstance(content[0], Mapping):
        return [leaf for n, item in enumerate(content) for leaf in _leaves(item, f"{key}[{n}]")]
    return [(key, content)]


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return f"[{', '.join(_toml(v) for v in value)}]"
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"

"""The shop from a TOML file, key by key over the defaults beside this module."""

from __future__ import annotations

import math
import re
import tomllib
import typing
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import MISSING, fields, is_dataclass, replace
from pathlib import Path
from typing import Any, Protocol, runtime_checkable

from featurize.errors import one_line
from routing.inputs.choices import ChoicesError, thread_colours
from routing.inputs.shop.places import nearest, places_of
from routing.inputs.toml_file import TomlError, parsed, shown, text_of
from routing.processes.material import FAMILIES
from routing.processes.material_rules import MaterialRule
from routing.processes.protocol import Stage
from routing.processes.rooms import process_names, rooms
from routing.processes.shop import Shop

_GENERAL = Path(__file__).with_name("default_shop.toml")

_WORDS = {
    "clearance_holes": ("wire", "drill"),
    "wire_on_its_side": ("never", "no wheel", "always"),
    "general.zero": ("corner", "centre", "bore"),
    "projection": ("first", "third"),
    "screw_class": ("8.8", "10.9", "12.9"),
    "order": ("threads", "magnet", "blocks", "vise", "chuck", "clamps"),
}
_MAY_BE_EMPTY = ("address", "page", "processes")
# Numbers lie over 0 unless their key, or the table they stand in, is here: least and most.
_LIMITS = {
    **dict.fromkeys(
        (
            "sharp_corner_leave_mm",
            "blank_margin_mm",
            "per_hour",
            "setup_min",
            "price_per_kg",
            "cutter_cost_per_hour",
            "piece_min",
            "demagnetise_min",
            "stress_relief_each",
            "hardening_each",
            "hardening_per_kg",
            "hardening_allowance_mm",
            "feature_min",
            "callout_min",
        ),
        (0.0, math.inf),
    ),
    "scrap_share": (0.0, 0.5),
    "hardness_hrc": (20.0, 70.0),
    "binder_percent": (3.0, 30.0),
    "grain_um": (0.2, 10.0),
    "low": (0.0, 1.0),
    "high": (1.0, math.inf),
    "chipping": (0.0, 1.0),
    "tighten_share": (0.05, 0.9),
    "friction": (0.01, 1.0),
    "sine_limit_deg": (1.0, 60.0),
    "careful_feed": (0.05, 1.0),
    "factor": (0.05, 20.0),
    "safety": (1.0, math.inf),
}
# Who does what no machine does.
_STATIONS = ("bench", "bought in", "inspect")
# What the tables by process hold besides, and whether none may be missing.
_BY_PROCESS: dict[str, tuple[tuple[str, ...], bool]] = {
    "workholding.order": ((), True),
    "workholding.force_n": ((), True),
    "rates.per_hour": (_STATIONS, True),
    "rates.setup_min": (_STATIONS, True),
    "rates.scrap_share": (_STATIONS, False),
    "rates.range": ((*_STATIONS, "material", "scrap"), True),
    "rates.factor.process": (_STATIONS, False),
    "rates.factor.material": (_STATIONS, False),
    "rates.factor.range": (_STATIONS, False),
}
# What else is a name of something: by the table, or by the table it stands in.
_NAMES = {"rates.factor.step": tuple(stage.words for stage in Stage), "rates.factor.material.": FAMILIES}
# Larger numbers are slips: no machine is longer, and no money or volume that large.
_LONGEST_MM, _LARGEST = 1e4, 1e9
# A table replaces the default key by key, a list of tools as a whole: they are what the shop owns.


def _limits() -> dict[str, tuple[float, float]]:
    return {**_LIMITS, **{key: bounds for room in rooms() for key, bounds in room.limits.items()}}


def _words() -> dict[str, tuple[str, ...]]:
    own = {key: words for room in rooms() for key, words in room.words.items()}
    return {**_WORDS, "processes": process_names(), **own}


def _may_be_empty() -> tuple[str, ...]:
    return (*_MAY_BE_EMPTY, *(key for room in rooms() for key in room.may_be_empty))


@runtime_checkable
class Contradicting(Protocol):
    """A part of the shop whose values may contradict each other."""

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """The field that is wrong, and why."""


class ShopError(Exception):
    """A shop file that cannot be used. ``str()`` is one line that names the key, ``key`` is it alone."""

    def __init__(self, text: str, key: str = "") -> None:
        super().__init__(one_line(text))
        self.key = key


def default_text() -> str:
    """The default shop file: the general part and each process's own, tables of one name together."""
    tables: dict[str, list[str]] = {"": []}
    for path in (_GENERAL, *(room.defaults for room in rooms())):
        header, above = "", list[str]()
        for line in path.read_text(encoding="utf-8").splitlines():
            if line.startswith("["):
                header = line.partition("]")[0]
                if header not in tables:
                    tables[header] = ["", *above, line]
                above = []
            elif line.startswith("#"):
                above.append(line)
            elif not line:
                tables[header] += [*above, ""]
                above = []
            else:
                tables[header] += [*above, line]
                above = []
    return (
        re.sub(r"\n{3,}", "\n\n", "\n".join(line for rows in tables.values() for line in rows)).strip() + "\n"
    )


# A reason may list names of the file, which may be of any length.
_WHY = 300


def load_shop(path: Path | None = None) -> Shop:
    """The defaults, overlaid with a TOML file; raises ShopError."""
    content = content_of(path)
    try:
        return _shop(content)
    except ShopError as error:
        if path is None:
            raise
        place = nearest(places_of(text_of(path)), error.key)
        line = f"line {place.line}: " if place else ""
        raise ShopError(f"{path.name}: {line}{error}", error.key) from None


def _shop(content: Mapping[str, Any]) -> Shop:
    """Each process's own tables are taken out of the file's, the rest is the general part."""
    general = _overlaid({}, content)
    sections = {room.shop: _made(room.shop, _taken(room.shop, general), "") for room in rooms()}
    shop: Shop = _made(Shop, general, "")
    return replace(shop, sections=sections)


def _taken(section: type, content: dict[str, Any]) -> dict[str, Any]:
    """The values of a section's fields, removed from where they stand in the file."""
    found = {}
    for f in fields(section):
        *outer, last = f.metadata.get("key", f.name).split(".")
        table: Any = content
        for name in outer:
            table = table.get(name, {}) if isinstance(table, Mapping) else {}
        if isinstance(table, dict) and last in table:
            found[f.name] = table.pop(last)
    return found


def content_of(path: Path | None = None) -> dict[str, Any]:
    """The defaults, overlaid with a TOML file, not yet checked; raises ShopError when it is not TOML."""
    content = tomllib.loads(default_text())
    if path is None:
        return content
    try:
        return _overlaid(content, parsed(path))
    except TomlError as error:
        raise ShopError(str(error)) from error
    except RecursionError as error:
        raise ShopError(f"{path.name} is nested too deeply: write tables of plain values.") from error


def write_default(path: Path, *, replace: bool = False) -> None:
    """A shop file to start from: the defaults with their comments. Raises ShopError where one stands."""
    try:
        with path.open("w" if replace else "x", encoding="utf-8") as file:
            file.write(default_text())
    except FileExistsError as error:
        raise ShopError(f"{path} is there already: give another name, or --replace.") from error
    except OSError as error:
        raise ShopError(f"{path} cannot be written ({error.strerror}): check the path.") from error


def _overlaid(base: Mapping[str, Any], given: Mapping[str, Any]) -> dict[str, Any]:
    merged = dict(base)
    for key, value in given.items():
        old = merged.get(key, {})
        if isinstance(old, Mapping) and isinstance(value, Mapping):
            merged[key] = _overlaid(old, value)
        else:
            merged[key] = value
    return merged


def _made(kind: Any, content: object, key: str) -> Any:
    """A value of a declared type from TOML, checked; ``key`` is its path, for errors."""
    origin = typing.get_origin(kind)
    if origin is tuple:
        if not isinstance(content, list) or not (content or key.rpartition(".")[2] in _may_be_empty()):
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
        _check_names(content, key)
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
    hints = {name: hint for name, hint in typing.get_type_hints(kind).items() if name != "sections"}
    start = f"{key}." if key else ""
    places = {f.name: f.metadata.get("key", f"{start}{f.name}") for f in fields(kind) if f.name in hints}
    for name in content:
        if name not in hints:
            raise _not_known(start, name, [*hints, *_keys_of_sections(start)])
    missing = [
        f.name for f in fields(kind) if f.name in hints and f.name not in content and f.default is MISSING
    ]
    if missing:
        raise ShopError(f"{places[missing[0]]} is missing.", places[missing[0]])
    if kind is MaterialRule:
        _check_material(content, key)
    made = kind(**{name: _made(hints[name], item, places[name]) for name, item in content.items()})
    for name, why in made.contradictions() if isinstance(made, Contradicting) else ():
        where = places.get(name, f"{start}{name}")
        value = f" = {shown(content[name])}" if name in content else ""
        told = shown(why, quoted=False, most=_WHY)
        raise ShopError(f"{where}{value} cannot be: {told}.", where)
    return made


def _not_known(start: str, name: str, known: Iterable[str]) -> ShopError:
    text = f"{start}{shown(name, quoted=False)} is not known: write one of {', '.join(known)}."
    return ShopError(text, start + name)


def _check_names(content: Mapping[str, Any], key: str) -> None:
    """Tables by process, step or family: no other name, and none left out where every one is asked for."""
    if key in _BY_PROCESS:
        others, all_needed = _BY_PROCESS[key]
        known = (*process_names(), *others)
    else:
        known = _NAMES.get(key) or _NAMES.get(key.rpartition(".")[0] + ".", ())
        all_needed = False
        if not known:
            return
    for name in content:
        if name not in known:
            raise _not_known(f"{key}.", name, known)
    for name in known if all_needed else ():
        if name not in content:
            raise ShopError(f"{key}.{name} is missing.", f"{key}.{name}")


def _keys_of_sections(start: str) -> list[str]:
    """What the processes' own fields are called in the table that starts so."""
    paths = [f.metadata.get("key", f.name) for room in rooms() for f in fields(room.shop)]
    return [p.removeprefix(start) for p in paths if p.startswith(start) and "." not in p.removeprefix(start)]


def _check_material(content: Mapping[str, Any], key: str) -> None:
    """A material stands for a hardness, or for a binder share and a grain."""
    if ("hardness_hrc" in content) == ("binder_percent" in content):
        raise ShopError(f"{key} needs either hardness_hrc or binder_percent.", key)
    if ("binder_percent" in content) != ("grain_um" in content):
        raise ShopError(f"{key} needs binder_percent and grain_um together.", key)


def _single(kind: Any, content: object, key: str) -> Any:
    path = re.sub(r"\[\d+\]", "", key).split(".")

    def wrong(write: str) -> ShopError:
        return ShopError(f"{key} = {shown(content)}: write {write}.", key)

    if kind is bool:
        if not isinstance(content, bool):
            raise wrong("true or false")
        return content
    if kind is str:
        names = [".".join(path[-2:]), *reversed(path)]
        known = _words()
        words = next((known[name] for name in names if name in known), None)
        empty = not content and path[-1] not in _may_be_empty()
        if not isinstance(content, str) or empty or (words and content not in words):
            raise wrong(" or ".join(words) if words else "a word")
        return content
    if isinstance(content, bool) or not isinstance(content, int | float) or content != content:
        raise wrong("a number")
    most = _LONGEST_MM if path[-1].endswith("_mm") else _LARGEST
    bounds = _limits()
    names = [".".join(path[-2:]), *reversed(path)]
    low, high = next((bounds[name] for name in names if name in bounds), (None, most))
    high = min(high, most)
    if not content <= high or not (content > 0 if low is None else content >= low):
        raise wrong(f"a number {'over 0 and up' if low is None else f'from {low:g}'} to {high:g}")
    if kind is int and content != int(content):
        raise wrong("a whole number")
    return kind(content)

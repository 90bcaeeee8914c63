"""What a person chose: entered beside the STEP file or on the command line, never guessed."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from datetime import datetime
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeGuard

from featurize.errors import one_line
from featurize.feature import Kind, Vec3
from featurize.standards.threads import parse
from routing.inputs.toml_file import TomlError, parsed, shown
from routing.processes.hardness import GRAINS_UM
from routing.processes.preferences import HARDENED, SOFT, Preferences
from routing.processes.rooms import process_names

BLANKS = ("auto", "block", "disc")
SUPPLIED = (HARDENED, SOFT)
BREAKS = ("keep sharp", "may break", "must break")
EDGE = "edge"  # the kind of an answer for a single edge

_FEATURE_ID = re.compile(r"F\d{2,}")
_EDGE_ID = re.compile(r"E\d+")
_COLOUR = re.compile(r"#[0-9a-f]{6}")
_AXIS = re.compile(r"[+-][xyz]")

_WRITE = {
    "material": 'write "steel-60hrc" (hardness 20 to 70 HRC) or "carbide-12" (3 to 30 % binder), with its '
    f'grain where known: "carbide-12-0.8um" (0.2 to 10 um) or "carbide-12-fine" ({", ".join(GRAINS_UM)})',
    "working_side": 'write "+z" or the like, or a vector "0,0.5,1", in the model\'s own coordinates',
    "blank": 'write "auto", "block", "disc" or the path of a STEP file',
    "blank_margin_mm": "write millimetres from 0 to 50, such as 0.5",
    "allowance_floor_mm": "write millimetres from 0 to 5, such as 0.010",
    "allowance_wall_mm": "write millimetres from 0 to 5, such as 0.010",
    "threads": 'write a feature, a diameter or "all" = a size or "plain", such as "4.2" = "M5"',
    "thread_colours": 'write a colour = a size, "thread" or "plain", such as "#ff8000" = "thread"',
    "processes": 'write a feature or a kind = one of {processes}, such as "F07" = "mill"',
    "allowances": "write a feature or a kind = [floor, wall] in mm from 0 to 5, such as F07 = [0.02, 0]",
    "edges": f'write an edge, a feature or a kind = one of {", ".join(BREAKS)}, such as E12 = "may break"',
    "present": 'write a list of features or kinds that the blank has already, such as ["F03"]',
    "supplied": 'write "hardened" or "soft"',
    "drawing": "write the path of the part's drawing, a PDF or DXF",
    "date": 'write when the papers are made, by ISO 8601: "2025-01-31" or "2025-01-31T14:00:00"',
    "strict": "write true or false",
    "settle": "write at = [x, y, z], kind, size_mm and one of thread, process, is, side, "
    "edge, allowance, as `dieroute doubts` does",
}
_LONGEST_SIZE = 40
_LARGEST = 1e9  # of any number: what is larger is a slip
_LIMIT_MM = {"blank_margin_mm": 50.0, "allowance_floor_mm": 5.0, "allowance_wall_mm": 5.0}


class ChoicesError(Exception):
    """A choice that cannot be followed. ``str()`` is one line: the key, and what to write."""

    def __init__(self, text: str) -> None:
        super().__init__(one_line(text))


def is_feature_id(text: str) -> bool:
    """Whether a key names a feature, such as F07, rather than a kind or a diameter."""
    return _FEATURE_ID.fullmatch(text) is not None


def is_edge_id(text: str) -> bool:
    """Whether a key names an edge, such as E12."""
    return _EDGE_ID.fullmatch(text) is not None


def _wrong(key: str, value: object) -> ChoicesError:
    write = _WRITE[key].replace("{processes}", ", ".join(process_names()))
    return ChoicesError(f"{key} = {shown(value)} cannot be used: {write}.")


def _twice(key: str, name: object) -> ChoicesError:
    return ChoicesError(
        f"{key}: {shown(name)} is answered twice, and not alike: leave one of the answers out."
    )


SIDES = ("working", "mounting")
# What a person may call a feature; a threaded hole is settled by its thread.
CALLED = tuple(k for k in Kind if k.traits.called)


@dataclass(frozen=True)
class Settlement:
    """A person's answer for one feature or edge, which is known by its kind, its size and its place.

    ``at`` (mm) is in the part's box, as `dieroute doubts` and the route file give it; face numbers and ids
    would not outlive the next export. ``is_kind`` overrules the kind; ``side`` is where this feature is.
    ``edge`` is what becomes of the edge, or of all edges of the feature; of an edge the size is its length.
    ``allowance`` (mm) is what stays on its ground floors and walls.
    """

    at: Vec3
    kind: str
    size_mm: float
    thread: str | None = None
    process: str | None = None
    is_kind: str | None = None
    side: str | None = None
    edge: str | None = None
    allowance: tuple[float, float] | None = None

    def __str__(self) -> str:
        return f"{self.kind} of {self.size_mm:g} mm at [{', '.join(f'{c:g}' for c in self.at)}]"

    @classmethod
    def made_from(cls, entry: object) -> Settlement:
        """From an entry of a choices file; raises ChoicesError."""
        if isinstance(entry, cls):
            return entry
        if not isinstance(entry, Mapping):
            raise _wrong("settle", entry)
        given = dict(entry)
        try:
            at, size = given.pop("at"), given.pop("size_mm")
            named = given.pop("kind")
            kind = EDGE if named == EDGE else _kind(named)
        except KeyError:
            raise _wrong("settle", entry) from None
        numbers = [*at, size] if isinstance(at, list | tuple) and len(at) == 3 else []
        if kind is None or not numbers or not all(map(_is_number, numbers)) or not given:
            raise _wrong("settle", entry)
        answers: dict[str, Any] = {}
        for key, value in given.items():
            if key == "edge":
                answers["edge"] = _edge("pocket", value)[1]
            elif kind == EDGE:  # nothing else can be said of one
                raise _wrong("settle", {key: value})
            elif key == "thread":
                answers["thread"] = _thread("all", value)[1]
            elif key == "allowance":
                answers["allowance"] = _allowance("pocket", value)[1]
            elif key == "process":
                answers["process"] = _process("pocket", value)[1]
            elif key == "is" and (called := _kind(value)) in CALLED:
                answers["is_kind"] = str(called)
            elif key == "side" and value in SIDES:
                answers["side"] = str(value)
            else:
                raise _wrong("settle", {key: value})
        x, y, z = (float(c) for c in at)
        return cls((x, y, z), str(kind), float(size), **answers)


@dataclass(frozen=True)
class Choices(Preferences):
    """All choices, checked: making one raises ChoicesError naming the key and what to write.

    ``blank`` is "auto" (a disc for a part with a round outside, else a block), "block", "disc" or a path.
    ``threads``: feature id, diameter in mm or "all" to a designation or "plain". ``thread_colours``: colours
    "#rrggbb" to a designation, "thread" or "plain", over the shop's own. ``processes``: feature
    id or kind to a process. ``allowances``: feature id or kind to what stays on its ground floors and walls
    in place of the two above. ``edges``: edge id, feature id (all its edges) or kind to a verdict.
    ``settle``: answers for single features and edges. ``strict``: blocking flags make the exit status 1.
    ``drawing``: path of the part's own drawing, a PDF or DXF; none where it is empty.
    ``date``: what papers and files bear as their time (ISO 8601); none where it is not given.
    """

    working_side: str | None = None
    threads: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    thread_colours: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    edges: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    settle: tuple[Settlement, ...] = ()
    strict: bool = False
    drawing: str = ""
    date: str = ""

    def __post_init__(self) -> None:
        for key in ("material", "blank"):
            if not isinstance(value := getattr(self, key), str) or not value or not value.isprintable():
                raise _wrong(key, value)
        try:
            self.made_of()
        except ValueError:
            raise _wrong("material", self.material) from None
        if self.working_side is not None:
            _direction(self.working_side)
        for key, limit in _LIMIT_MM.items():
            value = getattr(self, key)
            if not _is_number(value) or not 0 <= value <= limit:
                raise _wrong(key, value)
        object.__setattr__(self, "present", _targets("present", self.present))
        if self.supplied not in SUPPLIED:
            raise _wrong("supplied", self.supplied)
        if not isinstance(self.strict, bool):
            raise _wrong("strict", self.strict)
        if not isinstance(self.drawing, str) or not (self.drawing.isprintable() or not self.drawing):
            raise _wrong("drawing", self.drawing)
        if not _is_date(self.date):
            raise _wrong("date", self.date)
        # Plain dictionaries: choices travel to a child process.
        object.__setattr__(self, "threads", _table("threads", self.threads, _thread))
        object.__setattr__(self, "thread_colours", thread_colours(self.thread_colours))
        object.__setattr__(self, "processes", _table("processes", self.processes, _process))
        object.__setattr__(self, "allowances", _table("allowances", self.allowances, _allowance))
        object.__setattr__(self, "edges", _table("edges", self.edges, _edge))
        if not isinstance(self.settle, list | tuple):
            raise _wrong("settle", self.settle)
        object.__setattr__(self, "settle", tuple(Settlement.made_from(entry) for entry in self.settle))

    @property
    def working_direction(self) -> Vec3 | None:
        """Unit direction out of the working side, in model coordinates."""
        return None if self.working_side is None else _direction(self.working_side)

    def but(self, **changes: Any) -> Choices:
        """A copy with every change that is not None; tables are extended, not replaced."""
        given = {key: value for key, value in changes.items() if value is not None}
        for key in ("threads", "thread_colours", "processes", "allowances", "edges"):
            if key in given:
                new = set(map(_canonical, given[key]))
                kept = {
                    name: value for name, value in getattr(self, key).items() if _canonical(name) not in new
                }
                given[key] = {**kept, **given[key]}
        return replace(self, **given)

    def without_edges(self) -> Choices:
        """These choices without what they say of edges: what the rest of the work depends on.

        What was settled of allowances is expected among the allowances by now.
        """
        bare = tuple(replace(answer, edge=None, allowance=None) for answer in self.settle)
        left = tuple(s for s in bare if any((s.thread, s.process, s.is_kind, s.side)))
        return replace(self, edges={}, settle=left)


def load_choices(path: Path) -> Choices:
    """Choices from a TOML file; raises ChoicesError in one line that names the file."""
    try:
        content = parsed(path)
    except TomlError as error:
        raise ChoicesError(str(error)) from error
    known = [f.name for f in fields(Choices)]
    for key in content:
        if key not in known:
            text = f"{shown(key, quoted=False)} is not a choice: write one of {', '.join(known)}."
            raise ChoicesError(f"{path.name}: {text}")
    try:
        choices = Choices(**content)
    except ChoicesError as error:
        raise ChoicesError(f"{path.name}: {error}") from error
    if choices.blank not in BLANKS:  # a path in the file starts where the file is
        choices = replace(choices, blank=str(path.parent / choices.blank))
    if choices.drawing:
        choices = replace(choices, drawing=str(path.parent / choices.drawing))
    return choices


def choices_beside(model: Path) -> Path | None:
    """The choices file of a model: ``insert.choices.toml`` beside ``insert.step``."""
    path = model.with_name(f"{model.stem}.choices.toml")
    return path if path.is_file() else None


def _is_date(text: object) -> bool:
    """Whether it is empty, or a date or time by ISO 8601."""
    if not isinstance(text, str):
        return False
    try:
        return not text or bool(datetime.fromisoformat(text))
    except ValueError:
        return False


def _direction(text: object) -> Vec3:
    if isinstance(text, str):
        if _AXIS.fullmatch(text):
            sign = 1.0 if text[0] == "+" else -1.0
            x, y, z = (sign if text[1] == axis else 0.0 for axis in "xyz")
            return x, y, z
        try:
            x, y, z = (float(word) for word in text.split(","))
        except ValueError:
            raise _wrong("working_side", text) from None
        length = math.hypot(x, y, z)
        if 0 < length < math.inf:
            return x / length, y / length, z / length
    raise _wrong("working_side", text)


def _table(key: str, table: object, entry: Any) -> dict[str, Any]:
    if not isinstance(table, Mapping):
        raise _wrong(key, table)
    found: dict[str, Any] = {}
    text: dict[str, Any] = {}
    for name, value in table.items():
        target, checked = entry(name, value)
        if text.setdefault(_canonical(target), checked) != checked:
            raise _twice(key, name)
        found[target] = checked
    return found


def _canonical(name: object) -> str:
    """The same for all ways to write a feature, a kind, a diameter or a colour."""
    text = str(name).strip()
    return f"{float(text):g}" if _is_diameter(text) else text.replace("-", " ").lower()


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= _LARGEST


def _entry_wrong(key: str, name: object, value: object) -> ChoicesError:
    return _wrong(key, f"{shown(name, quoted=False)} = {shown(value, quoted=False)}")


def _thread(name: object, value: object) -> tuple[str, str]:
    if not (isinstance(name, str) and (name == "all" or is_feature_id(name) or _is_diameter(name))):
        raise _entry_wrong("threads", name, value)
    return name, _size("threads", name, value)


def _size(key: str, name: object, value: object) -> str:
    """A designation or "plain"."""
    if not isinstance(value, str) or not 0 < len(value.strip()) < _LONGEST_SIZE:
        raise _entry_wrong(key, name, value)
    designation = value.strip()
    if designation != "plain":
        try:
            parse(designation)
        except ValueError as error:
            raise ChoicesError(f"{key}: {error}.") from error
    return designation


def thread_colours(table: object) -> dict[str, str]:
    """What colours mean, checked, each as "#rrggbb" in small letters; raises ChoicesError."""
    return _table("thread_colours", table, _thread_colour)


def _thread_colour(name: object, value: object) -> tuple[str, str]:
    colour = name.strip().lower() if isinstance(name, str) else ""
    if not _COLOUR.fullmatch(colour):
        raise _entry_wrong("thread_colours", name, value)
    return colour, "thread" if value == "thread" else _size("thread_colours", name, value)


def _process(name: object, value: object) -> tuple[str, str]:
    """Hyphens and spaces are the same here: a space is awkward on a command line."""
    processes = {p.replace("-", " "): p for p in process_names()}
    process = processes.get(value.replace("-", " ")) if isinstance(value, str) else None
    target = _target(name)
    if process is None or target is None:
        raise _entry_wrong("processes", name, value)
    return target, process


def _edge(name: object, value: object) -> tuple[str, str]:
    verdict = value.replace("-", " ") if isinstance(value, str) else ""
    target = name if isinstance(name, str) and is_edge_id(name) else _target(name)
    if verdict not in BREAKS or target is None:
        raise _entry_wrong("edges", name, value)
    return target, verdict


def _allowance(name: object, value: object) -> tuple[str, tuple[float, float]]:
    target = _target(name)
    numbers = value if isinstance(value, list | tuple) and len(value) == 2 else []
    usable = [_is_number(n) and 0 <= n <= 5 for n in numbers]
    if target is None or not usable or not all(usable):
        raise _entry_wrong("allowances", name, value)
    return target, (float(numbers[0]), float(numbers[1]))


def _targets(key: str, names: object) -> tuple[str, ...]:
    """Feature ids and kinds."""
    found = [_target(n) for n in names] if isinstance(names, list | tuple) else [None]
    if None in found:
        raise _wrong(key, names)
    return tuple(str(n) for n in found)


def _target(name: object) -> str | None:
    """A feature's id or a kind."""
    kind = _kind(name)
    return name if isinstance(name, str) and is_feature_id(name) else kind and str(kind)


def _kind(name: object) -> Kind | None:
    return next((k for k in Kind if isinstance(name, str) and name.replace("-", " ") == k), None)


def _is_diameter(text: str) -> bool:
    try:
        return 0 < float(text) < 1000
    except ValueError:
        return False

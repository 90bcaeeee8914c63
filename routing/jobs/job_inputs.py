"""Everything that a result depends on, and what each stage of a job takes of it.

Both caches know results by this alone: the stages' in memory by its projections, whole results on disk by
its digest. What a stage takes of an earlier stage's result is added to the projection where it is made.
"""

from __future__ import annotations

import hashlib
from collections.abc import Hashable, Mapping
from contextlib import suppress
from dataclasses import dataclass, fields, is_dataclass, replace
from functools import cache as once
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from featurize.step.document import Skip
from routing.inputs.choices import BLANKS, Choices
from routing.jobs.dry_running import is_wanted
from routing.processes.shop import Shop

# What results depend on besides our own source.
_LIBRARIES = ("dieroute", "cadquery-ocp", "ezdxf", "numpy", "pypdfium2", "scipy", "shapely")
_BLANK = ("blank", "blank_margin_mm", "allowance_floor_mm", "allowance_wall_mm", "allowances")
# Of later stages; the blank and all the rest may sway what makes a feature.
_NOT_FOR_ROUTING = {"strict", "edges", "date"}


@dataclass(frozen=True, eq=False)
class Inputs:
    """``name`` and ``sha256`` are the STEP file's: both stand in the result. ``skip``: what is not read.

    ``blank_sha256`` is that of a blank's own file, "" where it cannot be read, ``drawing_sha256`` that of the
    drawing's; ``dry_run`` tells whether jobs here are machined on paper. Equal by value, hashable.
    """

    name: str
    sha256: str
    choices: Choices
    shop: Shop
    skip: Skip = Skip.NOTHING
    blank_sha256: str = ""
    dry_run: bool = True
    drawing_sha256: str = ""

    @classmethod
    def of(cls, name: str, sha256: str, choices: Choices, shop: Shop, skip: Skip = Skip.NOTHING) -> Inputs:
        """With the content of the blank's file and of the drawing's, where there are any."""
        blank = drawing = ""
        if choices.blank not in BLANKS:
            with suppress(OSError):  # the job itself says what cannot be read
                blank = sha256_of(Path(choices.blank))
        if choices.drawing:
            with suppress(OSError):
                drawing = sha256_of(Path(choices.drawing))
        return cls(name, sha256, choices, shop, skip, blank, is_wanted(), drawing)

    def with_choices(self, choices: Choices) -> Inputs:
        """With the choices as they stand for one part, its own answers in them."""
        return replace(self, choices=choices)

    @property
    def thread_colours(self) -> Mapping[str, str]:
        """What colours stand for: the choices' over the shop's."""
        return {**self.shop.thread_colours, **self.choices.thread_colours}

    @property
    def drawing(self) -> Hashable:
        """The drawing's file; empty without one."""
        return (self.choices.drawing, self.drawing_sha256) if self.choices.drawing else ()

    @property
    def reading(self) -> Hashable:
        return self.sha256, self.name, self.skip

    def part(self, n: int) -> Hashable:
        """The n-th part of the file, built."""
        return self.reading, n

    def recognition(self, n: int) -> Hashable:
        """Its features, answers for single ones included."""
        # Of a drawing's notes the material is compared with the one chosen.
        taken = self._taken("working_side", "threads", "settle", *(("material",) if self.drawing else ()))
        return self.part(n), taken, frozen(self.thread_colours), self.drawing

    def routing(self, n: int) -> Hashable:
        """What makes each feature."""
        choices = self.choices.without_edges()
        taken = [
            (f.name, getattr(choices, f.name)) for f in fields(Choices) if f.name not in _NOT_FOR_ROUTING
        ]
        return self.part(n), frozen(taken), self.blank_sha256, self.drawing, frozen(self.shop)

    def ordering(self, n: int) -> Hashable:
        """The operations in order: edges are broken among them."""
        return self.routing(n), self._taken("edges")

    def stock(self, n: int) -> Hashable:
        """The ground stock; what is ground is added by who grinds it."""
        return self.part(n), self._taken(*_BLANK), self.blank_sha256, frozen(self.shop)

    @property
    def everything(self) -> Hashable:
        return tuple(frozen(getattr(self, f.name)) for f in fields(self))

    @property
    def digest(self) -> str:
        """Stands for these inputs and this program, on disk."""
        return hashlib.sha256(repr((self.everything, program())).encode()).hexdigest()

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Inputs) and self.everything == other.everything

    def __hash__(self) -> int:
        return hash(self.everything)

    def _taken(self, *names: str) -> Hashable:
        return tuple(frozen(getattr(self.choices, name)) for name in names)


def frozen(value: object) -> Hashable:
    """Plain data as nested tuples, the same for equal data; TypeError for what is none."""
    if is_dataclass(value) and not isinstance(value, type):
        return type(value).__name__, *(frozen(getattr(value, f.name)) for f in fields(value))
    if isinstance(value, Mapping):
        return tuple(sorted((str(k), frozen(v)) for k, v in value.items()))
    if isinstance(value, list | tuple):
        return tuple(map(frozen, value))
    if isinstance(value, set | frozenset):
        return tuple(sorted(map(str, value)))
    if value is None or isinstance(value, str | int | float | bool | Path):
        return value
    raise TypeError(f"{type(value).__name__} is no plain data: {value!r}")


@once
def program() -> str:
    """The program's own fingerprint: its source, and the versions of what it computes with."""
    digest = hashlib.sha256()
    root = Path(__file__).resolve().parents[2]
    for room in ("featurize", "routing"):
        for file in sorted((root / room).rglob("*")):
            if file.is_file() and "__pycache__" not in file.parts:
                digest.update(f"{file.relative_to(root).as_posix()} {sha256_of(file)}\n".encode())
    for name in _LIBRARIES:
        with suppress(PackageNotFoundError):
            digest.update(f"{name} {version(name)}\n".encode())
    return digest.hexdigest()


def sha256_of(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()

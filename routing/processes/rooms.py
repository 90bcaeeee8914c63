"""The processes of the trade, one folder each: what is known of them without loading the kernel.

A folder of this package whose ``__init__`` has ``ROOM`` is a process; the folder is the list. ``added``
makes another known for a while, wherever its folder is.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from routing.processes.protocol import Process


@dataclass(frozen=True)
class Sign:
    """How a process looks: on screen, in the coloured model and in print without colour.

    ``hatch_deg`` are the directions of its hatch's lines, against the horizontal; ``label`` is its name in
    legends; ``caution`` stands on its operations.
    """

    name: str
    letter: str
    colour: str  # sRGB; apart in hue and in lightness, so that they stay apart in grey and for every eye
    hatch_deg: tuple[int, ...] = ()
    label: str = ""
    caution: str = ""


@dataclass(frozen=True)
class Room:
    """``order`` is its place when the processes are asked, ``shop`` the dataclass of what a shop has for it.

    ``defaults`` is a fragment of the shop file with a comment for every key, ``limits`` and ``words`` what
    its keys may be where they are no plain numbers over 0; ``process`` names the class, "module:Class".

    ``versatile`` machines make most shapes: the estimate asks what the part would cost on them alone.
    ``exporters`` are modules that write files of its own (see ``routing.export``).
    """

    order: int
    sign: Sign
    shop: type
    defaults: Path
    process: str
    limits: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    may_be_empty: tuple[str, ...] = ()
    versatile: bool = False
    exporters: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        return self.sign.name

    def load(self) -> Process:
        """The process itself; raises TypeError, with the names, where it leaves a question unanswered."""
        if self.process not in _LOADED:
            module, _, name = self.process.partition(":")
            made: Process = getattr(importlib.import_module(module), name)()
            _LOADED[self.process] = made
        return _LOADED[self.process]


_LOADED: dict[str, Process] = {}
_ADDED: list[Room] = []


def key(path: str) -> Any:
    """A field of a shop's dataclass that stands elsewhere in the file than under its own name."""
    return field(metadata={"key": path})


@cache
def _built_in() -> tuple[Room, ...]:
    package = importlib.import_module("routing.processes")
    names = [info.name for info in pkgutil.iter_modules(package.__path__) if info.ispkg]
    modules = [importlib.import_module(f"routing.processes.{name}") for name in names]
    return tuple(module.ROOM for module in modules if hasattr(module, "ROOM"))


def rooms() -> tuple[Room, ...]:
    """Every process, first to be asked first."""
    return tuple(sorted((*_built_in(), *_ADDED), key=lambda room: room.order))


@contextmanager
def added(room: Room) -> Iterator[None]:
    """Makes another process known within a ``with``."""
    _ADDED.append(room)
    try:
        yield
    finally:
        _ADDED.remove(room)


def process_names() -> tuple[str, ...]:
    return tuple(room.name for room in rooms())


def all_processes() -> tuple[Process, ...]:
    """Every process, loaded, first to be asked first."""
    return tuple(room.load() for room in rooms())


# What no process makes: nothing reaches it, or it comes with the blank.
_OTHERS = (
    Sign("none", "?", "#f0d000", (0, 90), label="no process found"),
    Sign("blank", "B", "#f4f2ee", label="comes with the blank"),
)


def signs() -> Mapping[str, Sign]:
    """The sign of each process, of "none" and of "blank", by name."""
    return {sign.name: sign for sign in (*(room.sign for room in rooms()), *_OTHERS)}

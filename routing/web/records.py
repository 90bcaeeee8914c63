"""What the store keeps and gives: jobs, their revisions and drawings, where each stands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import Any

# Where a quote stands; nothing at first.
STANDINGS = ("", "asked", "quoted", "ordered", "lost")


class State(StrEnum):
    """Where a revision is."""

    WAITING = "waiting"
    RUNNING = "running"
    DONE = "done"
    FAILED = "failed"
    INTERRUPTED = "interrupted"
    SUPERSEDED = "superseded"  # a newer answer took its place before it was worked out
    HELD = "held"  # it would turn the part over, and no person has said that it shall


# Where a later revision is of these its sender must know of it before they go on from an earlier one.
COUNTING = (State.WAITING, State.RUNNING, State.DONE, State.HELD)


class SupersededError(Exception):
    """A newer answer took the place of what is being worked out."""


class TurnsOverError(Exception):
    """``sides``: the working side of the base and that of the revision, in the model's axes, and ``seen``,
    the latter as it is called in the base's own frame."""

    def __init__(self, sides: Mapping[str, str]) -> None:
        super().__init__(f"it turns the part over: {sides['now']} of the model works, so far {sides['was']}.")
        self.sides = sides

    def __reduce__(self) -> tuple[type[TurnsOverError], tuple[Mapping[str, str]]]:
        return type(self), (self.sides,)


class ForkError(Exception):
    """Someone answered meanwhile: ``revision`` is what they made, of which the sender does not know."""

    def __init__(self, revision: JobRevision) -> None:
        super().__init__(revision.number)
        self.revision = revision


@dataclass(frozen=True)
class Source:
    """What a job is made from: its file here, its owner's name for it, what is not read of it, a part."""

    model: str
    sha256: str
    name: str
    skip: int
    choices: Mapping[str, Any]
    part: int = 0


@dataclass(frozen=True)
class JobRevision:
    """``choices`` as a choices file holds them; ``summary`` what the list and the page tell of the result.

    ``starts``: how often it was begun and neither ended nor stopped. ``base``: the revision that it changes.
    ``sure``: it is worked out even where it turns the part over against its base. ``drawing``: the number of
    the customer's file that it is of; ``who`` asked for it, where people have tokens of their own.
    """

    job: str
    number: int
    state: State
    stage: str
    share: float
    error: str
    choices: Mapping[str, Any]
    created: str
    seconds: float | None
    summary: Mapping[str, Any]
    starts: int
    base: int | None = None
    sure: bool = True
    drawing: int = 1
    who: str = ""


@dataclass(frozen=True)
class Job:
    """``parts`` are the file's, known once it is read: name and count of each, in the file's order.

    ``blanks`` were handed in beside the model: the file in the job's folder, its owner's name for it, bytes.
    ``drawings`` are the customer's files of this job, the first one first: number, name, sha256, bytes,
    created, parts; name, sha256, bytes and parts of the job are the last one's. ``similar`` is a job of which
    this one may be the next drawing, until a person says so. ``pieces`` are asked for, with a margin on the
    money.
    """

    id: str
    name: str
    sha256: str
    bytes: int
    created: str
    parts: tuple[Mapping[str, Any], ...]
    revisions: tuple[JobRevision, ...]
    blanks: tuple[Mapping[str, Any], ...] = ()
    note: str = ""
    standing: str = ""
    pieces: int = 1
    margin_percent: float = 0.0
    similar: Mapping[str, Any] = field(default_factory=dict)
    drawings: tuple[Mapping[str, Any], ...] = ()

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)

    def drawing(self, number: int) -> Mapping[str, Any]:
        return next(d for d in self.drawings if d["number"] == number)


@dataclass(frozen=True)
class Listed:
    """A job and of its last revision what the list tells."""

    id: str
    name: str
    created: str
    parts: tuple[Mapping[str, Any], ...]
    note: str
    standing: str
    number: int
    state: State
    stage: str
    share: float
    error: str
    summary: Mapping[str, Any]
    pieces: int
    margin_percent: float
    similar: Mapping[str, Any]
    who: str
    drawing: int

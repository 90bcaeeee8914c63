"""Kinds of features, each with its traits: what the rest of the program knows of a kind.

A kind cannot be made without its traits. ``added`` makes another known for a while.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, ClassVar

from featurize import votes
from featurize.votes import Clue


@dataclass(frozen=True)
class Traits:
    """``recess``: cut into the part, ``closed`` all round, with ``one_mouth`` that tells its place.

    ``hole``: drilled or threaded; ``opening``: may lead right through along its axis; ``edge_break``: laid on
    an edge; ``blank``: comes with the blank; ``protrusion``: stands up; ``twin``: kinds of one group may
    become each other by one edit ("" for none); ``called``: a person may call a feature so. ``vote``: what
    one of these tells of the working side by where it opens to (None for nothing).
    """

    recess: bool = False
    closed: bool = False
    one_mouth: bool = False
    hole: bool = False
    opening: bool = False
    edge_break: bool = False
    blank: bool = False
    protrusion: bool = False
    twin: str = ""
    called: bool = True
    vote: Clue | None = None


class _Kinds(type):
    """Iterates over the kinds, in the order in which they were made."""

    def __iter__(cls) -> Iterator[Kind]:
        return iter(Kind.known.values())

    def __len__(cls) -> int:
        return len(Kind.known)


class Kind(str, metaclass=_Kinds):
    """What a group of faces is, in the trade's words. ``Kind("slot")`` is the kind of that name."""

    __slots__ = ("traits",)

    known: ClassVar[dict[str, Kind]] = {}
    traits: Traits

    HOLE: ClassVar[Kind]
    THREADED_HOLE: ClassVar[Kind]
    THROUGH_PROFILE: ClassVar[Kind]
    OUTSIDE_PROFILE: ClassVar[Kind]
    POCKET: ClassVar[Kind]
    BLIND_SLOT: ClassVar[Kind]
    BLIND_STEP: ClassVar[Kind]
    SLOT: ClassVar[Kind]
    STEP: ClassVar[Kind]
    GROOVE: ClassVar[Kind]
    FLOOR: ClassVar[Kind]
    BOSS: ClassVar[Kind]
    RIB: ClassVar[Kind]
    CHAMFER: ClassVar[Kind]
    EDGE_ROUND: ClassVar[Kind]
    FILLET: ClassVar[Kind]
    CONTOURED_SURFACE: ClassVar[Kind]
    ENGRAVING: ClassVar[Kind]
    RAISED_MARKS: ClassVar[Kind]
    OUTSIDE_FACE: ClassVar[Kind]
    UNASSIGNED: ClassVar[Kind]

    def __new__(cls, name: str) -> Kind:
        """Raises ValueError for a name that no kind has."""
        if name not in cls.known:
            raise ValueError(f"{name!r} is no kind of feature")
        return cls.known[name]

    @classmethod
    def make(cls, name: str, traits: Traits) -> Kind:
        """A new kind; its name may be no other's."""
        if name in cls.known:
            raise ValueError(f"there is a kind {name!r} already")
        kind = str.__new__(cls, name)
        kind.traits = traits
        cls.known[name] = kind
        return kind

    def __str__(self) -> str:
        return str.__str__(self)

    def __reduce__(self) -> tuple[Any, ...]:
        return Kind, (str(self),)


_CUT = "cut"
Kind.HOLE = Kind.make(
    "hole",
    Traits(
        recess=True, closed=True, one_mouth=True, hole=True, opening=True, twin=_CUT, vote=votes.BLIND_HOLE
    ),
)
Kind.THREADED_HOLE = Kind.make(
    "threaded hole",
    Traits(recess=True, closed=True, one_mouth=True, hole=True, twin=_CUT, called=False, vote=votes.THREAD),
)
Kind.THROUGH_PROFILE = Kind.make(
    "through profile", Traits(recess=True, closed=True, opening=True, twin=_CUT, vote=votes.OPENING)
)
Kind.OUTSIDE_PROFILE = Kind.make("outside profile", Traits(blank=True))
Kind.POCKET = Kind.make(
    "pocket", Traits(recess=True, closed=True, one_mouth=True, twin=_CUT, vote=votes.POCKET)
)
Kind.BLIND_SLOT = Kind.make("blind slot", Traits(recess=True, one_mouth=True, twin=_CUT, vote=votes.SLOT))
Kind.BLIND_STEP = Kind.make("blind step", Traits(recess=True, twin=_CUT, vote=votes.STEP))
Kind.SLOT = Kind.make("slot", Traits(recess=True, one_mouth=True, twin=_CUT, vote=votes.SLOT))
Kind.STEP = Kind.make("step", Traits(recess=True, twin=_CUT, vote=votes.STEP))
# In a wall, mostly turned, or a ring in a face; one in a face speaks as a slot does.
Kind.GROOVE = Kind.make("groove", Traits(recess=True, vote=votes.SLOT))
Kind.FLOOR = Kind.make("floor", Traits(recess=True, twin=_CUT))
Kind.BOSS = Kind.make("boss", Traits(protrusion=True, twin="standing", vote=votes.STANDING))
Kind.RIB = Kind.make("rib", Traits(protrusion=True, twin="standing", vote=votes.STANDING))
Kind.CHAMFER = Kind.make("chamfer", Traits(edge_break=True, twin="edge", vote=votes.CHAMFER))
Kind.EDGE_ROUND = Kind.make("edge round", Traits(edge_break=True, twin="edge"))
Kind.FILLET = Kind.make("fillet", Traits(twin="edge"))
Kind.CONTOURED_SURFACE = Kind.make("contoured surface", Traits(twin=_CUT, vote=votes.FORM))
# Marks may be on any side, and tell of none.
Kind.ENGRAVING = Kind.make("engraving", Traits(recess=True, closed=True, one_mouth=True, twin=_CUT))
Kind.RAISED_MARKS = Kind.make("raised marks", Traits(protrusion=True, twin="standing"))
Kind.OUTSIDE_FACE = Kind.make("outside face", Traits(blank=True))
Kind.UNASSIGNED = Kind.make("unassigned", Traits(twin=_CUT, called=False))


@contextmanager
def added(name: str, traits: Traits) -> Iterator[Kind]:
    """Another kind, known within a ``with``."""
    kind = Kind.make(name, traits)
    try:
        yield kind
    finally:
        del Kind.known[name]

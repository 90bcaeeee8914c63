"""What wire erosion answers."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from featurize.feature import Vec3
from routing.processes.protocol import ToolPass, Verdict
from routing.processes.tools import Wire
from routing.processes.wire.start_holes import StartHole

WIRE = "wire"


class Wall(StrEnum):
    """What a pass makes: all of a straight or leaning wall, or of walls that change with the height the
    straight part, what widens behind it, what widens towards the working side.
    """

    PROFILE = "profile"
    TAPER = "taper"
    LAND = "land"
    RELIEF = "relief"
    LEAD_IN = "lead-in"


@dataclass(frozen=True, kw_only=True)
class WirePass(ToolPass):
    """``number`` counts the passes of a path from 1 in the order in which they are cut; the first opens it.

    ``path`` counts the feature's paths from 1. ``area_mm2`` of walls is made between the levels; ``open_mm2``
    is the area of the cut that opens the path, over the whole height, 0 for later passes. ``stock_mm`` is the
    widest that is left in front of the pass (0 for the first, which has all of the kerf in front).
    ``speeds`` are those of its cuts over the main cut's, the last ones being trims.
    """

    path: int
    number: int
    wall: Wall
    area_mm2: float
    open_mm2: float
    stock_mm: float
    speeds: tuple[float, ...]
    trims: int


@dataclass(frozen=True)
class Thicker:
    """A thicker wire that would do if its ``corner_mm`` were accepted, and what it saves on the machine."""

    wire: Wire
    corner_mm: float
    saves_min: float


@dataclass(frozen=True, kw_only=True)
class WireVerdict(Verdict):
    """``corner_radius_mm`` is the tightest inside corner, 0 where the model is sharp, None where is none.

    ``start_hole`` is None for what is started from the edge, ``start_at`` its place (model mm) on the top.
    ``passes`` are in cutting order. ``thicker`` are wires that only sharp corners rule out, thinnest first.
    """

    height_mm: float = 0.0
    taper_deg: float = 0.0
    corner_radius_mm: float | None = None
    start_hole: StartHole | None = None
    start_at: Vec3 | None = None
    passes: tuple[WirePass, ...] = ()
    thicker: tuple[Thicker, ...] = ()

    @property
    def wire(self) -> Wire | None:
        return self.tool if isinstance(self.tool, Wire) else None

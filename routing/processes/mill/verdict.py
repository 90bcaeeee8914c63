"""What milling answers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from routing.processes.protocol import Stage, Task, Verdict
from routing.processes.tools import Cutter, Drill, SideCutter, ThreadMill, Tool

MILL = "mill"


@dataclass(frozen=True)
class BoreStep:
    """One tool in one stage of a bore. Depths (mm) count along the axis from the mouth that it comes in by.

    ``to_mm`` is where its full diameter ends, short of a drill's point. ``bottom`` is "through", "point 118",
    "flat", "ball R5", "fillet R1", "cone 90" or "step" where a narrower stage goes on. A cone narrows to
    ``end_diameter_mm``. ``found_mm3`` is what it finds, ``area_mm2`` what it finishes of shaped faces.
    """

    stage: Stage
    what: str
    tool: Tool
    from_mm: float
    to_mm: float
    diameter_mm: float
    bottom: str
    end_diameter_mm: float | None = None
    found_mm3: float = 0.0
    area_mm2: float = 0.0

    @property
    def point_mm(self) -> float:
        """How far a drill's point reaches under its full diameter."""
        return self.tool.point_mm if isinstance(self.tool, Drill) and self.bottom.startswith("point") else 0.0

    @property
    def words(self) -> str:
        """For people."""
        if isinstance(self.tool, Drill):
            return f"{self.tool} to depth {self.to_mm:.4g}, {self.bottom}"
        if isinstance(self.tool, ThreadMill):
            return f"thread-mill {self.tool.designation} to depth {self.to_mm:.4g}, {self.bottom}"
        return f"{self.what} {self.diameter_mm:.4g} to depth {self.to_mm:.4g}, {self.bottom}, by {self.tool}"


@dataclass(frozen=True)
class RoughCut:
    """A cutter that roughs, and the volume that it finds."""

    tool: Cutter | SideCutter
    volume_mm3: float


@dataclass(frozen=True)
class FinishCut:
    """A cutter that finishes some faces: ``what`` is "walls", "floor", "shape" or "all"."""

    tool: Cutter | SideCutter
    what: str
    area_mm2: float


@dataclass(frozen=True)
class MillingWay:
    """The cutters of a region, in order, with minutes and money as one piece; ``tool`` fits its corners.

    ``slender`` is the most slender of them, in diameters, and ``rate_share`` what it keeps of its rate.
    """

    tool: Cutter | SideCutter
    rough: tuple[RoughCut, ...]
    finish: tuple[FinishCut, ...]
    minutes: float
    cost: float
    engagement_mm: float = 0.0
    slender: float = 0.0
    rate_share: float = 1.0

    @property
    def tools(self) -> tuple[Cutter | SideCutter, ...]:
        """Each once, in order."""
        return tuple(dict.fromkeys([*(c.tool for c in self.rough), *(c.tool for c in self.finish)]))


@dataclass(frozen=True, kw_only=True)
class MillVerdict(Verdict):
    """``reach_mm`` is how deep the tool must come, ``stick_out_mm`` how far it stands out of its holder,
    whose nose is ``holder_mm`` across; cutters have a shank of ``shank_mm`` or their own.

    ``bore`` are the steps of a bore in order; ``way`` the cutters of what is milled and ``second`` the next
    best.
    """

    reach_mm: float = 0.0
    stick_out_mm: float = 0.0
    shank_mm: float = 0.0
    holder_mm: float = 0.0
    bore: tuple[BoreStep, ...] = ()
    way: MillingWay | None = None
    second: MillingWay | None = None

    def steps_of(self, task: Task) -> Sequence[BoreStep]:
        """The steps of the bore that a task carries out."""
        return [s for s in self.bore if s.stage == task.stage and s.tool == task.tool]

"""Tools as the shop owns them: what verdicts choose, steps use and papers list. Lengths mm, angles degrees."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, runtime_checkable


@runtime_checkable
class RoundTool(Protocol):
    """Rolls along walls: ``corner_mm`` is the smallest inside corner that it leaves."""

    @property
    def corner_mm(self) -> float: ...


@dataclass(frozen=True)
class Wire:
    """``gap_mm`` is the spark gap per side of the finishing cut."""

    diameter_mm: float
    gap_mm: float

    @property
    def corner_mm(self) -> float:
        """The smallest inside corner: the wire's radius and its gap."""
        return self.diameter_mm / 2 + self.gap_mm

    def __str__(self) -> str:
        return f"wire {self.diameter_mm:g}"


@dataclass(frozen=True)
class Wheel:
    """``corner_radius_mm`` is the smallest it is dressed to; ``depth_mm`` what clears its flanges."""

    width_mm: float
    diameter_mm: float
    corner_radius_mm: float
    depth_mm: float

    def __str__(self) -> str:
        return f"wheel {self.width_mm:g} wide"


@dataclass(frozen=True)
class Cutter:
    """``kind`` is flat, ball or bull; ``reach_mm`` the depth its neck clears.

    ``measured`` tells a diameter measured on the tool from a catalogue's.
    """

    kind: str
    diameter_mm: float
    corner_radius_mm: float
    reach_mm: float
    measured: bool = False

    @property
    def radius_mm(self) -> float:
        return self.diameter_mm / 2

    @property
    def corner_mm(self) -> float:
        return self.radius_mm

    def __str__(self) -> str:
        return f"{self.diameter_mm:g} {self.kind} cutter"


@dataclass(frozen=True)
class SideCutter:
    """``kind`` is t-slot or dovetail. The head, ``head_mm`` across and ``width_mm`` high, stands on a neck.

    ``reach_mm`` is the neck's length over the head, ``angle_deg`` the one between the head's face and its
    flank: 90 on a T-slot cutter. A dovetail cutter is widest at its face.
    """

    kind: str
    head_mm: float
    width_mm: float
    neck_mm: float
    reach_mm: float
    angle_deg: float = 90.0

    @property
    def diameter_mm(self) -> float:
        return self.head_mm

    @property
    def corner_mm(self) -> float:
        return self.head_mm / 2

    def __str__(self) -> str:
        return f"{self.head_mm:g} {self.kind} cutter"


@dataclass(frozen=True)
class Drill:
    diameter_mm: float

    def __str__(self) -> str:
        return f"drill {self.diameter_mm:.3g}"


@dataclass(frozen=True)
class ThreadMill:
    """``diameter_mm`` of the thread it mills, not its own."""

    designation: str
    diameter_mm: float

    def __str__(self) -> str:
        return f"thread mill for {self.designation}"


@dataclass(frozen=True)
class Electrode:
    """``gap_mm`` per side; ``kind`` is rough, finish or last."""

    kind: str
    gap_mm: float

    def __str__(self) -> str:
        return f"{self.kind} electrode, gap {self.gap_mm:g}"


@dataclass(frozen=True)
class HandTool:
    """What the bench uses."""

    name: str

    def __str__(self) -> str:
        return self.name


Tool = Wire | Wheel | Cutter | SideCutter | Drill | ThreadMill | Electrode | HandTool

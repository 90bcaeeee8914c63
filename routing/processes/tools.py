"""Tools as the shop owns them: what verdicts choose, steps use and papers list. Lengths mm, angles degrees."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

Contradictions = Iterator[tuple[str, str]]  # the field that is wrong, and why: what it may be

_SIZES_MM = 1e-3  # two sizes closer than this are one: a toolroom measures no finer


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

    @property
    def kerf_mm(self) -> float:
        """The narrowest gap that it cuts."""
        return self.diameter_mm + 2 * self.gap_mm

    def contradictions(self) -> Contradictions:
        if self.gap_mm >= self.diameter_mm:
            yield "gap_mm", f"write less than the wire's own {self.diameter_mm:g}"

    def __str__(self) -> str:
        return f"wire {self.diameter_mm:g}"


@dataclass(frozen=True)
class Wheel:
    """``corner_radius_mm`` is the smallest it is dressed to; ``depth_mm`` what clears its flanges."""

    width_mm: float
    diameter_mm: float
    corner_radius_mm: float
    depth_mm: float

    def contradictions(self) -> Contradictions:
        if self.corner_radius_mm > self.width_mm / 2:
            yield "corner_radius_mm", f"write at most half the width, {self.width_mm / 2:g}"
        if self.depth_mm >= self.diameter_mm / 2:
            yield "depth_mm", f"write less than the wheel's radius, {self.diameter_mm / 2:g}"

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

    def contradictions(self) -> Contradictions:
        of_a_ball = math.isclose(self.corner_radius_mm, self.radius_mm, abs_tol=_SIZES_MM)
        if self.kind == "ball" and not of_a_ball:
            yield "corner_radius_mm", f"a ball has half its diameter: write {self.radius_mm:g}"
        if self.kind != "ball" and (of_a_ball or self.corner_radius_mm > self.radius_mm):
            yield "corner_radius_mm", f"a {self.kind} cutter has less than its radius, {self.radius_mm:g}"
        if self.kind == "bull" and not self.corner_radius_mm:
            yield "corner_radius_mm", "a cutter without one is flat"

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

    def contradictions(self) -> Contradictions:
        square = self.angle_deg == 90
        if square == (self.kind == "dovetail"):
            yield "angle_deg", f"a {self.kind} cutter has {'less than 90' if square else '90'}"
        top_mm = self.head_mm - (0 if square else 2 * self.width_mm / math.tan(math.radians(self.angle_deg)))
        if self.neck_mm > top_mm + _SIZES_MM or self.neck_mm >= self.head_mm:
            yield "neck_mm", f"the head is {top_mm:.3g} where it stands on its neck: write less"

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

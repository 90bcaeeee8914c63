"""Tools in words, the same on every paper."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from routing.processes.tools import Cutter, Drill, SideCutter, ThreadMill, Tool, Wheel, Wire


@runtime_checkable
class _Across(Protocol):
    """A tool with one size across."""

    @property
    def diameter_mm(self) -> float: ...


def kind_of(tool: Tool) -> str:
    """What it is, in the trade's words: "drill", "flat cutter", "wheel"."""
    if isinstance(tool, Cutter | SideCutter):
        return f"{getattr(tool, 'form', tool.kind)} cutter"
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", type(tool).__name__).lower()


@dataclass(frozen=True)
class Measured:
    """One measure of a tool, as it stands on it."""

    name: str
    value: float

    def __str__(self) -> str:
        unit = "°" if self.name.endswith("_deg") else ""
        word = self.name.removesuffix("_mm").removesuffix("_deg").replace("_", " ")
        return f"{word} {self.value:.4g}{unit}"


# What of each tool a person looks for in the drawer, in this order.
_SIZES: tuple[tuple[type, tuple[str, ...]], ...] = (
    (Wheel, ("width_mm", "diameter_mm", "corner_radius_mm")),
    (Cutter, ("diameter_mm", "corner_radius_mm", "tip_mm", "tip_deg")),
    (SideCutter, ("head_mm", "width_mm", "neck_mm", "angle_deg")),
    (Wire, ("diameter_mm",)),
    (Drill, ("diameter_mm", "point_deg")),
    (ThreadMill, ("diameter_mm",)),
)


def sizes_of(tool: Tool) -> Sequence[Measured]:
    """Its measures, those that it has and that are not 0."""
    names = next((names for kind, names in _SIZES if isinstance(tool, kind)), ("diameter_mm", "gap_mm"))
    return [Measured(n, v) for n in names if isinstance(v := getattr(tool, n, None), int | float) and v]


def diameter_of(tool: Tool | None) -> float | None:
    return float(tool.diameter_mm) if isinstance(tool, _Across) else None

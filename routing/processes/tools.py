"""Tools as the shop owns them: what verdicts choose, steps use, papers list. Lengths mm, angles degrees."""

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
    """``gap_mm`` is the spark gap per side of the finishing cut; a spool of ``spool_m`` costs ``price``."""

    diameter_mm: float
    gap_mm: float
    spool_m: float = 0.0
    price: float = 0.0

    def cost_of(self, length_m: float) -> float:
        """Money for so much of it, 0 where its spool is not known: it runs through once."""
        return length_m / self.spool_m * self.price if self.spool_m > 0 else 0.0

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
    """``corner_radius_mm`` is the smallest it is dressed to; ``depth_mm`` what clears its flanges.

    A new one costs ``price`` and has ``layer_mm`` of grit that can be dressed away, on the radius.
    """

    width_mm: float
    diameter_mm: float
    corner_radius_mm: float
    depth_mm: float
    layer_mm: float = 0.0
    price: float = 0.0

    def cost_of(self, dressed_mm: float) -> float:
        """Money for so much of its grit, 0 where its layer is not known."""
        return dressed_mm / self.layer_mm * self.price if self.layer_mm > 0 else 0.0

    def contradictions(self) -> Contradictions:
        if self.corner_radius_mm > self.width_mm / 2:
            yield "corner_radius_mm", f"write at most half the width, {self.width_mm / 2:g}"
        if self.depth_mm >= self.diameter_mm / 2:
            yield "depth_mm", f"write less than the wheel's radius, {self.diameter_mm / 2:g}"
        if self.layer_mm >= self.diameter_mm / 2:
            yield "layer_mm", f"write less than the wheel's radius, {self.diameter_mm / 2:g}"

    def __str__(self) -> str:
        return f"wheel {self.width_mm:g} wide"


@dataclass(frozen=True)
class Cutter:
    """A cutter or grinding pin; ``form`` is flat, bull, ball or chamfer, ``kind`` one of the shop's kinds.

    ``diameter_mm`` is measured on the tool, ``neck_mm`` the length of its neck and ``flute_mm`` of what
    cuts, both from the tip. The neck is ``neck_under_mm`` under the cutting diameter, per side; the coating
    is ``coating_mm`` thick and extends ``coating_up_mm`` up the shank. ``stick_out_mm`` is the least that
    stands out of the holder. It lasts ``life_min`` and costs ``price``. A chamfer cutter is ``tip_mm``
    across its tip and has ``tip_deg`` between its flanks.
    """

    form: str
    diameter_mm: float
    corner_radius_mm: float
    neck_mm: float
    kind: str = "coated cutter"
    flutes: int = 2
    flute_mm: float = 0.0
    neck_under_mm: float = 0.0
    coating_mm: float = 0.0
    coating_up_mm: float = 0.0
    stick_out_mm: float = 0.0
    life_min: float = 60.0
    price: float = 0.0
    tip_mm: float = 0.0
    tip_deg: float = 0.0

    @property
    def radius_mm(self) -> float:
        return self.diameter_mm / 2

    @property
    def corner_mm(self) -> float:
        return self.radius_mm

    @property
    def reach_mm(self) -> float:
        """The depth that its neck clears; no more than it cuts where a coated neck would rub on the wall."""
        rubs = self.neck_under_mm <= self.coating_mm and self.coating_up_mm > self.flute_mm
        return self.flute_mm if rubs else self.neck_mm

    def contradictions(self) -> Contradictions:
        of_a_ball = math.isclose(self.corner_radius_mm, self.radius_mm, abs_tol=_SIZES_MM)
        if self.form == "ball" and not of_a_ball:
            yield "corner_radius_mm", f"a ball has half its diameter: write {self.radius_mm:g}"
        if self.form != "ball" and (of_a_ball or self.corner_radius_mm > self.radius_mm):
            yield "corner_radius_mm", f"a {self.form} cutter has less than its radius, {self.radius_mm:g}"
        if self.form == "bull" and not self.corner_radius_mm:
            yield "corner_radius_mm", "a cutter without one is flat"
        if self.flute_mm > self.neck_mm:
            yield "flute_mm", f"it cuts no further than its neck is long, {self.neck_mm:g}"
        if (self.form == "chamfer") != (self.tip_deg > 0):
            yield "tip_deg", "a chamfer cutter has an angle, others have none"
        if self.tip_mm >= self.diameter_mm:
            yield "tip_mm", f"write less than its diameter, {self.diameter_mm:g}"

    def __str__(self) -> str:
        angle = f" {self.tip_deg:g} deg" if self.tip_deg else ""
        return f"{self.diameter_mm:g} {self.form}{angle} {self.kind}"


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
    """``point_deg`` is the angle of its point, ``length_mm`` how deep it drills (0: not known)."""

    diameter_mm: float
    point_deg: float = 118.0
    length_mm: float = 0.0

    @property
    def point_mm(self) -> float:
        """Height of its point: the radius over the tangent of half the angle."""
        return self.diameter_mm / 2 / math.tan(math.radians(self.point_deg / 2))

    def __str__(self) -> str:
        return f"drill {self.diameter_mm:.4g}"


@dataclass(frozen=True)
class BoringHead:
    """Set to one diameter; it sizes a bore that is there already."""

    diameter_mm: float

    def __str__(self) -> str:
        return f"boring head set to {self.diameter_mm:.6g}"


@dataclass(frozen=True)
class ThreadMill:
    """``diameter_mm`` of the thread it mills, not its own."""

    designation: str
    diameter_mm: float

    def __str__(self) -> str:
        return f"thread mill for {self.designation}"


@dataclass(frozen=True)
class TubeElectrode:
    """A tube that erodes a hole; ``diameter_mm`` is the hole's."""

    diameter_mm: float

    def __str__(self) -> str:
        return f"tube electrode for {self.diameter_mm:.4g}"


@dataclass(frozen=True)
class ElectrodeSet:
    """Those of one feature, made for this part: the list of electrodes has each with its sizes."""

    def __str__(self) -> str:
        return "electrodes of the list"


@dataclass(frozen=True)
class HandTool:
    """What the bench uses."""

    name: str

    def __str__(self) -> str:
        return self.name


Tool = (
    Wire
    | Wheel
    | Cutter
    | SideCutter
    | Drill
    | BoringHead
    | ThreadMill
    | TubeElectrode
    | ElectrodeSet
    | HandTool
)

"""Inserts with keys written by hand: what a die maker would find, who makes it, in what order, with what.

A key names sides as a person does: "working", "mounting", "side". It was written from the drawing of the
insert, before the program was asked; sizes in mm. Those of "both mouths", "not drills", "two traverses",
"crossed" and "stepped disc" were corrected after its answer was seen, "long traverses" was written after that
of "two traverses". What the trade does without a rule anyone prints is common practice.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import cadquery as cq


@dataclass(frozen=True)
class Row:
    """``count`` features alike. ``dims`` are those of the drawing that the name asks for.

    ``pieces`` are the processes of its parts, each with the side it is made from, where it has several.
    """

    kind: str
    process: str
    dims: Mapping[str, float] = field(default_factory=dict)
    count: int = 1
    pieces: tuple[tuple[str, str], ...] = ()
    thread: str = ""
    tools: tuple[str, ...] = ()  # words that must stand among its tools


@dataclass(frozen=True)
class Insert:
    """``working`` is the direction of the working side. ``setups`` are (process, side up) in order.

    ``order`` are steps (stage, process), each before the next; others may stand between.
    """

    name: str
    build: Callable[[], cq.Workplane]
    rows: tuple[Row, ...]
    setups: tuple[tuple[str, str], ...]
    order: tuple[tuple[str, str], ...]
    working: tuple[float, float, float] = (0.0, 0.0, 1.0)
    choices: Mapping[str, object] = field(default_factory=dict)
    threads: Mapping[str, str] = field(default_factory=dict)
    given: Callable[[], cq.Workplane] | None = None  # the blank, where it is one with features


WIRE, GRIND, MILL, ERODE = "wire", "surface grind", "mill", "sink-erode"
NONE = "none"


def block(x: float, y: float, z: float) -> cq.Workplane:
    """Top at z, foot at 0, middle over the origin."""
    return cq.Workplane().box(x, y, z, centered=(True, True, False))


def disc(diameter: float, height: float) -> cq.Workplane:
    return cq.Workplane().circle(diameter / 2).extrude(height)


def cone(x: float, y: float, z: float, radius: float, length: float, up: bool) -> cq.Workplane:
    """Base at z, its tip ``length`` above or below."""
    solid = cq.Solid.makeCone(radius, 0, length, cq.Vector(x, y, z), cq.Vector(0, 0, 1 if up else -1))
    return cq.Workplane(solid)


def hole(x: float, y: float, diameter: float, low: float, high: float) -> cq.Workplane:
    return cq.Workplane("XY", origin=(x, y, low)).circle(diameter / 2).extrude(high - low)


def drilled(x: float, y: float, diameter: float, top: float, depth: float) -> cq.Workplane:
    """Blind from above, with a drill's point of 118 degrees below its depth."""
    from math import radians, tan

    point = cone(x, y, top - depth, diameter / 2, diameter / 2 / tan(radians(59)), up=False)
    return hole(x, y, diameter, top - depth, top + 1).union(point)


def bevel(x: float, y: float, diameter: float, z: float, size: float, up: bool) -> cq.Workplane:
    """A 45 degree sink of ``size`` at a mouth at height z; ``up`` is where the mouth looks."""
    way = 1 if up else -1
    radius = diameter / 2 + size
    solid = cq.Solid.makeCone(radius, 0, radius, cq.Vector(x, y, z), cq.Vector(0, 0, -way))
    return cq.Workplane(solid)

"""Blocks with undercuts of known sizes, working side up: n neck, h head, k head height, d depth."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cadquery as cq

LENGTH, WIDTH, HEIGHT = 60.0, 40.0, 20.0
# Where a slot's head ends: (from, to) along x. Open ends lie outside the block.
THROUGH, ONE_END, CLOSED = (-40.0, 40.0), (-10.0, 40.0), (-20.0, 20.0)


def block() -> cq.Workplane:
    return cq.Workplane().box(LENGTH, WIDTH, HEIGHT, centered=(True, True, False))


def _prism(profile: Sequence[tuple[float, float]], ends: tuple[float, float]) -> cq.Workplane:
    """A profile (y, z) along x."""
    return cq.Workplane("YZ").polyline(profile).close().extrude(ends[1] - ends[0]).translate((ends[0], 0, 0))


def tee(
    ends: tuple[float, float],
    n: float = 6,
    h: float = 12,
    k: float = 4,
    d: float = 9,
    *,
    square: bool = False,
) -> cq.Workplane:
    """A T-slot as a cutter leaves it: each closed end round, in the head and in the neck; or square."""
    floor = HEIGHT - d
    if square:
        half, neck = h / 2, n / 2
        right = [(half, floor), (half, floor + k), (neck, floor + k), (neck, HEIGHT + 1)]
        return block().cut(_prism([*right, *((-y, z) for y, z in reversed(right))], ends))
    head = cq.Workplane(origin=(0, 0, floor)).center(sum(ends) / 2, 0).slot2D(ends[1] - ends[0], h).extrude(k)
    shaft = ends[1] - ends[0] - (h - n)
    neck_ = cq.Workplane(origin=(0, 0, floor)).center(sum(ends) / 2, 0).slot2D(shaft, n).extrude(d + 1)
    return block().cut(head).cut(neck_)


def plunged(n: float = 6, h: float = 12, k: float = 4, d: float = 9) -> cq.Workplane:
    """A closed T-slot with the round place where its cutter goes down, as wide as the head."""
    start = CLOSED[0] + h / 2
    hole = cq.Workplane(origin=(start, 0, HEIGHT - d)).circle(h / 2).extrude(d + 1)
    return tee(CLOSED, n, h, k, d).cut(hole)


def dovetail(ends: tuple[float, float], n: float = 8, d: float = 5, angle_deg: float = 60) -> cq.Workplane:
    neck, half = n / 2, n / 2 + d / math.tan(math.radians(angle_deg))
    right = [(half, HEIGHT - d), (neck, HEIGHT), (neck, HEIGHT + 1)]
    return block().cut(_prism([*right, *((-y, z) for y, z in reversed(right))], ends))


def _pocket() -> cq.Workplane:
    """30 x 20, 12 deep, corners of 4."""
    return cq.Workplane(origin=(0, 0, 8)).rect(30, 20).extrude(20).edges("|Z").fillet(4)


def wall_groove() -> cq.Workplane:
    """A groove 14 long, 3 wide and 2 deep in one wall of a pocket, 3 over its floor."""
    return block().cut(_pocket()).cut(cq.Workplane(origin=(0, 8, 11)).rect(14, 8).extrude(3))


def ring_groove() -> cq.Workplane:
    """A groove 3 wide and 2 deep all round the walls of a pocket, 3 over its floor."""
    return (
        block()
        .cut(_pocket())
        .cut(cq.Workplane(origin=(0, 0, 11)).rect(34, 24).extrude(3).edges("|Z").fillet(6))
    )


def bored(bore_mm: float = 20, depth_mm: float = 2, width_mm: float = 3, *, at_mm: float = 8) -> cq.Workplane:
    """A through bore in the middle with a turned groove ``at_mm`` over the mounting side."""
    body = block().cut(cq.Workplane().circle(bore_mm / 2).extrude(HEIGHT))
    return body.cut(cq.Workplane(origin=(0, 0, at_mm)).circle(bore_mm / 2 + depth_mm).extrude(width_mm))


def shaft(
    diameter_mm: float = 20, depth_mm: float = 2, width_mm: float = 3, *, over_mm: float = 4
) -> cq.Workplane:
    """A round boss 12 high on a flange of 40, with a groove ``over_mm`` over the flange."""
    body = cq.Workplane().circle(20).extrude(8).union(cq.Workplane().circle(diameter_mm / 2).extrude(20))
    inner, outer = diameter_mm / 2 - depth_mm, diameter_mm / 2 + 1
    return body.cut(cq.Workplane(origin=(0, 0, 8 + over_mm)).circle(outer).circle(inner).extrude(width_mm))

"""Discs and rings: bought round, held by their round."""

from __future__ import annotations

import math

import cadquery as cq

from inserts import GRIND, MILL, NONE, WIRE, Insert, Row, bevel, disc, drilled, hole


def lobed_die() -> cq.Workplane:
    """A compaction die: a bore of four lobes right through, its mouth above led in."""
    solid = disc(70, 30).cut(hole(0, 0, 16, -1, 31))
    for k in range(4):
        a = k * math.pi / 2
        solid = solid.cut(hole(7 * math.cos(a), 7 * math.sin(a), 6, -1, 31))
    return solid


LOBED_DIE = Insert(
    "lobed die",
    lobed_die,
    rows=(
        Row("through profile", WIRE, tools=("wire",)),
        Row("outside face", NONE, count=3),
    ),
    setups=((GRIND, "all"), ("sink-erode", "working"), (WIRE, "working")),
    order=(("start hole", "sink-erode"), ("wire", WIRE), ("inspect", "inspect")),
    choices={"material": "carbide-12", "blank": "disc"},
)


def stepped_disc() -> cq.Workplane:
    """A button: bore with a counterbore above, four tapped holes around it from below."""
    solid = disc(56, 22).cut(hole(0, 0, 12, -1, 23)).cut(hole(0, 0, 18, 22 - 4, 23))
    for k in range(4):
        a = math.pi / 4 + k * math.pi / 2
        under = drilled(0, 0, 4.2, 0, 10).rotate((0, 0, 0), (1, 0, 0), 180)
        relief = bevel(0, 0, 4.2, 0, 0.5, up=False)
        solid = solid.cut(under.union(relief).translate((20 * math.cos(a), 20 * math.sin(a), 0)))
    return solid


STEPPED_DISC = Insert(
    "stepped disc",
    stepped_disc,
    rows=(
        Row(
            "hole",
            MILL,
            {"diameter_mm": 12, "depth_mm": 22},
            pieces=((MILL, "working"),),
        ),
        Row("threaded hole", MILL, {"diameter_mm": 4.2, "depth_mm": 10}, count=4, thread="M5"),
        Row("outside face", NONE, count=3),
    ),
    setups=((GRIND, "all"), (MILL, "mounting"), (MILL, "working")),
    order=(("drill", MILL), ("thread", MILL), ("inspect", "inspect")),
    choices={"material": "steel-60hrc", "blank": "disc"},
    threads={
        "4.2": "M5",
        "12": "plain",
    },  # 12 is M14's tap drill too: the drawing tells
)


def keyed_ring() -> cq.Workplane:
    """A ring with one keyway in its bore."""
    solid = disc(60, 18).cut(hole(0, 0, 26, -1, 19))
    return solid.cut(cq.Workplane().box(6, 6, 60).translate((0, 14, 9)))


KEYED_RING = Insert(
    "keyed ring",
    keyed_ring,
    rows=(Row("through profile", WIRE), Row("outside face", NONE, count=3)),
    setups=((GRIND, "all"), (MILL, "working"), (WIRE, "working")),
    order=(("start hole", MILL), ("wire", WIRE), ("inspect", "inspect")),
    choices={"material": "steel-60hrc", "blank": "disc"},
)

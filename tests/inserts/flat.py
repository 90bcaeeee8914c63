"""Blocks and plates."""

from __future__ import annotations

import cadquery as cq

from inserts import ERODE, GRIND, MILL, WIRE, Insert, Row, bevel, block, drilled, hole


def both_mouths() -> cq.Workplane:
    """A guide bore chamfered at both mouths, and a bolt hole sunk from below."""
    solid = block(60, 40, 20).cut(hole(-15, 0, 8, -1, 21))
    solid = solid.cut(bevel(-15, 0, 8, 20, 0.5, up=True)).cut(bevel(-15, 0, 8, 0, 0.5, up=False))
    return solid.cut(hole(15, 0, 6.6, -1, 21)).cut(hole(15, 0, 11, -1, 6.5))


BOTH_MOUTHS = Insert(
    "both mouths",
    both_mouths,
    rows=(
        Row(
            "hole",
            WIRE,
            {"diameter_mm": 8, "depth_mm": 20},
            pieces=((WIRE, "working"), (MILL, "working"), (MILL, "mounting")),
            tools=("wire 0.25",),
        ),
        Row("hole", MILL, {"diameter_mm": 6.6, "depth_mm": 20}, pieces=((MILL, "mounting"),)),
    ),
    setups=((GRIND, "all"), (MILL, "mounting"), (MILL, "working"), (WIRE, "working")),
    order=(
        ("square", GRIND),
        ("countersink", MILL),
        ("start hole", MILL),
        ("wire", WIRE),
        ("inspect", "inspect"),
    ),
    choices={"material": "steel-60hrc"},
)


def not_drills() -> cq.Workplane:
    """A dish, a flat counterbore and a dish with rounded foot: none of them is a drill's."""
    ball = cq.Workplane().sphere(12).translate((-25, 0, 18 + 12 - 1.5))
    solid = block(90, 40, 18).cut(ball).cut(hole(5, 0, 9.5, 18 - 4, 19))
    foot = hole(30, 0, 10, 18 - 4, 19).faces("<Z").edges().fillet(1)
    return solid.cut(foot)


NOT_DRILLS = Insert(
    "not drills",
    not_drills,
    rows=(
        Row("contoured surface", MILL, tools=("ball",)),
        Row("hole", MILL, {"diameter_mm": 9.5, "depth_mm": 4}, tools=("flat",)),
        # A hole's depth is told to where its full diameter ends: R1 above the floor.
        Row("hole", MILL, {"diameter_mm": 10, "depth_mm": 3}, tools=("bull",)),
    ),
    setups=((GRIND, "all"), (MILL, "working")),
    order=(("square", GRIND), ("rough", MILL), ("finish", MILL)),
    choices={"material": "steel-60hrc"},
)


def two_traverses() -> cq.Workplane:
    """A slot right along the block and a blind one across that does not meet it; tapped for holding."""
    return _traversed(60, 30)


def long_traverses() -> cq.Workplane:
    """The same, its blind slot long enough for a wheel to take most of it."""
    return _traversed(140, 110)


def _traversed(wide: float, blind_length: float) -> cq.Workplane:
    solid = block(80, wide, 24)
    solid = solid.cut(cq.Workplane().box(90, 8, 8).translate((0, wide / 2 - 10, 24)))
    length = blind_length + 10
    blind = cq.Workplane().box(10, length, 6).edges("|Z and >Y").fillet(2.5)
    solid = solid.cut(blind.translate((-20, blind_length - wide / 2 - length / 2, 24)))
    for x in (-30, 30):
        under = cq.Workplane("XY").union(drilled(0, 0, 5, 0, 14)).rotate((0, 0, 0), (1, 0, 0), 180)
        solid = solid.cut(under.translate((x, 0, 0)))
    return solid


# A wheel of 200 runs out 24.3 before the end of a blind slot of 30: no traverse is set up for the 5 mm left.
TWO_TRAVERSES = Insert(
    "two traverses",
    two_traverses,
    rows=(
        Row("slot", GRIND, {"width_mm": 8, "depth_mm": 4, "length_mm": 80}),
        Row("blind slot", MILL, {"width_mm": 10, "depth_mm": 3}),
        Row("threaded hole", MILL, {"diameter_mm": 5, "depth_mm": 14}, count=2, thread="M6"),
    ),
    setups=((GRIND, "all"), (MILL, "mounting"), (GRIND, "working"), (MILL, "working")),
    order=(
        ("square", GRIND),
        ("drill", MILL),
        ("thread", MILL),
        ("grind", GRIND),
        ("rough", MILL),
        ("finish", MILL),
    ),
    choices={"material": "steel-60hrc"},
    threads={"all": "M6"},
)


# Here it takes 85 of 110: some 2500 mm3 that no cutter has to.
LONG_TRAVERSES = Insert(
    "long traverses",
    long_traverses,
    rows=(
        Row("slot", GRIND, {"width_mm": 8, "depth_mm": 4, "length_mm": 80}),
        Row("blind slot", MILL, {"width_mm": 10, "depth_mm": 3, "length_mm": 110}, tools=("wheel", "flat")),
        Row("threaded hole", MILL, {"diameter_mm": 5, "depth_mm": 14}, count=2, thread="M6"),
    ),
    setups=((GRIND, "all"), (MILL, "mounting"), (GRIND, "working"), (GRIND, "working"), (MILL, "working")),
    order=(
        ("square", GRIND),
        ("drill", MILL),
        ("thread", MILL),
        ("grind", GRIND),
        ("rough", MILL),
        ("finish", MILL),
    ),
    choices={"material": "steel-60hrc"},
    threads={"all": "M6"},
)


def boss_in_reach() -> cq.Workplane:
    """A face ground as far as a boss at one end lets the wheel, the rest milled."""
    solid = block(120, 40, 20).cut(cq.Workplane().box(130, 50, 4).translate((0, 0, 20)))
    return solid.union(cq.Workplane("XY", origin=(40, 0, 18)).circle(9).extrude(2))


BOSS_IN_REACH = Insert(
    "boss in reach",
    boss_in_reach,
    rows=(Row("boss", MILL, {"diameter_mm": 18, "height_mm": 2}),),
    setups=((GRIND, "all"), (GRIND, "working"), (MILL, "working")),
    order=(("square", GRIND), ("grind", GRIND), ("rough", MILL), ("finish", MILL)),
    choices={"material": "steel-60hrc"},
)


def keyed_cone() -> cq.Workplane:
    """A conical bore right through with two keyways."""
    solid = block(60, 60, 30)
    bore = cq.Solid.makeCone(9, 6, 32, cq.Vector(0, 0, 31), cq.Vector(0, 0, -1))
    solid = solid.cut(cq.Workplane(bore))
    for turn in (0, 180):
        key = cq.Workplane().box(6, 4, 40).translate((8, 0, 15)).rotate((0, 0, 0), (0, 0, 1), turn)
        solid = solid.cut(key)
    return solid


KEYED_CONE = Insert(
    "keyed cone",
    keyed_cone,
    rows=(Row("through profile", WIRE),),
    setups=((GRIND, "all"), (MILL, "working"), (WIRE, "working")),
    order=(("square", GRIND), ("start hole", MILL), ("wire", WIRE)),
    choices={"material": "steel-60hrc"},
)


def sharp_corners() -> cq.Workplane:
    """A shallow pocket with sharp corners, which a cutter cannot leave."""
    pocket = cq.Workplane().box(24, 14, 6).translate((0, 0, 22))
    return block(60, 40, 22).cut(pocket)


SHARP_CORNERS = Insert(
    "sharp corners",
    sharp_corners,
    rows=(Row("pocket", ERODE, {"width_mm": 14, "length_mm": 24, "depth_mm": 3}),),
    setups=((GRIND, "all"), (MILL, "working"), (ERODE, "working")),
    order=(("square", GRIND), ("rough", MILL), ("erode", ERODE)),
    choices={"material": "steel-60hrc"},
)

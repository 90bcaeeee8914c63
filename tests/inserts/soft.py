"""Steel that comes soft and is hardened on the way, and a blank that has something already."""

from __future__ import annotations

import cadquery as cq

from inserts import GRIND, MILL, NONE, WIRE, Insert, Row, block, drilled, hole


def _tapped(solid: cq.Workplane, places: tuple[tuple[float, float], ...], core: float) -> cq.Workplane:
    under = drilled(0, 0, core, 0, 14).rotate((0, 0, 0), (1, 0, 0), 180)
    for x, y in places:
        solid = solid.cut(under.translate((x, y, 0)))
    return solid


def soft_plate() -> cq.Workplane:
    """A plate with tapped holes below and a pocket above."""
    solid = _tapped(block(80, 60, 25), ((-30, -20), (30, -20), (-30, 20), (30, 20)), 5)
    pocket = cq.Workplane().box(40, 20, 8).edges("|Z").fillet(5).translate((0, 0, 25))
    return solid.cut(pocket)


SOFT_PLATE = Insert(
    "soft plate",
    soft_plate,
    rows=(
        Row("pocket", MILL, {"width_mm": 20, "length_mm": 40, "depth_mm": 4, "corner_radius_mm": 5}),
        Row("threaded hole", MILL, {"diameter_mm": 5, "depth_mm": 14}, count=4, thread="M6"),
    ),
    setups=((GRIND, "all"), (MILL, "mounting"), (MILL, "working"), (GRIND, "all"), (MILL, "working")),
    order=(
        ("square", GRIND),
        ("drill", MILL),
        ("thread", MILL),
        ("harden", "bought in"),
        ("size", GRIND),
        ("finish", MILL),
        ("inspect", "inspect"),
    ),
    choices={"material": "steel-60hrc", "supplied": "soft"},
    threads={"5": "M6"},
)


def soft_die() -> cq.Workplane:
    """A die plate: an opening wired after hardening, its corners R0.5, bolt holes drilled soft."""
    opening = cq.Workplane().box(20, 12, 60).edges("|Z").fillet(0.5)
    return _tapped(block(90, 70, 28).cut(opening), ((-35, -25), (35, 25)), 6.8)


SOFT_DIE = Insert(
    "soft die",
    soft_die,
    rows=(
        Row("through profile", WIRE, {"corner_radius_mm": 0.5}),
        Row("threaded hole", MILL, {"diameter_mm": 6.8, "depth_mm": 14}, count=2, thread="M8"),
    ),
    setups=((GRIND, "all"), (MILL, "mounting"), (MILL, "working"), (GRIND, "all"), (WIRE, "working")),
    order=(
        ("square", GRIND),
        ("drill", MILL),
        ("thread", MILL),
        ("start hole", MILL),
        ("harden", "bought in"),
        ("size", GRIND),
        ("wire", WIRE),
    ),
    choices={"material": "steel-60hrc", "supplied": "soft"},
    threads={"6.8": "M8"},
)


def _slotted_blank() -> cq.Workplane:
    return block(70, 50, 24).cut(cq.Workplane().box(80, 6, 10).translate((0, -8, 24)))


def crossed() -> cq.Workplane:
    """A pocket that crosses a slot which the blank has already."""
    pocket = cq.Workplane().box(16, 30, 6).edges("|Z").fillet(4).translate((0, 0, 24))
    return _slotted_blank().cut(pocket)


CROSSED = Insert(
    "crossed",
    crossed,
    rows=(Row("slot", NONE, {"width_mm": 6}),),
    setups=((MILL, "working"),),
    order=(("rough", MILL), ("finish", MILL)),
    choices={"material": "steel-60hrc"},
    given=_slotted_blank,
)


def soft_ring_plate() -> cq.Workplane:
    """A guide plate with a wide step along one edge and two bores."""
    solid = block(100, 50, 22).cut(cq.Workplane().box(110, 30, 12).translate((0, 25, 22)))
    return solid.cut(hole(-30, -10, 12, -1, 23)).cut(hole(30, -10, 12, -1, 23))


STEPPED_PLATE = Insert(
    "stepped plate",
    soft_ring_plate,
    rows=(
        Row("step", GRIND, {"height_mm": 6, "width_mm": 15, "length_mm": 100}),
        Row("hole", WIRE, {"diameter_mm": 12, "depth_mm": 22}, count=2),
    ),
    setups=((GRIND, "all"), (MILL, "working"), (GRIND, "all"), (GRIND, "working"), (WIRE, "working")),
    order=(
        ("square", GRIND),
        ("soft rough", MILL),
        ("harden", "bought in"),
        ("size", GRIND),
        ("grind", GRIND),
        ("wire", WIRE),
    ),
    choices={"material": "steel-60hrc", "supplied": "soft"},
)

"""Milling, drilling and thread milling."""

from pathlib import Path

from routing.processes.mill.shop import MillShop
from routing.processes.rooms import Room, Sign

ROOM = Room(
    order=30,
    sign=Sign("mill", "M", "#d2691e", (45,)),
    shop=MillShop,
    defaults=Path(__file__).with_name("shop.toml"),
    process="routing.processes.mill.process:Milling",
    versatile=True,
    limits={
        **dict.fromkeys(
            (
                "corner_radius_mm",
                "tool_change_min",
                "position_min",
                "bore_min",
                "neck_under_mm",
                "coating_mm",
                "coating_up_mm",
                "price",
                "tip_mm",
                "rough",
                "wall",
                "floor",
                "corner_margin_mm",
                "mouth_chamfer_mm",
            ),
            (0.0, float("inf")),
        ),
        "angle_deg": (20.0, 90.0),
        "tip_deg": (0.0, 170.0),
        "point_deg": (60.0, 180.0),
        "thread_mill_share": (0.1, 0.95),
    },
    words={
        "cutters.form": ("flat", "bull", "ball", "chamfer"),
        "cutter_kinds.on": ("steel", "carbide", "both"),
        "side_cutters.kind": ("t-slot", "dovetail"),
    },
    may_be_empty=("side_cutters",),
)

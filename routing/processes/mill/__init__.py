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
            ("corner_radius_mm", "tool_change_min", "position_min", "bore_min"), (0.0, float("inf"))
        ),
        "angle_deg": (20.0, 90.0),
        "thread_mill_share": (0.1, 0.95),
    },
    words={"cutters.kind": ("flat", "ball", "bull"), "side_cutters.kind": ("t-slot", "dovetail")},
    may_be_empty=("side_cutters",),
)

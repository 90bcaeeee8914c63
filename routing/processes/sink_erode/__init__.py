"""Sink-erosion and its electrodes."""

from pathlib import Path

from routing.processes.rooms import Room, Sign
from routing.processes.sink_erode.shop import ErodeShop

ROOM = Room(
    order=40,
    sign=Sign(
        "sink-erode",
        "E",
        "#5b1a4b",
        (45, 135),
        caution="dielectric may burn: level, extraction and fire watch as local codes ask",
    ),
    shop=ErodeShop,
    defaults=Path(__file__).with_name("shop.toml"),
    process="routing.processes.sink_erode.process:SinkErosion",
    versatile=True,
    limits=dict.fromkeys(
        (
            "corner_radius_mm",
            "electrode_min",
            "electrode_cost",
            "cost_per_cm3",
            "wear_share",
            "rough_orbit_mm",
            "semi_orbit_mm",
            "finish_orbit_mm",
            "rough_leave_mm",
            "semi_leave_mm",
            "change_min",
            "start_hole_min",
        ),
        (0.0, float("inf")),
    ),
    words={"workpieces": ("steel", "carbide")},
    may_be_empty=("workpieces",),
)

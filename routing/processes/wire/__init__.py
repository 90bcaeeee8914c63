"""Wire erosion."""

from pathlib import Path

from routing.processes.rooms import Room, Sign
from routing.processes.wire.shop import WireShop

ROOM = Room(
    order=10,
    sign=Sign(
        "wire",
        "W",
        "#2f62a8",
        (90,),
        caution="dielectric and sparks: fumes, guards and disposal as local codes ask",
    ),
    shop=WireShop,
    defaults=Path(__file__).with_name("shop.toml"),
    process="routing.processes.wire.process:WireErosion",
    limits={
        **dict.fromkeys(
            (
                "gap_mm",
                "taper_limit_deg",
                "start_hole_clear_mm",
                "lead_mm",
                "tab_over_g",
                "slug_magnet_binder_percent",
                "lost_height_mm",
                "threading_min",
                "slug_min",
                "relief_trims",
            ),
            (0.0, float("inf")),
        ),
        "slug_friction": (0.01, 1.0),
        "wires.diameter_mm": (0.01, 1.0),
    },
)

"""Surface grinding."""

from pathlib import Path

from routing.processes.rooms import Room, Sign
from routing.processes.surface_grind.shop import GrindShop

ROOM = Room(
    order=20,
    sign=Sign(
        "surface grind",
        "G",
        "#7fc0b5",
        (0,),
        caution="grinding dust, carbide and cobalt above all, harms: wet, extracted, as local codes ask",
    ),
    shop=GrindShop,
    defaults=Path(__file__).with_name("shop.toml"),
    process="routing.processes.surface_grind.process:SurfaceGrind",
    limits={
        **dict.fromkeys(
            (
                "corner_radius_mm",
                "spark_out_passes",
                "reversal_min",
                "overrun_mm",
                "fine_mm",
                "squared_mm",
                "dress_min",
                "face_min",
            ),
            (0.0, float("inf")),
        ),
        "cross_share": (0.05, 1.0),
    },
)

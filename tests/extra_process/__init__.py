"""A whole process beside the four, in one folder: jig grinding of round bores and closed profiles."""

from pathlib import Path

from routing.processes.rooms import Room, Sign
from tests.extra_process.shop import JigShop

ROOM = Room(
    order=5,  # asked before the wire
    sign=Sign("jig grind", "J", "#8a8f2a", (30,), caution="grinding dust harms: wet, as local codes ask"),
    shop=JigShop,
    defaults=Path(__file__).with_name("shop.toml"),
    process="tests.extra_process.process:JigGrind",
    exporters=("tests.extra_process.exporter",),
)

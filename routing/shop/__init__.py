"""What the shop owns: wires, wheels, cutters, electrodes, limits and rates."""

from routing.shop.load import ShopError, load_shop
from routing.shop.materials import MaterialRule, like_binder_percent
from routing.shop.model import (
    BenchRates,
    Cutter,
    Drilling,
    Electrodes,
    ErodeRates,
    General,
    GrindRates,
    Holding,
    HoleRates,
    InspectRates,
    MillRates,
    Range,
    Rates,
    Shop,
    Wheel,
    Wire,
    WireMachine,
    WireRates,
)

__all__ = [
    "BenchRates",
    "Cutter",
    "Drilling",
    "Electrodes",
    "ErodeRates",
    "General",
    "GrindRates",
    "Holding",
    "HoleRates",
    "InspectRates",
    "MaterialRule",
    "MillRates",
    "Range",
    "Rates",
    "Shop",
    "ShopError",
    "Wheel",
    "Wire",
    "WireMachine",
    "WireRates",
    "like_binder_percent",
    "load_shop",
]

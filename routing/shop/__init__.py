"""What the shop owns: wires, wheels, cutters, electrodes, limits and rates."""

from routing.shop.load import ShopError, load_shop
from routing.shop.model import (
    Cutter,
    Drilling,
    Electrodes,
    General,
    MaterialRule,
    Rates,
    Shop,
    Wheel,
    Wire,
    WireMachine,
)

__all__ = [
    "Cutter",
    "Drilling",
    "Electrodes",
    "General",
    "MaterialRule",
    "Rates",
    "Shop",
    "ShopError",
    "Wheel",
    "Wire",
    "WireMachine",
    "load_shop",
]

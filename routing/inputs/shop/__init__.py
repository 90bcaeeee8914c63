"""The shop file: read, checked and explained."""

from routing.inputs.shop.load import ShopError, load_shop

__all__ = ["ShopError", "load_shop"]

"""Names of the stock's stages and files; nothing here loads the kernel."""

from __future__ import annotations

GROUND, WIRED, DRILLED, ROUGHED = "as ground", "as wired", "as drilled", "as rough milled"
STEMS = {
    GROUND: "ground_stock",
    WIRED: "stock_wired",
    DRILLED: "stock_drilled",
    ROUGHED: "stock_rough_milled",
}
MESH_3MF = "ground_stock.3mf"
DRAWING = "roughing.svg"
FILES = (*(f"{stem}.{end}" for stem in STEMS.values() for end in ("step", "stl")), MESH_3MF, DRAWING)

"""Names of the stock's files; nothing here loads the kernel."""

from __future__ import annotations

GROUND_STEM = "ground_stock"
FOLDER = "stock"
MESH_3MF = f"{GROUND_STEM}.3mf"
DRAWING = "roughing.svg"
FILES = (
    *(f"{GROUND_STEM}.{end}" for end in ("step", "stl", "3mf")),
    *(f"[0-9][0-9]-[0-9][0-9]-*.{end}" for end in ("step", "stl")),
    DRAWING,
)


def stem(setup: int, step: int, name: str) -> str:
    """Of a body in the folder ``FOLDER``, in the plan's order: "02-03-wire"."""
    return f"{setup:02}-{step:02}-{name.replace(' ', '-')}"

"""Cautions, and whatever of the route file has no section of its own."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

from routing.export.report.blocks import (
    Block,
    Section,
    Text,
    general,
    words_of,
)
from routing.export.report.main_sections import Content

# Every key with a section of its own; any other is shown by the general form.
KNOWN = frozenset(
    (
        "version",
        "part",
        "features",
        "doubts",
        "operations",
        "edges",
        "flags",
        "stock",
        "estimate",
        "holes",
        "wire",
        "left_behind",
        "setups",
        "fragile",
        "tools",
        "grinding",
        "electrodes",
        "drawing",
        "dry_run",
        "cheaper",
    )
)


def others(content: Content) -> Iterator[Section]:
    """What other hand-overs say, key by key."""
    for key, value in content.items():
        if key not in KNOWN and (blocks := general(value)):
            yield Section(words_of(key).capitalize(), tuple(blocks))


def cautions(*, small: bool = False) -> Section:
    """The text of docs/cautions.md, which travels with the program; small on what lies at a machine."""
    blocks: list[Block] = []
    for part in _cautions_text().split("\n- "):
        words = " ".join(part.replace("**", "").split())
        blocks.append(
            Text(
                words.removeprefix("# Cautions").strip(), ("note" if small else "item") if blocks else "plain"
            )
        )
    return Section("Cautions", tuple(blocks))


def _cautions_text() -> str:
    packed = files("routing.export.report").joinpath("cautions.md")
    if packed.is_file():
        return packed.read_text(encoding="utf-8")
    return (Path(__file__).parents[3] / "docs" / "cautions.md").read_text(encoding="utf-8")

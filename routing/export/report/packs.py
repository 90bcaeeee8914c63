"""A short pack for each reader, of the same sections as the report: what each needs at the bench, no more."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from routing.export.report.blocks import Report, Section
from routing.export.report.setup_sheets import is_machined


@dataclass(frozen=True)
class Pack:
    """``reader`` names it in words, ``stem`` its files."""

    reader: str
    stem: str
    report: Report


def stem_of(reader: str) -> str:
    return f"pack_{re.sub(r'[^a-z0-9]+', '_', reader.lower()).strip('_')}"


def readers(setups: Sequence[Mapping[str, object]]) -> list[str]:
    """Those who get a pack: the die maker, each machine that the route uses, the bench, who quotes."""
    machines = [str(s["process"]) for s in setups if is_machined(s)]
    return ["die maker", *dict.fromkeys(machines), "traveller", "quote"]


def pack(reader: str, title: str, head: tuple[tuple[str, str], ...], sections: Iterator[Section]) -> Pack:
    words = {"quote": "Quote", "traveller": "Shop traveller"}.get(reader, f"Pack: {reader}")
    made = Report(title, head, tuple(sections), words)
    return Pack(reader, stem_of(reader), made)

"""The customer's drawing in the report: what it says, what came of it, and what it leaves open."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from routing.export.report.blocks import Block, Pictures, Section, Table, Text, clean
from routing.export.report.drawing import Drawing, Line, Raster

_WIDE_MM = 62.0
_FRAME = "#b9bec4"  # a rule of the papers: where one spot ends and the next begins


def drawing(content: Mapping[str, Any], folder: Path) -> Section | None:
    """None for a part without a drawing. The pictures are those that ``folder`` holds."""
    said = content.get("drawing")
    if said is None:
        return None
    words = f"Read from {clean(said['file'])} ({said['read_as']}, {'inches' if said['inches'] else 'mm'})."
    if said["read_as"] == "scan":
        words += " A scan is read by Tesseract, which errs: compare each callout with the sheet."
    blocks: list[Block] = [Text(words)]
    whole = [(k, clean(v)) for k, v in said["title"].items()]
    whole += [(n["about"], clean(n["text"])) for n in said["notes"]]
    if whole:
        blocks.append(Table(("of the whole part", "as the drawing says"), tuple(whole), (2, 5)))
    rows = tuple(
        (clean(c["text"]), str(c["count"]), ", ".join(c["features"]) or "-", c["came_to"])
        for c in said["callouts"]
        if c["came_to"] != "noted"
    )
    if rows:
        blocks.append(Table(("callout", "count", "features", "came to"), rows, (5, 1, 4, 1.5)))
    if said["questions"]:
        blocks.append(Text("Questions to whoever drew it. Nothing was settled by these.", "alert"))
    shown = []
    for n, q in enumerate(said["questions"], 1):
        blocks.append(Text(f"{n}. {clean(q['question'])}", "item"))
        if q["picture"] and (picture := _picture(folder / q["picture"], q["question"])) is not None:
            shown.append((picture, f"to question {n}"))
    if shown:
        blocks.append(Pictures(tuple(shown), 2))
    return Section("Drawing", tuple(blocks))


def _picture(file: Path, words: str) -> Drawing | None:
    if not file.is_file():
        return None
    data = file.read_bytes()
    wide, high = struct.unpack(">II", data[16:24])  # PNG's header (ISO/IEC 15948)
    tall = _WIDE_MM * high / wide
    frame = Line(((0, 0), (_WIDE_MM, 0), (_WIDE_MM, tall), (0, tall)), ink=_FRAME, closed=True)
    items = Raster(0, 0, _WIDE_MM, tall, data), frame
    return Drawing(_WIDE_MM, tall, items, f"The spot of the drawing: {words}")

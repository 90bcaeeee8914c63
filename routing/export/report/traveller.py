"""What goes with the part along the bench: squared and as-ground sizes, places, holding, initials."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from routing.export.report.blocks import Block, Facts, Section, Table, Text, clean, number
from routing.export.report.main_sections import Content, zeros
from routing.export.sized import size_words
from routing.processes.rooms import signs

_LINE = "________"


def traveller(content: Content, toolroom: str = "") -> Section:
    """A row to sign for each step, under its setup; a row to write in for each size that a step reaches."""
    part = content["part"]
    head = ("step", "work", "size to reach, mm", "where, from the setup's zero", "measured", "initials, date")
    rows: list[tuple[str, ...]] = []
    leads = []
    for setup in content["setups"]:
        leads.append(len(rows))
        rows += _rows(content, setup)
    blocks: list[Block] = [
        Facts(
            (
                ("Part", f"{clean(part['name'])}, {clean(part['material'])}"),
                ("Toolroom", clean(toolroom) or _LINE),
                ("Piece no.", _LINE),
                ("Order", _LINE),
                ("Blank", clean(content["stock"]["blank"])),
                ("Flags read", _LINE),
            )
        ),
        *_squaring(content),
        zeros(content),
        Text(
            "Sizes are the model's; tolerances are the drawing's, which this sheet does not replace.", "note"
        ),
        Table(head, tuple(rows), (0.7, 2.4, 5, 3.6, 1.9, 2), tall=True, leads=frozenset(leads)),
    ]
    return Section("Shop traveller", tuple(blocks), new_page=True)


def _squaring(content: Content) -> Iterator[Block]:
    """What the blank is squared to, side by side."""
    x, y, z = (number(v) for v in content["part"]["box_mm"])
    is_round = content["stock"]["blank"].startswith("disc") and x == y
    shape = "round and parallel" if is_round else "square and parallel"
    over = max((p["leaves_mm"]["floor"] for p in _passes(content, "square")), default=0.0)
    lines = []
    for words, more in (("squared soft to", 2 * over), ("squared to", 0.0)):
        if more or words == "squared to":
            x, y, z = (number(v + more) for v in content["part"]["box_mm"])
            size = f"Ø{x} x {z}" if is_round else f"{x} x {y} x {z}"
            lines.append((words, f"{size}, {shape}", "", ""))
    yield Table(("blank", "size, mm", "measured", "initials, date"), tuple(lines), (2, 6, 3, 3), tall=True)


def _passes(content: Content, stage: str) -> Iterator[Mapping[str, Any]]:
    for step in (t for s in content["setups"] for t in s["steps"] if t["stage"] == stage):
        yield from step["passes"]


def _rows(content: Content, setup: Mapping[str, Any]) -> Iterator[tuple[str, ...]]:
    side = "all sides" if setup["from_side"] == "all" else f"{setup['from_side']} up"
    held = f"held by {setup['held_by']}" if setup["held_by"] != "by hand" else setup["held_by"]
    zero = setup["zero"]["kind"]
    yield f"S{setup['number']}", f"{setup['process']}, {side}", held, f"zero: {zero or 'none'}", "", ""
    by_id = {f["id"]: f for f in content["features"]}
    # The last step of a machine at each feature.
    last = {
        f: s["number"]
        for other in content["setups"]
        for s in other["steps"]
        if s["process"] in signs()
        for f in s["features"]
    }
    for step in setup["steps"]:
        yield str(step["number"]), step["stage"], " ".join(step["features"]), "", "", ""
        ground = [r for r in content.get("grinding", ()) if r["setup"] == setup["number"]]
        for f in step["features"]:
            for r in (r for r in ground if f in r["features"] and step["stage"] == "grind"):
                across = f"{r['axis']} {number(r['ground_mm'][0])} to {number(r['ground_mm'][1])}"
                size = f"{f} {r['form']} {number(r['ground_mm'][1] - r['ground_mm'][0])} wide, as ground"
                yield "", "", size, f"{across}, Z {number(r['z_ground_mm'])}", "", ""
            if last.get(f) == step["number"] and by_id[f]["dims"]:
                yield "", "", f"{f} {size_words(by_id[f])}", _where(content, setup, f), "", ""


def _where(content: Content, setup: Mapping[str, Any], feature: str) -> str:
    """A bore's place, else the heights between which a feature lies, in this setup."""
    for h in content.get("holes", {}).get("rows", ()):
        if h["feature"] == feature and h["setup"] == setup["number"]:
            return f"X {number(h['x_mm'])} Y {number(h['y_mm'])} Z {number(h['mouth_z_mm'])}"
    for p in (p for s in setup["steps"] for p in s["passes"]):
        if p["feature"] == feature:
            return f"Z {number(p['heights_mm'][0])} to {number(p['heights_mm'][1])}"
    return ""

"""What stays behind after each process, and the stock from blank to part."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from routing.export.report.blocks import (
    Block,
    Pictures,
    Section,
    Table,
    Text,
    clean,
    number,
)
from routing.export.report.drawing import Drawing, Line
from routing.export.report.main_sections import Content


def left_behind(content: Content) -> Section | None:
    """What a process would leave, where that has a shape or where it was chosen all the same."""
    entry = content.get("left_behind")
    rows = [
        (
            e["feature"],
            e["process"],
            e["because"],
            clean(e["tool"] or "-"),
            number(e["volume_mm3"], 3) if e["bodies"] else "-",
            clean(e["note"] or f"{len(e['bodies'])}, volume good to {e['bound_mm3']:.1g} mm3"),
        )
        for e in (entry["entries"] if entry else ())
        if e["bodies"] or e["because"] != "refused"
    ]
    if not entry or not rows:
        return None
    head = ("id", "process", "because it", "with", "mm3 left", "bodies")
    blocks: list[Block] = [Table(head, tuple(rows), (1, 1.6, 1.8, 4, 1.3, 4))]
    drawn = tuple(
        (
            _remainder(e["seen"], f"What the {e['process']} leaves of {e['feature']}"),
            f"{e['feature']}, {clean(e['tool'])}",
        )
        for e in entry["entries"]
        if e["seen"]
    )
    if drawn:
        blocks.append(Pictures(drawn, 3))
    if entry["file"]:
        text = f"Black stays, seen as the tool's disc rolls. Its bodies are in {clean(entry['file'])}."
        blocks.append(Text(text, "note"))
    return Section("What stays behind", tuple(blocks))


def _remainder(
    seen: Mapping[str, Any], caption: str, wide_mm: float = 56.0, high_mm: float = 40.0
) -> Drawing:
    """The feature's space in outline, what stays of it black."""
    points = np.vstack([np.array(ring) for ring in seen["space_mm"]])
    low, size = points.min(axis=0), np.maximum(np.ptp(points, axis=0), 1e-6)
    scale = float(np.min(np.array([wide_mm - 4, high_mm - 4]) / size))
    edge = (np.array([wide_mm, high_mm]) - size * scale) / 2

    def paper(ring: Any) -> tuple[tuple[float, float], ...]:
        return tuple(
            (round(float(x), 3), round(float(y), 3)) for x, y in (np.array(ring) - low) * scale + edge
        )

    inks = (("space_mm", "#8a9097", "#eceef0", "#ffffff"), ("left_mm", "#16191d", "#16191d", "#eceef0"))
    lines = [
        Line(paper(ring), 0.15, ink=ink, closed=True, fill=full if _is_outer(np.array(ring)) else hole)
        for key, ink, full, hole in inks
        for ring in seen[key]
    ]
    return Drawing(wide_mm, high_mm, tuple(lines), caption)


def _is_outer(ring: Any) -> bool:
    """Whether a ring (n, 2) runs against the clock."""
    x, y = ring.T
    return bool(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) > 0)


def stock(content: Content) -> Section:
    entry = content["stock"]
    proof, roughing = entry["proof"], entry.get("roughing")
    rows = [
        ("blank", clean(entry["blank"]), number(entry["blank_mm3"], 0)),
        ("as ground", clean(entry["ground_file"]), number(entry["ground_mm3"], 0)),
    ]
    rows += [
        (s["name"], clean(f"{s['file']} {'; '.join(s['notes'])}"), number(s["volume_mm3"], 0))
        for s in entry.get("stages", ())
        if s["name"] != "as ground"
    ]
    rows.append(("part", clean(content["part"]["source"]), number(entry["part_mm3"], 0)))
    allowance = entry["allowance_mm"]
    held = "The ground stock holds the part everywhere" if proof["holds"] else "NOT PROVEN"
    saved = proof.get("rough_saved")
    text = (
        f"{held}; allowance {number(allowance['floor'])} mm on floors, {number(allowance['wall'])} mm on "
        f"walls. Ground away {number(proof['ground_away_mm3'], 0)} mm³, left to mill "
        f"{number(proof['left_to_mill_mm3'], 0)} mm³"
        + (f": grinding saves {saved:.0%} of the roughing volume." if saved is not None else ".")
    )
    blocks: list[Block] = [Table(("stock", "file", "mm³"), tuple(rows), (2, 6, 1.5)), Text(text)]
    blocks += [Text(clean(entry["note"]))] if entry["note"] else []
    blocks += [Text(clean(fault), "alert") for fault in proof["faults"]]
    if roughing:
        paths = [
            (
                name,
                str(r["levels"]),
                number(r["cutting_mm"], 0),
                number(r["air_mm"], 0),
                number(r["volume_mm3"], 0),
                number(r["minutes"], 1),
            )
            for name, r in (
                ("from the block", roughing["block"]),
                ("from the ground stock", roughing["ground"]),
            )
        ]
        head = ("roughing", "levels", "cutting, mm", "in air, mm", "mm³", "min")
        blocks += [Table(head, tuple(paths), (3, 1, 1.4, 1.4, 1.4, 1)), Text(clean(roughing["note"]), "note")]
    floors = [
        (f["feature"], number(f["expected_mm"], 4), number(f["measured_mm"], 4), number(f["worst_mm"], 5))
        for f in proof["floors"]
    ]
    if floors:
        asked = ("ground floor of", "allowance asked, mm", "measured on the model, mm", "worst miss, mm")
        blocks.append(Table(asked, tuple(floors), (1, 1, 1, 1)))
    return Section("Stock", tuple(blocks))


def dry_run(content: Content) -> Section | None:
    """What machining the blank from the written files came to."""
    entry = content.get("dry_run")
    if not entry:
        return None
    rows = tuple(
        (f["severity"], f["feature"] or "-", clean(f["message"]))
        for f in content["flags"]
        if f["code"] == "dry-run"
    )
    found = f"findings {len(rows)}, blocking {entry['blocking']}." if rows else "the part comes out."
    words = (
        f"The blank was machined on paper from the files of this folder, step by step: {found} "
        "Feeds, forces and what falls are not known to it."
    )
    table = [Table(("weight", "about", "what"), rows, (1.2, 1, 10))] if rows else []
    return Section("Dry run", (Text(words), *table))

"""A row for each tool of a bore, and what the wire machine reads: start holes, passes, slugs."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from featurize.standards.threads import parse
from routing.export.report.blocks import (
    Block,
    Section,
    Table,
    Text,
    clean,
    number,
)
from routing.export.report.main_sections import Content


def holes(content: Content, setups: Collection[int] | None = None) -> Section | None:
    """A row for each tool in each stage of a bore; of some setups alone where they are given."""
    listed = content.get("holes", {}).get("rows", ())
    own = [h for h in listed if setups is None or h["setup"] in setups]
    if not own:
        return None
    rows = []
    for h in own:
        thread = " ".join(filter(None, [h["thread"], "left-hand" if h["hand"] == "left" else h["hand"]]))
        pitch = "" if h["pitch_mm"] is None else f", pitch {number(h['pitch_mm'])}"
        full = "" if h["full_thread_mm"] is None else f", full {number(h['full_thread_mm'])}"
        ends = number(h["diameter_mm"])
        ends += "" if h["end_diameter_mm"] is None else f" to {number(h['end_diameter_mm'])}"
        rows.append(
            (
                h["feature"],
                "-" if h["setup"] is None else f"{h['setup']}.{h['step']} {h['side']}",
                clean(h["what"]),
                clean(h["tool"]) or "-",
                f"{number(h['x_mm'])} / {number(h['y_mm'])} / {number(h['mouth_z_mm'])}",
                f"Ø{ends}",
                f"{number(h['from_mm'])} to {number(h['to_mm'])}, {h['bottom']}",
                f"{thread}{pitch}{full}" or "-",
            )
        )
    head = (
        "id",
        "setup.step, side",
        "work",
        "tool",
        "X / Y / mouth Z, mm",
        "Ø, mm",
        "depth, mm; bottom",
        "thread",
    )
    blocks: list[Block] = [Table(head, tuple(rows), (0.8, 1.5, 1.6, 2.5, 2.7, 1.3, 2.8, 3))]
    threads = [h for h in own if h["thread"] and h["hand"]]
    checks = {gauge(h["thread"], h["diameter_mm"]): [] for h in threads}  # type: dict[str, list[str]]
    for h in threads:
        checks[gauge(h["thread"], h["diameter_mm"])].append(h["feature"])
    if checks:
        lines = tuple((" ".join(ids), clean(tool)) for tool, ids in checks.items())
        blocks.append(Table(("threads", "gauge"), lines, (3, 7)))
    blocks += [
        Text(f"Zero of setup {h['setup']}: {clean(h['zero'])}." if h["setup"] else clean(h["zero"]), "note")
        for h in own
        if h["zero"]
    ]
    return Section("Holes and threads", tuple(blocks))


def gauge(thread: str, diameter_mm: float) -> str:
    """What checks a hole: for threads the limits of the minor diameter too (ISO 965-1 6H, ASME B1.1 2B)."""
    if not thread:
        return f"pin or bore gauge {number(diameter_mm)}"
    if thread.endswith("?"):
        return "once the thread is settled"
    try:
        size, left = parse(thread)
        low, high = size.minor_limits_mm
    except ValueError:
        return f"thread plug gauge {clean(thread)}, go and no-go"
    fit = "2B" if size.unified else "6H"
    name = f"{size.designation}-{fit}" + (" LH" if left else "")
    return f"thread plug gauge {name}, go and no-go; pins {low:.3f} go, {high:.3f} no-go"


def wire(content: Content, setups: Collection[int] | None = None) -> Section | None:
    """The wire's passes and start holes; of some setups alone where they are given."""
    entry = _of_setups(content.get("wire"), setups)
    if not entry:
        return None
    blocks: list[Block] = []
    starts = tuple(_start_hole(s) for s in entry.get("start_holes") or ())
    if starts:
        head = ("id", "setup", "X / Y, mm", "Z from / to, mm", "Ø, mm", "made by", "problem", "drawing")
        blocks += [Table(head, starts, (1, 0.8, 2, 1.8, 1, 1.4, 3, 3)), Text(clean(entry["zero"]), "note")]
    passes = tuple(_wire_pass(p) for p in entry.get("passes") or ())
    if passes:
        head = (
            "path",
            "pass",
            "Z from / to, mm",
            "angle, deg",
            "wire Ø, offset, mm",
            "cuts",
            "lead meets, X / Y, mm",
            "min",
        )
        blocks.append(Table(head, passes, (1, 1.6, 1.9, 1, 2.6, 1.8, 4, 1)))
        text = f"{entry['sheet']} has every number of the passes; the drawings have their outlines, by layer."
        blocks.append(Text(clean(text), "note"))
    slugs = tuple((c["name"], _slug(c["slug"])) for c in entry.get("cuts") or () if c["slug"])
    if slugs:
        blocks.append(Table(("path", "slug, an estimate"), slugs, (1, 12)))
    if entry.get("caution"):
        blocks.append(Text(clean(entry["caution"]), "alert"))
    return Section("Wire and start holes", tuple(blocks)) if blocks else None


def _of_setups(entry: Any, setups: Collection[int] | None) -> Any:
    """A key of the route file with the rows of some setups; None where there are none."""
    if not entry or setups is None:
        return entry
    kept = {
        k: [r for r in v if r.get("setup") in setups]
        if isinstance(v, list) and v and isinstance(v[0], Mapping)
        else v
        for k, v in entry.items()
    }
    return kept if any(isinstance(v, list) and v for v in kept.values()) else None


def _start_hole(entry: Content) -> tuple[str, ...]:
    return (
        entry["name"],
        str(entry["setup"]),
        f"{number(entry['x_mm'])} / {number(entry['y_mm'])}",
        f"{number(entry['from_z_mm'])} / {number(entry['to_z_mm'])}",
        "-" if entry["diameter_mm"] is None else number(entry["diameter_mm"]),
        clean(entry["by"]),
        clean(entry["problem"] or "-"),
        clean(entry["file"]),
    )


def _wire_pass(entry: Content) -> tuple[str, ...]:
    trims = f"{entry['trims']} trim{'' if entry['trims'] == 1 else 's'}"
    main = len(entry["speeds"]) > entry["trims"]
    x, y = entry["lead"]["upper_mm"][-1]
    return (
        entry["cut"],
        f"{entry['number']} {entry['makes']}",
        " / ".join(number(z) for z in entry["heights_mm"]),
        number(entry["angle_deg"], 3),
        f"{number(entry['wire_mm'])}, {number(entry['offset_mm'], 4)} {entry['side']}",
        f"1 and {trims}" if main else trims,
        f"{number(x)} / {number(y)}, {clean(entry['lead']['meets'])}",
        number(entry["minutes"], 1),
    )


def _slug(entry: Content) -> str:
    lines = [clean(entry["fall"])]
    lines += [f"{number(entry['mass_g'], 1)} g"] if entry["mass_g"] else []
    lines += ["may jam"] if entry["may_jam"] else []
    lines += ["leave a tab"] if entry["tab"] else []
    return ", ".join([*lines, *map(clean, entry["notes"])])

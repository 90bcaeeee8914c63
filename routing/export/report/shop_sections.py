"""Sections for the bench: holes and threads, wire, stock, inspection, estimate, cautions, traveller."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from featurize.standards.threads import parse
from routing.export.report.blocks import (
    Block,
    Pictures,
    Section,
    Table,
    Text,
    clean,
    general,
    number,
    sentence,
    sizes,
    words_of,
)
from routing.export.report.drawing import Drawing, Line
from routing.export.report.main_sections import Content, callout

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
    )
)
BY_EYE = "stereo microscope"


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


# What measures a size, by its name; the first that fits (common practice, no source).
_INSTRUMENTS = (
    ("counterbore", "calliper, depth micrometer"),
    ("corner_radius", f"radius under the {BY_EYE} or projector"),
    ("radius", "radius gauge or projector"),
    ("point_angle", "not measured: the drill's"),
    ("taper", "sine bar and dial, or projector"),
    ("angle", "sine bar and dial, or projector"),
    ("depth", "depth micrometer, or height gauge on the plate"),
    ("height", "height gauge on the plate, gauge blocks"),
    ("land", "height gauge, or projector"),
    ("diameter", "pin or bore gauge"),
    ("width", "gauge blocks or micrometer"),
    ("length", "micrometer or height gauge"),
    ("thickness", "micrometer"),
)
_SHAPED = ("contoured surface", "through profile", "outside profile")


def instrument(size: str) -> str:
    """What measures a size of a feature."""
    return next((with_what for part, with_what in _INSTRUMENTS if part in size), "calliper")


def inspection(content: Content) -> Section:
    """Grouped by instrument, so that each is fetched once for a feature."""
    rows = []
    for f in content["features"]:
        if f["thread"] and f["thread"]["designation"]:
            rows.append((f["id"], f["thread"]["designation"], gauge(f["thread"]["designation"], 0.0)))
        by_tool: dict[str, list[str]] = {}
        for name, value in f["dims"].items():
            by_tool.setdefault(instrument(name), []).extend(sizes({name: value}))
        rows += [(f["id"], "; ".join(text), tool) for tool, text in by_tool.items()]
        if f["kind"] in _SHAPED:
            rows.append((f["id"], "form", "coordinate measuring machine or projector, against the model"))
        rows += [(f["id"], callout(c), "as the drawing asks") for c in f["callouts"]]
    rows = [(one if n == 0 or rows[n - 1][0] != one else "", *rest) for n, (one, *rest) in enumerate(rows)]
    sharp = sum(e["verdict"] == "keep sharp" for e in content["edges"])
    if sharp:
        rows.append(("edges", f"{sharp} that stay sharp: no burr, no radius, no chip", f"{BY_EYE}, 20 times"))
    rows.append(
        ("part", "box " + " x ".join(map(number, content["part"]["box_mm"])), "micrometer, square, plate")
    )
    text = Text(
        "Instruments are common practice; tolerances are the drawing's, which this report does not replace.",
        "note",
    )
    return Section("Inspection", (Table(("id", "what", "with what"), tuple(rows), (1, 7, 6)), text))


def estimate(content: Content) -> Section:
    entry = content["estimate"]
    currency = clean(entry["currency"])
    minutes, low, high = (number(entry[k], 0) for k in ("minutes", "minutes_low", "minutes_high"))
    cost, least, most = (number(entry[k], 2) for k in ("cost", "cost_low", "cost_high"))
    total = (
        f"{minutes} min ({low} to {high}), {cost} {currency} ({least} to {most}), {entry['setups']} setups. "
        f"{sentence(entry['note'])}"
    )
    blocks: list[Block] = [Text(total, "alert")]
    rest = {
        key: [_brief(row) for row in value] if isinstance(value, list) else value
        for key, value in entry.items()
        if not key.startswith(("minutes", "cost")) and key not in ("currency", "setups", "note", "features")
    }
    basis = [
        (str(line.get("operation") or "-"), clean(line.get("what", "")), "; ".join(map(clean, line["basis"])))
        for line in entry.get("lines", ())
        if line.get("basis")
    ]
    blocks += general(rest)
    if basis:
        blocks += [
            Text("What each figure stands on.", "note"),
            Table(("op", "what", "basis"), tuple(basis), (0.6, 2, 13)),
        ]
    ways = list(dict.fromkeys(o["process"] for f in entry.get("features", ()) for o in f["options"]))
    options = [
        (f["feature"], *(_option(next((o for o in f["options"] if o["process"] == w), None)) for w in ways))
        for f in entry.get("features", ())
    ]
    if options:
        text = f"Each feature by each workable process, {currency} and minutes; * is the route's."
        blocks += [Text(text, "note"), Table(("id", *ways), tuple(options), (1, *(3.0 for _ in ways)))]
    return Section("Estimate", tuple(blocks))


def quote(content: Content) -> Section:
    """What it costs, by quantity and by line, what is bought for it, and what that stands on."""
    entry = content["estimate"]
    currency = clean(entry["currency"])
    total = (
        f"One piece: {entry['cost']:.2f} {currency} ({_between(entry)}), "
        f"{number(entry['minutes'], 0)} min in {entry['setups']} setups. {sentence(entry['note'])}"
    )
    blocks: list[Block] = [Text(total, "alert")]
    blocks += _batches(entry, currency)
    blocks += _ways(entry, currency)
    lines = tuple(
        (
            str(line.get("operation") or "-"),
            clean(line["what"]),
            clean(line.get("process", "")),
            number(line["minutes"], 1),
            f"{line['cost']:.2f}",
            _between(line),
        )
        for line in entry["lines"]
    )
    head = ("op", "what", "by", "min", currency, "between")
    blocks.append(Table(head, lines, (0.8, 4, 2.4, 1.2, 1.6, 2.6)))
    bought = [t for t in content.get("tools", ()) if t["setup"] is None and t["get"] == "to buy"]
    if bought:
        wanted = tuple((clean(t["tool"]), clean(t["sizes"]), " ".join(t["features"])) for t in bought)
        blocks.append(Table(("to buy", "measures", "for"), wanted, (3, 4, 4)))
    blocks.append(Text(f"Blank: {clean(content['stock']['blank'])}; {clean(content['part']['material'])}."))
    return Section("Quote", tuple(blocks))


def _between(entry: Mapping[str, Any]) -> str:
    return f"{entry['cost_low']:.2f} to {entry['cost_high']:.2f}"


def _batches(entry: Mapping[str, Any], currency: str) -> Iterator[Block]:
    rows = tuple(
        (str(q["pieces"]), number(q["minutes"], 1), f"{q['cost']:.2f}", _between(q))
        for q in entry.get("quantities") or ()
    )
    if rows:
        head = ("pieces in a batch", "min a piece", f"{currency} a piece", "between")
        yield Table(head, rows, (2, 2, 2, 3))


def _ways(entry: Mapping[str, Any], currency: str) -> Iterator[Block]:
    """What the part costs where another process takes what it can."""
    rows = tuple(
        (
            f"{clean(w['process'])} makes {' '.join(w['features'])} too",
            str(w["setups"]),
            number(w["minutes"], 1),
            f"{w['cost']:.2f}",
            _between(w),
            f"{w['more']:+.2f}",
        )
        for w in entry.get("what_if") or ()
    )
    if rows:
        head = ("another way, one piece", "setups", "min", currency, "between", "more")
        yield Table(head, rows, (4.6, 1, 1.2, 1.6, 2.6, 1.4))


def _option(entry: Mapping[str, Any] | None) -> str:
    if entry is None:
        return "-"
    return f"{entry['cost']:.2f}, {number(entry['minutes'], 1)} min{' *' if entry['chosen'] else ''}"


def _brief(row: Any) -> Any:
    """Money to the cent, minutes to the tenth; the basis has a table of its own."""
    if not isinstance(row, Mapping):
        return row
    return {
        k: round(v, 1 if "min" in k else 2) if isinstance(v, float) else v
        for k, v in row.items()
        if k != "basis"
    }


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

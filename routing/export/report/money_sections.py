"""The estimate with its basis, and the quote."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from routing.export.report.blocks import (
    Block,
    Section,
    Table,
    Text,
    clean,
    general,
    number,
    sentence,
)
from routing.export.report.main_sections import Content


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

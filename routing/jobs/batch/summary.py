"""What a batch came to, as a table and as a page: a row for each part, in the order of the files' names."""

from __future__ import annotations

import csv
import io
import os
from collections import Counter
from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import Any
from urllib.parse import quote

from routing.export.table import harmless
from routing.jobs.batch.ledger import Record, Status
from routing.jobs.errors import OutputError

CSV, HTML = "summary.csv", "summary.html"
_ESTIMATE = (
    "Minutes and prices are estimates from removed volume, area and the shop's rates; not an offer. "
    "Open flags and doubts come first: read each part's own route before work starts."
)
COLUMNS = (
    "file", "status", "part", "pieces", "material", "features", "to_settle", "operations", "setups",
    "minutes", "minutes_low", "minutes_high", "cost", "cost_low", "cost_high", "currency",
    "flags", "notes", "message", "folder",
)  # fmt: skip
_SHOWN = {
    "file": "file", "status": "status", "part": "part", "pieces": "pieces", "operations": "operations",
    "minutes": "minutes (range)", "cost": "price (range)", "flags": "flags", "remarks": "remarks",
}  # fmt: skip


def rows(records: Sequence[Record]) -> list[dict[str, Any]]:
    """A row for each part; one for a file that gave none."""
    return [
        {
            **part,
            "file": record.name,
            "status": str(record.status),
            "flags": "; ".join(part.get("flags", ())),
            "notes": "; ".join(record.notes),
            "message": record.message,
            "folder": (Path(record.folder) / part.get("part_folder", ".")).as_posix()
            if record.status.routed
            else "",
        }
        for record in records
        for part in (record.parts or ({},))
    ]


def write(out: Path, records: Sequence[Record]) -> None:
    """Both files, each replaced at once; raises OutputError."""
    try:
        _write(out, records)
    except OSError as error:
        raise OutputError(f"{out} cannot be written to ({error.strerror}): choose another -o.") from error


def _write(out: Path, records: Sequence[Record]) -> None:
    for name, text in ((CSV, csv_text(records)), (HTML, html_text(records))):
        # The ledger is held by one batch at a time, so this name is ours; a kill leaves it to the next.
        temporary = out / f".{name}.tmp"
        try:
            with temporary.open("w", encoding="utf-8", errors="backslashreplace", newline="") as file:
                file.write(text)
            temporary.replace(out / name)
        finally:
            temporary.unlink(missing_ok=True)


def csv_text(records: Sequence[Record]) -> str:
    """RFC 4180; a spreadsheet takes no cell for a formula."""
    stream = io.StringIO()
    writer = csv.DictWriter(stream, COLUMNS, restval="", extrasaction="ignore")
    writer.writeheader()
    writer.writerows({key: _cell(value) for key, value in row.items()} for row in rows(records))
    return stream.getvalue()


def html_text(records: Sequence[Record]) -> str:
    """A page without scripts or outside links."""
    counts = Counter(record.status for record in records)
    tally = ", ".join(f"{counts[status]} {status}" for status in Status if counts[status]) or "no files"
    head = "".join(f"<th>{escape(title)}</th>" for title in _SHOWN.values())
    body = "\n".join(_html_row(row) for row in rows(records))
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>Batch of routes</title>\n'
        "<style>body{font:15px/1.4 system-ui,sans-serif;margin:2rem;color:#222}"
        "table{border-collapse:collapse}th,td{padding:.3rem .7rem;border-bottom:1px solid #ddd;"
        "text-align:left;vertical-align:top}td.n{text-align:right;white-space:nowrap}"
        "tr.bad td:nth-child(2){font-weight:bold;color:#a11}</style></head>\n"
        f"<body><h1>Batch of routes</h1>\n<p>{len(records)} files: {escape(tally)}.{_totals(records)}</p>\n"
        f"<p>{escape(_ESTIMATE)}</p>\n<table><thead><tr>{head}</tr></thead><tbody>\n{body}\n"
        "</tbody></table></body></html>\n"
    )


def _totals(records: Sequence[Record]) -> str:
    """Pieces counted; money only added within a currency."""
    parts = [part for record in records for part in record.parts]
    if not parts:
        return ""
    minutes = sum(part["minutes"] * part["pieces"] for part in parts)
    money: Counter[str] = Counter()
    for part in parts:
        money[part["currency"]] += part["cost"] * part["pieces"]
    costs = ", ".join(f"{amount:,.0f} {currency}" for currency, amount in sorted(money.items()))
    return escape(f" Over all pieces about {minutes / 60:,.0f} h and {costs}.")


def _html_row(row: dict[str, Any]) -> str:
    cells = dict.fromkeys(_SHOWN, "")
    cells |= {key: escape(str(row.get(key, ""))) for key in _SHOWN}
    cells["remarks"] = escape("; ".join(filter(None, (row["message"], row["notes"]))))
    if row["folder"]:
        place = quote(os.fsencode(row["folder"]))
        cells["file"] = f'<a href="{place}/">{cells["file"]}</a>'
    if "currency" in row:
        for key, unit in (("minutes", ""), ("cost", f" {row['currency']}")):
            low, high = row[f"{key}_low"], row[f"{key}_high"]
            cells[key] = escape(f"{row[key]:.0f}{unit} ({low:.0f} to {high:.0f})")
    bad = ' class="bad"' if row["status"] != Status.OK else ""
    numbers = ("pieces", "operations", "minutes", "cost")
    tds = "".join(f'<td class="n">{v}</td>' if k in numbers else f"<td>{v}</td>" for k, v in cells.items())
    return f"<tr{bad}>{tds}</tr>"


def _cell(value: Any) -> Any:
    return harmless(" ".join(value.splitlines())) if isinstance(value, str) else value

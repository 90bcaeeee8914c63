"""The route as a table: one row for each feature, in the order of its first operation."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from typing import Any

COLUMNS = ("feature", "kind", "size", "process", "operations", "from", "faces", "why", "flags")


def rows(route: Mapping[str, Any]) -> list[dict[str, str]]:
    """Cells by column, as text, from a route file's content."""
    steps: dict[str, list[Mapping[str, Any]]] = {f["id"]: [] for f in route["features"]}
    for operation in route["operations"]:
        for feature in operation["features"]:
            steps[feature].append(operation)
    found = [_row(feature, steps[feature["id"]]) for feature in route["features"]]
    # Features without an operation come last; sorting is stable, so equals stay in feature order.
    return [row for _, row in sorted(found, key=lambda item: item[0])]


def text(route: Mapping[str, Any]) -> str:
    """CSV (RFC 4180)."""
    stream = io.StringIO()
    writer = csv.DictWriter(stream, COLUMNS)
    writer.writeheader()
    writer.writerows({k: harmless(v) for k, v in row.items()} for row in rows(route))
    return stream.getvalue()


def _row(feature: Mapping[str, Any], steps: list[Mapping[str, Any]]) -> tuple[float, dict[str, str]]:
    chosen = feature["process"]
    answers = {w["process"]: w["reason"] for w in feature["why"]}
    # Of a feature that is made in regions the whole was refused: its core's answer counts.
    made = [
        w
        for r in feature.get("regions", ())
        for w in r.get("why", ())
        if w["process"] == chosen and w["workable"]
    ]
    answers |= {w["process"]: w["reason"] for w in made[:1]}
    # Where nothing works the reasons of all are the answer.
    why = answers.get(chosen) or "; ".join(f"{p}: {reason}" for p, reason in answers.items())
    cells = (
        feature["id"],
        feature["kind"],
        size(feature),
        chosen,
        " ".join(str(o["number"]) for o in steps),
        " ".join(dict.fromkeys(o["from_side"] for o in steps)),
        " ".join(str(f["index"]) for f in feature["faces"]),
        why,
        " ".join(feature["flags"]),
    )
    return min((o["number"] for o in steps), default=math.inf), dict(zip(COLUMNS, cells, strict=True))


def size(feature: Mapping[str, Any]) -> str:
    """The thread and the dimensions, such as "M5, diameter 4.2, depth 12"; millimetres unless marked."""
    words = [feature["thread"]["designation"] or "thread?"] if feature["thread"] else []
    for name, value in feature["dims"].items():
        degrees = name.endswith("_deg")
        plain = name.removesuffix("_mm").removesuffix("_deg").replace("_", " ")
        words.append(f"{plain} {value:g}{'°' if degrees else ''}")
    return ", ".join(words + _stages(feature.get("bores", ())))


def _stages(bores: Sequence[Mapping[str, Any]]) -> list[str]:
    """Each stage of a hole that widens to both mouths, with its own depth from its own side."""
    if len({b["from_side"] for b in bores}) < 2:
        return []
    found = []
    for b in bores:
        ends = f"{b['start_diameter_mm']:g}", f"{b['end_diameter_mm']:g}"
        wide = ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"
        found.append(f"{wide} x {b['end_mm']:g} from {b['from_side']}")
    return found


STEP_COLUMNS = ("setup", "step", "work", "side", "features", "tools", "held by")


def step_rows(route: Mapping[str, Any]) -> list[dict[str, str]]:
    """A row for each step in the plan's order; how a setup is held stands in its first row."""
    found = []
    for setup in route.get("setups", ()):
        for n, step in enumerate(setup["steps"]):
            tools = dict.fromkeys(p["tool"]["words"] for p in step["passes"] if p["tool"])
            work = (
                step["stage"] if step["process"] in step["stage"] else f"{step['process']}: {step['stage']}"
            )
            cells = (
                str(setup["number"]),
                str(step["number"]),
                work,
                setup["from_side"],
                " ".join(step["features"]),
                ", ".join(tools),
                setup["held_by"] if n == 0 else "",
            )
            found.append(dict(zip(STEP_COLUMNS, cells, strict=True)))
    return found


def zeros(route: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Each zero once, in words, with the numbers of the setups that count from it."""
    of: dict[str, list[str]] = {}
    for setup in route.get("setups", ()):
        of.setdefault(setup["zero"]["words"], []).append(str(setup["number"]))
    return [(", ".join(numbers), words) for words, numbers in of.items()]


def harmless(cell: str) -> str:
    """A spreadsheet must not take a side such as "+z", or a name from a customer's file, for a formula."""
    return f"'{cell}" if cell.startswith(("=", "+", "-", "@", "\t", "\r")) else cell

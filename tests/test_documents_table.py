"""The table and the terminal's view of a route: what a person reads must be what the route file says."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from routing.cli import console
from routing.export import table
from routing.export.numbers import rounded, vector
from routing.jobs.result import JobResult, PartResult


def _feature(name: str, process: str, **changes: Any) -> dict[str, Any]:
    why = [
        {"process": "wire", "workable": process == "wire", "reason": "reason of wire", "shortfall_mm3": 0.0},
        {"process": "mill", "workable": process == "mill", "reason": "reason of mill", "shortfall_mm3": 1.0},
    ]
    plain = {"id": name, "kind": "pocket", "dims": {}, "thread": None, "flags": []}
    return plain | {"faces": [{"index": 4, "name": ""}], "process": process, "why": why} | changes


def _operation(number: int, *features: str) -> dict[str, Any]:
    return {
        "number": number,
        "process": "mill",
        "setup": number,
        "from_side": "+z",
        "features": list(features),
    }


ROUTE = {
    "part": {"name": "K-17", "box_mm": [40.0, 30.0, 12.5], "material": "carbide-12", "working_side": "+z"},
    "features": [
        _feature("F01", "none"),
        _feature("F02", "mill", dims={"diameter_mm": 4.2, "taper_deg": 0.5}),
        _feature("F03", "wire", thread={"designation": "M5"}, flags=["thread_no_relief"]),
    ],
    "doubts": [
        {"feature": "F02", "confidence": 0.5, "question": "is this [red] a hole?", "answers": ["M5", "plain"]}
    ],
    "operations": [_operation(1, "F03"), _operation(2, "F02", "F03")],
    "flags": [
        {"code": "thread_no_relief", "severity": "blocking", "feature": "F03", "message": "[bold]no relief"}
    ],
    "stock": {
        "blank_mm3": 150.0,
        "ground_mm3": 120.0,
        "part_mm3": 100.0,
        "ground_file": "g.step",
        "note": "",
    },
    "estimate": {
        "minutes": 12.4,
        "minutes_low": 8.0,
        "minutes_high": 25.0,
        "cost": 20.0,
        "cost_low": 13.0,
        "cost_high": 40.0,
        "currency": "EUR",
        "note": "an estimate",
    },
}


def test_rows_follow_the_operations_and_lose_no_feature() -> None:
    rows = table.rows(ROUTE)
    assert [r["feature"] for r in rows] == ["F03", "F02", "F01"]
    assert [r["operations"] for r in rows] == ["1 2", "2", ""]
    assert rows[1]["why"] == "reason of mill"
    assert rows[2]["why"] == "wire: reason of wire; mill: reason of mill"
    assert rows[1]["size"] == "diameter 4.2, taper 0.5°"
    assert rows[0]["size"] == "M5"
    assert rows[0]["flags"] == "thread_no_relief"


def test_csv_reads_back_and_holds_no_formula() -> None:
    text = table.text(ROUTE)
    rows = list(csv.DictReader(io.StringIO(text)))
    assert tuple(rows[0]) == table.COLUMNS
    assert rows[0]["from"] == "'+z"
    assert text.count("\r\n") == 4  # RFC 4180: every line ends in CRLF


def _printed(width: int) -> str:
    out = Console(file=io.StringIO(), width=width)
    console.Answers(out).finish(JobResult((PartResult(".", 3, ROUTE),), ("one note",)), Path("K-17-route"))  # type: ignore[arg-type]
    return out.file.getvalue()  # type: ignore[attr-defined,no-any-return]


@pytest.mark.parametrize("width", [80, 160])
def test_the_terminal_shows_every_feature_flag_and_note(width: int) -> None:
    text = _printed(width)
    for words in (
        "K-17  40 x 30 x 12.5 mm",
        "3 pieces",
        "F01",
        "F02",
        "F03",
        "reason of wire",
        "one note",
        "K-17-route",
    ):
        assert words in text
    assert "blocking F03 thread_no_relief: [bold]no relief" in text, "a file's text is no markup"
    assert "settle F02 0.50: is this [red] a hole? (M5, plain)" in text
    # By hand: 30 of the 50 mm3 that leave the blank are ground away.
    assert "60% of what leaves the blank is ground away" in text
    assert "2 operations in 2 setups" in text
    assert "12 min (8 to 25), 20 EUR (13 to 40): an estimate" in text


def test_a_blocking_flag_blocks() -> None:
    assert JobResult((PartResult(".", 1, ROUTE),), ()).blocked
    assert not JobResult((PartResult(".", 1, ROUTE | {"flags": []}),), ()).blocked


def test_numbers() -> None:
    assert str(rounded(-1e-9)) == "0.0"
    assert vector((1 / 3, -0.0, 2)) == [0.3333, 0.0, 2.0]
    with pytest.raises(ValueError, match="not a number"):
        rounded(float("nan"))

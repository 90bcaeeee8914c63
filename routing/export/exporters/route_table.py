"""The operations as a table for a spreadsheet."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from routing.export import table
from routing.export.work import Work

ORDER = 81
OF_PLAN = True
TABLE = "route.csv"
FILES = (TABLE,)


def write(work: Work, folder: Path) -> dict[str, Any]:
    (folder / TABLE).write_text(table.text(work.content), encoding="utf-8", newline="")
    return {}

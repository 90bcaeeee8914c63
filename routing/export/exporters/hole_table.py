"""Every step of every hole and thread in the zero of its setup, as a table and in the route file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from routing.export.work import Work

ORDER = 31
AFTER = ()
OF_PLAN = True
TABLE = "holes.csv"
FILES = (TABLE,)


def write(work: Work, folder: Path) -> dict[str, Any]:
    """The table, empty where there are no holes, and the same rows for the route file."""
    from routing.export.hole_rows import holes, text
    from routing.export.route_json import plain

    rows = holes(work.plan)
    (folder / TABLE).write_text(text(rows), encoding="utf-8", newline="")
    return {"holes": {"rows": [plain(r) for r in rows]}}

"""The tools of each setup and of the job, as a table and in the route file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from routing.export.work import Work

ORDER = 32
AFTER = ()
OF_PLAN = True
TABLE = "tools.csv"
FILES = (TABLE,)


def write(work: Work, folder: Path) -> dict[str, Any]:
    from routing.export.route_json import plain
    from routing.export.tool_rows import text, tool_rows

    rows = tool_rows(work.plan)
    (folder / TABLE).write_text(text(rows), encoding="utf-8", newline="")
    return {"tools": [plain(r) for r in rows]}

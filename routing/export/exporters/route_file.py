"""The route file, once every hand-over before it has added its part."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from routing.export import route_json
from routing.export.work import Work

ORDER = 80
OF_PLAN = True
ROUTE = "route.json"
DRY_RUN = "dry_run.json"  # what the dry run of all that is written by then has found
FILES = (ROUTE, DRY_RUN)


def write(work: Work, folder: Path) -> dict[str, Any]:
    (folder / ROUTE).write_text(route_json.text(work.content), encoding="utf-8")
    return {}

"""What the wheels leave, as ground and as finished, in the zero of each setup; no file of its own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from routing.export.work import Work

ORDER = 22
AFTER = ()
OF_PLAN = True
FILES = ()


def write(work: Work, _folder: Path) -> dict[str, Any]:
    from routing.export.ground_rows import groups
    from routing.export.route_json import plain

    return {"grinding": [plain(row) for group in groups(work.plan, work.stock) for row in group.rows]}

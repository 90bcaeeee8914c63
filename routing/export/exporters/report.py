"""The report for people: one page for the browser and one for the printer."""

from __future__ import annotations

from collections.abc import Hashable
from pathlib import Path
from typing import Any

from routing.export.work import Work

ORDER = 90
PAGE, PAPER = "report.html", "report.pdf"
FILES = (PAGE, PAPER)


def depends(work: Work) -> Hashable:
    """All that is told: the report shows nothing but the route file, the part and its stock."""
    from routing.export.route_json import text

    return text(work.content), str(work.shop.toolroom)


def write(work: Work, folder: Path) -> dict[str, Any]:
    from routing.export.report.write import write_report

    write_report(
        work.content,
        work.solid.solid,
        work.faces,
        work.solid.source_faces,
        work.stock,
        folder / PAGE,
        folder / PAPER,
        toolroom=str(work.shop.toolroom),
    )
    return {}

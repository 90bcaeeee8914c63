"""The report for people: one page for the browser and one for the printer."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from routing.handover.base import Work

ORDER = 90
PAGE, PAPER = "report.html", "report.pdf"
FILES = (PAGE, PAPER)


def write(work: Work, folder: Path) -> dict[str, Any]:
    from routing.report.write import write_report

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

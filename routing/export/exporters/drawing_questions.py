"""What the customer's drawing says, and a picture of each spot of it that leaves a question."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from routing.export.work import Work

ORDER = 12
OF_PLAN = True
FILES = ("drawing_question_[0-9][0-9]*.png",)


def write(work: Work, folder: Path) -> dict[str, Any]:
    from routing.export.drawing_notes import content, pictures

    if work.sheet is None:
        return {}
    for name, data in pictures(work.sheet).items():
        (folder / name).write_bytes(data)
    return {"drawing": content(work.sheet)}

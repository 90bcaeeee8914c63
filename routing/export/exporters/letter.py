"""What would make the part cheaper, where that was asked: as data, and as a letter to send."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from routing.export.work import Work

if TYPE_CHECKING:  # these load the kernel
    from routing.export.report.pictures import Subject

ORDER = 95
DATA, TEXT, PAGE = "cheaper.json", "letter.txt", "letter.html"
FILES = (DATA, TEXT, PAGE)


def write(work: Work, folder: Path) -> dict[str, Any]:
    from routing.export.report.cheaper import subject_of_part

    found = work.content.get("cheaper")
    if found is not None:
        subject = subject_of_part(work.solid.solid, work.solid.source_faces, work.recognition)
        head = head_of(
            str(work.shop.toolroom), work.document.path.name, work.choices.material, work.choices.date
        )
        write_letter(found, work.solid.name, head, subject, folder)
    return {}


def head_of(toolroom: str, file: str, material: str, date: str) -> list[tuple[str, str]]:
    """The fields of the letter's title block."""
    fields = (("From", toolroom), ("File", file), ("Material", material), ("Date", date))
    return [(name, value) for name, value in fields if value]


def write_letter(
    found: dict[str, Any], name: str, head: Sequence[tuple[str, str]], subject: Subject, folder: Path
) -> None:
    """``found`` is the plain data of hints, which is written as it is beside the letter."""
    from routing.export.report.cheaper import letter, plain_text
    from routing.export.report.html import page

    data = {"part": name, **dict(head), **found}
    (folder / DATA).write_text(json.dumps(data, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    (folder / TEXT).write_text(plain_text(found, name, head), encoding="utf-8")
    (folder / PAGE).write_text(page(letter(found, name, head, subject), None), encoding="utf-8")

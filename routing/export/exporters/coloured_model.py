"""The part with each face in the colour of its process."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from routing.export.work import Work

ORDER = 82
AFTER = ()
MODEL = "processes.step"
FILES = (MODEL,)


def write(work: Work, folder: Path) -> dict[str, Any]:
    from routing.export.model import write_model

    write_model(work.solid.solid, work.faces, work.solid.name, folder / MODEL, work.header)
    return {}

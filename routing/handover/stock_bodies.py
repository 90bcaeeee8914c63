"""The stock after each operation, as bodies, and what grinding saves in roughing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from routing.choices import Material
from routing.documents.palette import HEX, rgb
from routing.handover.base import Work
from routing.stock import files

ORDER = 10
FILES = files.FILES


def write(work: Work, folder: Path) -> dict[str, Any]:
    """Bodies as STEP, STL and 3MF, and a drawing of the roughing levels."""
    from routing.documents.route_json import plain
    from routing.stock.deliver import deliver

    made = [
        (r.process, str(r.verdict.details.get("side", "+z")), r.feature, r.verdict.details)
        for r in work.route.features
        if r.verdict is not None
    ]
    said = deliver(
        work.part,
        work.stock,
        made,
        work.shop,
        work.shop.rule(Material.named(work.choices.material)),
        folder,
        name=work.solid.name,
        colours={process: rgb(process) for process in HEX},
        source_faces=work.solid.source_faces,
    )
    return {"stock": plain(said)}

"""The stock after each operation, as bodies, and what grinding saves in roughing."""

from __future__ import annotations

from collections.abc import Hashable
from pathlib import Path
from typing import Any

from featurize.feature import Kind
from routing.export.palette import HEX, rgb
from routing.export.work import Work
from routing.processes.material import Material
from routing.stock import stock_names as files

ORDER = 10
FILES = files.FILES


def depends(work: Work) -> Hashable:
    """What is made where, and with what; the ground stock is the job's to add.

    A thread is cut after the last of these bodies: whether a bore gets one is left out.
    """
    made = [
        (
            verdict.process,
            verdict.details.get("side"),
            verdict.details.get("cutter_mm"),
            Kind.HOLE if f.bores else f.kind,
            f.id,
            f.faces,
            sorted(f.roles.items()),
            f.axis,
            f.bores,
        )
        for f, verdict in work.route.made
    ]
    return repr(made), repr(work.shop.rule(Material.named(work.choices.material)))


def write(work: Work, folder: Path) -> dict[str, Any]:
    """Bodies as STEP, STL and 3MF, and a drawing of the roughing levels."""
    from routing.export.route_json import plain
    from routing.export.stock_files import deliver

    made = [
        (verdict.process, str(verdict.details.get("side", "+z")), feature, verdict.details)
        for feature, verdict in work.route.made
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

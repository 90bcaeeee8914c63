"""The stock after each operation, as bodies, and what grinding saves in roughing."""

from __future__ import annotations

from collections.abc import Hashable
from pathlib import Path
from typing import Any

from routing.export.work import Work
from routing.stock import stock_names as files

ORDER = 10
AFTER = ()
FILES = files.FILES


def depends(work: Work) -> Hashable:
    """What is made where, and with what; the ground stock is the job's to add.

    A thread counts by its steps and their tools alone: its hand or class leaves the bodies as they are.
    """
    made = [
        (
            s.setup,
            s.number,
            s.stage,
            s.approach,
            [(p.task.feature.but(thread=None), p.tool) for p in s.passes],
        )
        for s in work.plan.steps
    ]
    return repr(made), repr(work.shop.rule(work.plan.job.material))


def write(work: Work, folder: Path) -> dict[str, Any]:
    """Bodies as STEP, STL and 3MF, and a drawing of the roughing levels."""
    from routing.export.route_json import plain
    from routing.export.stock_files import deliver

    delivered = deliver(
        work.plan,
        work.stock,
        folder,
        name=work.solid.name,
        source_faces=work.solid.source_faces,
        header=work.header,
    )
    return {"stock": plain(delivered)}

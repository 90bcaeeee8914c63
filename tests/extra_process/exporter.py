"""What the jig grinder gets: a line for each bore, in its setup's zero."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

ORDER = 35
FILES = ("jig_bores.csv",)


def write(work: Any, folder: Path) -> dict[str, Any]:
    rows = ["setup,step,feature,x_mm,y_mm"]
    for step in work.plan.steps:
        if step.process == "jig grind":
            zero = work.plan.setup_of(step.number).zero
            for p in step.passes:
                x, y, _ = zero.local(np.array(p.task.feature.axis.origin))
                rows.append(f"{step.setup},{step.number},{p.feature},{x:.4f},{y:.4f}")
    (folder / FILES[0]).write_text("\n".join(rows) + "\n", encoding="utf-8")
    return {}

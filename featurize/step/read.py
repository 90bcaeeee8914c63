"""``read_step``: a customer's STEP file in, solids in millimetres out."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from featurize.errors import Code, StepError
from featurize.isolate import run_isolated
from featurize.step.document import Skip, SolidPart, StepDocument
from featurize.step.header import Header, check_text

__all__ = ["Skip", "SolidPart", "StepDocument", "read_step", "reading_less"]

T = TypeVar("T")


def read_step(
    path: str | Path,
    *,
    isolate: bool = True,
    time_limit_s: float = 120,
    size_limit_mb: float = 200,
    skip: Skip = Skip.NOTHING,
    plain: bool = False,
) -> StepDocument:
    """Every solid of a STEP file (AP203, AP214, AP242; any length unit), in millimetres.

    With ``isolate`` the kernel works in a child process that is killed after ``time_limit_s``
    (otherwise there is no time limit); when it crashes, a new child reads less (see ``Skip``), which
    some damaged files survive. ``plain`` is short for ``skip=Skip.EXTRAS``.
    Raises StepError when the file gives no solid.
    """
    path = Path(path)
    header = check_text(path, size_limit_mb)
    skip = Skip.EXTRAS if plain else skip
    if not isolate:
        return _load(path, header, skip)
    return reading_less(
        lambda less, left_s: run_isolated(_load, path, header, less, time_limit_s=left_s), time_limit_s, skip
    )


def reading_less(attempt: Callable[[Skip, float], T], time_limit_s: float, skip: Skip = Skip.NOTHING) -> T:
    """``attempt(skip, seconds left)``, again with more skipped each time that its child crashes."""
    deadline, left_s = time.monotonic() + time_limit_s, time_limit_s
    while True:
        try:
            return attempt(skip, left_s)
        except StepError as error:
            left_s = deadline - time.monotonic()
            if error.code is not Code.CRASHED or skip == Skip.EXTRAS or left_s <= 0:
                raise
        skip = Skip(skip + 1)


def _load(path: Path, header: Header, skip: Skip) -> StepDocument:
    from featurize.step.kernel import load  # late: the kernel takes a second to import

    return load(path, header, skip)

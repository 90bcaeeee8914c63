"""``read_step``: a customer's STEP file in, solids in millimetres out."""

from __future__ import annotations

import time
from pathlib import Path

from featurize.errors import Code, StepError
from featurize.isolate import run_isolated
from featurize.step.document import SolidPart, StepDocument
from featurize.step.header import Header, check_text

__all__ = ["SolidPart", "StepDocument", "read_step"]


def read_step(
    path: str | Path,
    *,
    isolate: bool = True,
    time_limit_s: float = 120,
    size_limit_mb: float = 200,
    plain: bool = False,
) -> StepDocument:
    """Every solid of a STEP file (AP203, AP214, AP242; any length unit), in millimetres.

    With ``isolate`` the kernel works in a child process that is killed after ``time_limit_s``
    (otherwise there is no time limit); when it crashes, a second child reads ``plain``, that is
    without colours and assembly names, which some damaged files survive.
    Raises StepError when the file gives no solid.
    """
    path = Path(path)
    header = check_text(path, size_limit_mb)
    if not isolate:
        return _load(path, header, plain)
    deadline = time.monotonic() + time_limit_s
    try:
        return run_isolated(_load, path, header, plain, time_limit_s=time_limit_s)
    except StepError as error:
        left_s = deadline - time.monotonic()
        if error.code is not Code.CRASHED or plain or left_s <= 0:
            raise
    return run_isolated(_load, path, header, True, time_limit_s=left_s)


def _load(path: Path, header: Header, plain: bool) -> StepDocument:
    from featurize.step.kernel import load  # late: the kernel takes a second to import

    return load(path, header, plain)

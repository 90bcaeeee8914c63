"""One file of a batch: what a worker is given, does, and answers."""

from __future__ import annotations

import pkgutil
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from featurize import isolate, system
from featurize.errors import Code, StepError
from featurize.isolate import ended, report
from routing.inputs.choices import Choices
from routing.jobs.batch.ledger import Record, Status
from routing.jobs.cache import Keeper, ResultCache, is_of
from routing.jobs.errors import MENDABLE, OutputError, one_line
from routing.jobs.job import run_job
from routing.jobs.result import JobResult
from routing.jobs.staging import sweep
from routing.jobs.workers.pool import Limits, Outcome, Pool

if TYPE_CHECKING:
    from routing.processes.shop import Shop


@dataclass(frozen=True)
class FileTask:
    """``digest`` is the content's SHA-256; ``key`` what the result depends on; paths are absolute."""

    name: str
    model: Path
    folder: str
    out_dir: Path
    digest: str
    key: str
    choices: Choices
    shop: Shop
    cache: ResultCache | None


def pool(size: int, limits: Limits) -> Pool:
    """Workers that ``do`` tasks."""
    share = max(1, system.processors() // size)
    return Pool(
        size, do, limits, warm_up=partial(_ready, share), cleaned=lambda task: sweep(task.out_dir.parent)
    )


# What a job never needs, and what it loads late from outside.
_FACES = (
    "routing.jobs.batch.",
    "routing.jobs.workers.",
    "routing.cli.app",
    "routing.cli.commands",
    "routing.web",
)
_LATE = (
    "OCP.APIHeaderSection",
    "PIL.PngImagePlugin",
    "ezdxf.addons",
    "reportlab.graphics.barcode.qrencoder",
    "reportlab.platypus",
    "scipy.ndimage",
)


def _ready(share: int) -> None:
    isolate.use_processors(share)
    load_all()


def load_all() -> None:
    """All rooms but those with a face, and what they import only when they come to it."""
    for room in ("featurize", "routing"):
        for found in pkgutil.walk_packages(import_module(room).__path__, f"{room}."):
            if not found.name.startswith(_FACES):
                import_module(found.name)
    for name in _LATE:
        import_module(name)


def do(task: FileTask, attempt: int, left_s: float) -> Record:
    """Routes the file in this process; after a crash, in a child that may read less of it."""
    inputs = (task.model, task.out_dir, task.choices, task.shop, lambda stage, share: report(stage))
    keep = None if task.cache is None else Keeper(task.cache, task.key, task.digest)
    try:
        result = run_job(*inputs, time_limit_s=None if attempt == 1 else left_s, keep=keep)
    except StepError as error:
        if error.code is Code.TIMED_OUT:  # there was a crash before
            raise ended(Code.CRASHED, "reading less of it took longer than the time limit") from error
        raise
    # A file that changed since it was asked for is not what the key stands for: it will be done again.
    key = task.key if is_of(result, task.digest) else ""
    return routed(task.name, task.folder, key, result)


def routed(name: str, folder: str, key: str, result: JobResult, *, cached: bool = False) -> Record:
    """The record of a result."""
    status = Status.BLOCKED if result.blocked else Status.OK
    parts = tuple(row(p.folder, p.count, p.route) for p in result.parts)
    return Record(name, folder, key, status, parts=parts, notes=result.notes, cached=cached)


def row(folder: str, count: int, route: Mapping[str, Any]) -> dict[str, Any]:
    """What the summary says of one part of a file."""
    flags, estimate = route["flags"], route["estimate"]
    return {
        "part": route["part"]["name"],
        "part_folder": folder,
        "pieces": count,
        "material": route["part"]["material"],
        "features": len(route["features"]),
        "to_settle": len(route["doubts"]),
        "operations": len(route["operations"]),
        "setups": len({o["setup"] for o in route["operations"]}),
        **{key: estimate[key] for key in ("minutes", "minutes_low", "minutes_high")},
        **{key: estimate[key] for key in ("cost", "cost_low", "cost_high", "currency")},
        "flags": sorted({f"{f['severity']}: {f['code']}" for f in flags}),
    }


def record_of(outcome: Outcome, limits: Limits) -> Record:
    """The record of a task that left a worker, be it with a result or an error."""
    task: FileTask = outcome.task
    seconds, peak_mb = round(outcome.seconds, 3), round(outcome.peak_mb, 1)
    if outcome.error is None:
        record: Record = outcome.value
        return replace(record, seconds=seconds, peak_mb=peak_mb)
    status, limit = _status(outcome.error, limits)
    message = one_line(outcome.error)
    # A place that could not be written is no fault of the file: it is done again.
    key = "" if isinstance(outcome.error, OutputError) else task.key
    return Record(task.name, task.folder, key, status, message, limit=limit, seconds=seconds, peak_mb=peak_mb)


def _status(error: Exception, limits: Limits) -> tuple[Status, float | None]:
    stopped = {
        Code.CRASHED: (Status.CRASHED, None),
        Code.TIMED_OUT: (Status.TIMED_OUT, limits.time_s),
        Code.OUT_OF_MEMORY: (Status.OUT_OF_MEMORY, limits.memory_mb),
    }
    if isinstance(error, StepError) and error.code in stopped:
        return stopped[error.code]
    return Status.FAILED if isinstance(error, MENDABLE) else Status.FAULT, None

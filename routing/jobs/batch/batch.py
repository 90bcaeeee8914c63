"""A folder of STEP files, each done once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from routing.jobs.batch.dispatch import Dispatcher, step_files
from routing.jobs.batch.ledger import Record

# So many files for each worker are read and waiting: enough that none idles, few enough to stay fresh.
_AHEAD = 2
_TICK_S = 0.25


@dataclass(frozen=True)
class Progress:
    """``busy``: what is being done; ``new``: what has just been recorded or found recorded."""

    total: int
    records: int
    failed: int
    busy: tuple[str, ...]
    new: tuple[Record, ...]


def run_batch(
    dispatcher: Dispatcher,
    folder: Path,
    *,
    recursive: bool = False,
    show: Callable[[Progress], None] = lambda _: None,
) -> list[Record]:
    """The record of every STEP file of a folder; writes the summary, also when interrupted.

    What the ledger holds already is not done again. Nothing is written beside the result folders, the
    ledger and the summary.
    """
    files = list(step_files(folder, dispatcher.out, recursive=recursive))
    names = [name for name, _ in files]
    seen: list[Record] = []

    def tell(new: list[Record]) -> None:
        seen.extend(new)
        failed = sum(not r.status.routed for r in seen)
        show(Progress(len(files), len(seen), failed, tuple(dispatcher.executor.busy()), tuple(new)))

    try:
        for name, path in files:
            while dispatcher.executor.backlog >= _AHEAD * dispatcher.executor.size:
                tell(dispatcher.collect(_TICK_S))
            if (record := dispatcher.offer(name, path)) is not None:
                tell([record])
            if new := dispatcher.collect(0.0):
                tell(new)
        while dispatcher.executor.backlog:
            tell(dispatcher.collect(_TICK_S))
    finally:
        records = dispatcher.summarise(names)
    return records

"""A shared folder: whatever is dropped into it is routed once it is all there."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from routing.inputs.choices import choices_beside
from routing.jobs.batch.dispatch import Dispatcher, step_files
from routing.jobs.batch.ledger import Record

_END = b"END-ISO-10303-21;"
# The end mark of ISO 10303-21; behind it only white space or a signature.
_TAIL_BYTES = 64 * 1024
_TICK_S = 0.25

# Size, times and number of the file and of its choices; rights that change count too.
Stamp = tuple[tuple[int, int, int, int], ...]


@dataclass
class _Sighting:
    stamp: Stamp
    since: float
    done: bool = False


@dataclass(frozen=True)
class Patience:
    """A file is all there when size and time have not changed for ``settled_s`` and it ends as STEP does;
    without its end, after ``endless_s``: then it is truncated, and the reader says so."""

    quiet_s: float = 2.0
    endless_s: float = 60.0


def watch(
    dispatcher: Dispatcher,
    folder: Path,
    *,
    recursive: bool = False,
    once: bool = False,
    patience: Patience = Patience(),
    show: Callable[[Record], None] = lambda _: None,
    idle: Callable[[], None] = lambda: None,
    now: Callable[[], float] = time.monotonic,
) -> None:
    """Goes on until interrupted; with ``once``, until all that is there has been done.

    A renamed file is a new one; one that failed and is there no more was taken away and is no row. A file
    is done again when it or its choices file changes. The summary is kept up to date.
    ``idle`` is called at every look.
    """
    seen: dict[str, _Sighting] = {}
    names = {n for n, r in dispatcher.ledger.records.items() if r.status.routed or (folder / n).exists()}
    dispatcher.summarise(sorted(names))
    while True:
        new, there = [], dict(step_files(folder, dispatcher.out, recursive=recursive))
        for gone in seen.keys() - there.keys():
            del seen[gone]
        for name, path in there.items():
            if name in dispatcher.at_work:
                continue
            state = _look(seen, name, path, now())
            if state is None or state.done or not _all_there(path, now() - state.since, patience):
                continue
            state.done = True
            if (record := dispatcher.offer(name, path)) is not None:
                new.append(record)
        new = [
            r for r in (*new, *dispatcher.collect(_TICK_S)) if r.status.routed or (folder / r.name).exists()
        ]
        for record in new:
            show(record)
        if new:
            names |= {record.name for record in new}
            dispatcher.summarise(sorted(names))
        idle()
        if once and not dispatcher.at_work and all(s.done for s in seen.values()):
            return


def _look(seen: dict[str, _Sighting], name: str, path: Path, now: float) -> _Sighting | None:
    try:
        stats = [path.stat(), *(beside.stat() for beside in (choices_beside(path),) if beside)]
    except OSError:  # deleted or renamed since it was listed
        seen.pop(name, None)
        return None
    stamp = tuple((s.st_size, s.st_mtime_ns, s.st_ctime_ns, s.st_ino) for s in stats)
    if name not in seen or seen[name].stamp != stamp:
        seen[name] = _Sighting(stamp, now)
    return seen[name]


def _all_there(path: Path, still_s: float, patience: Patience) -> bool:
    if still_s < patience.quiet_s:
        return False
    try:
        with path.open("rb") as file:
            file.seek(max(0, path.stat().st_size - _TAIL_BYTES))
            ended = _END in file.read()
    except OSError:  # still locked by who copies it, or gone
        return False
    return ended or still_s >= patience.endless_s

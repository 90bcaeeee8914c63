"""Runs the exporters of a job side by side, each apart: what one loses does not cost the others."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Hashable, Sequence
from contextlib import suppress
from copy import deepcopy
from dataclasses import asdict
from fnmatch import fnmatch
from functools import partial
from pathlib import Path
from types import ModuleType
from typing import Any

from featurize.errors import StepError
from featurize.isolate import Apart, side_by_side, wait_for_any
from routing.export import kept_bodies
from routing.export.exporters import merge, paper_name, route_file
from routing.export.work import Work
from routing.inputs.choices import ChoicesError
from routing.jobs.progress import Report
from routing.jobs.stages import NoCache
from routing.processes.flags import Flag, Severity

# Half of a job's usual limit: an exporter that takes longer is lost, the rest is not.
_APART_LIMIT_S = 300.0


def export(
    exporters: Sequence[ModuleType],
    work: Work,
    folder: Path,
    key: Hashable,
    report: Report,
    cache: NoCache,
    checked: Callable[[], dict[str, Any]] | None = None,
) -> None:
    """Writes each exporter's files and adds what it says to the content of the route file.

    They work side by side, as far as none waits for another; what they say is added in their order.
    What ``cache`` keeps of one is known by ``key`` and what it says it depends on. ``checked`` reads what is
    written by then and gives what the route file says of that, before papers show it. Raises what the route
    file itself fails with; another that fails is a blocking flag.
    """
    content, lost = work.content, []
    begun = _Begun(exporters, work, folder, cache, key)
    try:
        begun.begin(0)
        if side_by_side() > 1:
            _prepare(exporters)
        for n, module in enumerate(exporters):
            what = paper_name(module)
            report(f"writing the {what} of {work.solid.name}", n / len(exporters))
            begun.begin(n)
            try:
                merge(content, begun.written(module, f"writing the {what}", partial(begun.begin, n)))
            except (_LostError, StepError) as error:
                if module is route_file:
                    raise
                clear(folder, module.FILES)
                lost.append(f"the {what} could not be written, the rest is: {error}")
            if module is route_file and checked is not None and not lost:
                report(f"machining {work.solid.name} on paper", n / len(exporters))
                merge(content, cache.time("machining on paper", checked))
                route_file.write(work, folder)
    finally:
        begun.end()
        kept_bodies.forget(folder)
    if lost:  # what came after the route file could not tell it in time
        flags = [Flag("not-written", Severity.BLOCKING, None, message) for message in lost]
        merge(content, {"flags": [asdict(flag) for flag in flags]})
        route_file.write(work, folder)


def _prepare(exporters: Sequence[ModuleType]) -> None:
    """Loads here what their forks would each load for themselves, while the first of them work."""
    for module in exporters:
        with suppress(Exception):  # it is told by the exporter that needs it
            getattr(module, "prepare", lambda: None)()


class _Begun:
    """The exporters of a job, each begun in a fork as soon as those that it needs have ended."""

    def __init__(
        self, exporters: Sequence[ModuleType], work: Work, folder: Path, cache: NoCache, key: Hashable
    ) -> None:
        self._exporters, self._work, self._folder = exporters, work, folder
        self._cache, self._key = cache, key
        self._tasks: dict[ModuleType, Apart[dict[str, Any]]] = {}
        self._kept: set[ModuleType] = set()

    def begin(self, ended: int) -> None:
        """Begins what needs none but the first ``ended`` ones, while there are processors for it."""
        names = [paper_name(m) for m in self._exporters]
        for n, module in enumerate(self._exporters[ended:], ended):
            needs = getattr(module, "AFTER", None)
            free = n == ended or (needs is not None and not set(needs) & set(names[ended:]))
            if module in self._tasks or module in self._kept or not free:
                continue
            going = sum(not task.is_done() for task in self._tasks.values())
            if n > ended and going >= side_by_side():
                return
            if self._is_kept(module):
                self._kept.add(module)
            else:
                self._begin(module)

    def _begin(self, module: ModuleType) -> None:
        function = partial(_written, module, self._work, self._folder)
        self._tasks[module] = Apart(function, time_limit_s=_APART_LIMIT_S)

    def _key_of(self, module: ModuleType) -> Hashable:
        return self._key, module.depends(self._work)

    def _is_kept(self, module: ModuleType) -> bool:
        stage = f"writing the {paper_name(module)}"
        return hasattr(module, "depends") and self._cache.knows(stage, lambda: self._key_of(module))

    def written(self, module: ModuleType, stage: str, more: Callable[[], None]) -> dict[str, Any]:
        """What an exporter adds to the route file, its files written; kept where it tells what it depends on.

        ``more`` is asked to begin others while it is waited for.
        """
        cache, folder = self._cache, self._folder

        def make() -> tuple[dict[str, Any], dict[str, bytes]]:
            if module not in self._tasks:
                self._begin(module)
            task = self._tasks[module]
            while not task.is_done():
                more()
                wait_for_any([t for t in self._tasks.values() if not t.is_done()])
            added = task.result()
            if not hasattr(module, "depends") or not cache.keeps:
                return added, {}
            made = [p for p in _files(folder) if any(fnmatch(p.name, name) for name in module.FILES)]
            return added, {p.relative_to(folder).as_posix(): p.read_bytes() for p in made}

        if not hasattr(module, "depends"):
            return cache.time(stage, make)[0]
        added, files = cache.get_or_make(stage, self._key_of(module), make)
        for name, content in files.items():
            if not (folder / name).exists():
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                (folder / name).write_bytes(content)
        return deepcopy(added)  # the route file grows, what is kept must not

    def end(self) -> None:
        for task in self._tasks.values():
            task.end()


def clear(folder: Path, names: Sequence[str] = ("*",)) -> None:
    """What a crashed child may have left."""
    for left in _files(folder):
        if any(fnmatch(left.name, name) for name in names):
            left.unlink()


def _files(folder: Path) -> list[Path]:
    return [p for p in folder.rglob("*") if p.is_file()]


class _LostError(Exception):
    """A fault of the program in an exporter, in one line with its place; the others need not suffer."""


def _written(module: ModuleType, work: Work, folder: Path) -> dict[str, Any]:
    try:
        content: dict[str, Any] = module.write(work, folder)
    except (StepError, ChoicesError, OSError):
        raise
    except Exception as error:
        *_, last = traceback.extract_tb(error.__traceback__)
        place = f"{Path(last.filename).name}, line {last.lineno}"
        raise _LostError(f"{type(error).__name__}: {' '.join(str(error).split())} ({place})") from error
    return content

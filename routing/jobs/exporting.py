"""Runs the exporters of a job one after the other, each apart: what one loses does not cost the others."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Hashable, Sequence
from copy import deepcopy
from dataclasses import asdict
from fnmatch import fnmatch
from functools import partial
from pathlib import Path
from types import ModuleType
from typing import Any

from featurize import isolate
from featurize.errors import StepError
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

    What ``cache`` keeps of one is known by ``key`` and what it says it depends on. ``checked`` reads what is
    written by then and gives what the route file says of that, before papers show it. Raises what the route
    file itself fails with; another that fails is a blocking flag.
    """
    content, lost = work.content, []
    for n, module in enumerate(exporters):
        what = paper_name(module)
        report(f"writing the {what} of {work.solid.name}", n / len(exporters))
        try:
            merge(content, _exported(module, f"writing the {what}", work, folder, cache, key))
        except (_LostError, StepError) as error:
            if module is route_file:
                raise
            clear(folder, module.FILES)
            lost.append(f"the {what} could not be written, the rest is: {error}")
        if module is route_file and checked is not None and not lost:
            report(f"machining {work.solid.name} on paper", n / len(exporters))
            merge(content, cache.time("machining on paper", checked))
            route_file.write(work, folder)
    if lost:  # what came after the route file could not tell it in time
        flags = [Flag("not-written", Severity.BLOCKING, None, message) for message in lost]
        merge(content, {"flags": [asdict(flag) for flag in flags]})
        route_file.write(work, folder)


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


def _exported(
    module: ModuleType, stage: str, work: Work, folder: Path, cache: NoCache, key: Hashable
) -> dict[str, Any]:
    """What an exporter adds to the route file, its files written; kept where it tells what it depends on."""
    depends = getattr(module, "depends", None)

    def make() -> tuple[dict[str, Any], dict[str, bytes]]:
        added = isolate.run_apart(partial(_written, module, work, folder), time_limit_s=_APART_LIMIT_S)
        if not depends or not cache.keeps:
            return added, {}
        made = [p for p in _files(folder) if any(fnmatch(p.name, name) for name in module.FILES)]
        return added, {p.relative_to(folder).as_posix(): p.read_bytes() for p in made}

    if depends is None:
        return cache.time(stage, make)[0]
    added, files = cache.get_or_make(stage, (key, depends(work)), make)
    for name, content in files.items():
        if not (folder / name).exists():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_bytes(content)
    return deepcopy(added)  # the route file grows, what is kept must not

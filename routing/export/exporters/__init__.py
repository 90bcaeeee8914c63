"""The exporters: each module writes files into the part's folder and adds to the route file.

An exporter is one module of this package with ``ORDER`` (when it is asked; the route file itself is
written at 80, and what only shows it comes later), ``FILES`` (names or patterns of what it writes) and
``write(work, folder)``, which gives what the route file says of it. To add one, add its module; it loads
the kernel inside functions only, because ``FILES`` is read by the process that never loads it. One with
``AFTER`` looks at the files and the content of none but the exporters named there (as ``paper_name`` has
them), and is begun when these have ended; without it, when all before it have. ``prepare()``, where there
is one, loads its libraries for all forks at once. One with
``OF_PLAN`` set tells what the plan says as it stands; the rest are papers, which a job may leave out.
"""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache
from types import ModuleType
from typing import Any

from routing.processes.rooms import rooms


@cache
def _built_in() -> tuple[ModuleType, ...]:
    names = [info.name for info in pkgutil.iter_modules(__path__)]
    modules = [importlib.import_module(f"{__name__}.{name}") for name in names]
    return tuple(m for m in modules if hasattr(m, "write"))


def all_exporters() -> tuple[ModuleType, ...]:
    """Every exporter, of this package and of the processes' own rooms, first to be asked first."""
    own = [importlib.import_module(name) for room in rooms() for name in room.exporters]
    return tuple(sorted((*_built_in(), *own), key=lambda m: (m.ORDER, m.__name__)))


def is_paper(module: ModuleType) -> bool:
    return not getattr(module, "OF_PLAN", False)


def paper_name(module: ModuleType) -> str:
    """In words."""
    return module.__name__.rpartition(".")[2].replace("_", " ")


def all_files() -> tuple[str, ...]:
    """Names and patterns of everything that a job may write."""
    return tuple(name for module in all_exporters() for name in module.FILES)


def merge(content: dict[str, Any], more: dict[str, Any]) -> None:
    """Adds to the content of the route file: tables key by key, lists at their end.

    A flag that names a feature stands with the feature too.
    """
    _merge(content, more)
    by_id = {f["id"]: f["flags"] for f in content.get("features", ())}
    for flag in more.get("flags", ()):
        own = by_id.get(flag["feature"])
        if own is not None and flag["code"] not in own:
            own.append(flag["code"])


def _merge(content: dict[str, Any], more: dict[str, Any]) -> None:
    for key, value in more.items():
        old = content.get(key)
        if isinstance(old, dict) and isinstance(value, dict):
            _merge(old, value)
        elif isinstance(old, list) and isinstance(value, list):
            old.extend(value)
        else:
            content[key] = value

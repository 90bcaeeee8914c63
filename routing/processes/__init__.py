"""The processes in the order in which the trade asks them.

A process is one module of this package with ``PROCESS`` (see ``base.Process``) and ``ORDER``: to add
one, add its module.
"""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache

from routing.processes.base import Process


@cache
def all_processes() -> tuple[Process, ...]:
    """Every process found in this package, first to be asked first."""
    names = [
        info.name for info in pkgutil.walk_packages(__path__, f"{__name__}.") if info.name.endswith(".judge")
    ]
    modules = [importlib.import_module(name) for name in names]
    found = [(module.ORDER, module.PROCESS) for module in modules]
    return tuple(process for _, process in sorted(found, key=lambda pair: pair[0]))

"""What a customer might change so that a feature gets cheaper: proposals, from the verdicts' own numbers.

Each kind is a module of this package with ``ORDER`` and ``propose(plan)``, which yields ``Proposal``s; the
folder is the list of kinds. A proposal promises nothing: it is tried by routing the changed part.
"""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache
from types import ModuleType

from routing.plan.changes.proposal import Proposal
from routing.plan.plan import Plan


@cache
def kinds() -> tuple[ModuleType, ...]:
    """Every kind of change, in the order in which they are asked."""
    names = [info.name for info in pkgutil.iter_modules(__path__)]
    modules = [importlib.import_module(f"{__name__}.{name}") for name in names]
    return tuple(sorted((m for m in modules if hasattr(m, "ORDER")), key=lambda m: int(m.ORDER)))


def proposals(plan: Plan) -> list[Proposal]:
    """All changes that may save something, the most money that is at stake first."""
    found = [change for kind in kinds() for change in kind.propose(plan)]
    return sorted(found, key=lambda c: -c.at_stake)

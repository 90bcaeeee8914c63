"""Long lists of cases: a few in every run, all of them with ``--thorough``."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

import pytest


def few(cases: Collection[Any], keep: int) -> list[Any]:
    """The cases as parameters: about ``keep`` of them, spread over the list, run always."""
    step = max(1, round(len(cases) / keep))
    found = []
    for k, case in enumerate(cases):
        values = case if isinstance(case, tuple) else (case,)
        found.append(case if k % step == 0 else pytest.param(*values, marks=pytest.mark.thorough))
    return found

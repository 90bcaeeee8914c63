"""Numbers as the documents show them."""

from __future__ import annotations

import math
from collections.abc import Iterable


def rounded(value: float, digits: int = 4) -> float:
    """Rounded so that runs on other machines agree; never -0.0. Raises ValueError when not finite."""
    if not math.isfinite(value):
        raise ValueError(f"not a number that a document can show: {value}")
    return round(float(value), digits) + 0.0


def vector(values: Iterable[float], digits: int = 4) -> list[float]:
    """A point or direction, rounded."""
    return [rounded(v, digits) for v in values]

"""How a job tells what it does: a line of words, and the share done (0 to 1)."""

from __future__ import annotations

from collections.abc import Callable

Report = Callable[[str, float], None]


def span(report: Report, start: float, width: float) -> Report:
    """A report for a stretch of the whole, from a share on."""
    return lambda text, share: report(text, start + width * share)

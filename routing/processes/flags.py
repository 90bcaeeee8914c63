"""What a person must hear about."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    NOTE = "note"
    WARNING = "warning"
    BLOCKING = "blocking"


@dataclass(frozen=True)
class Flag:
    """``feature`` is the id of the feature concerned, None for the part; ``message`` is one line."""

    code: str
    severity: Severity
    feature: str | None
    message: str

"""What reading a file noticed, each remark with a code and with how much it matters."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class NoteSeverity(StrEnum):
    """``BLOCKING``: the model may differ from what the customer drew, check before anything is made."""

    NOTE = "note"
    WARNING = "warning"
    BLOCKING = "blocking"


@dataclass(frozen=True)
class ReadNote:
    """``message`` is one line: what is wrong or was done, then what to do."""

    code: str
    severity: NoteSeverity
    message: str

    def __str__(self) -> str:
        return self.message


# Codes of what was changed in a solid, as against what was found in it.
SEWN, REPAIRED, TURNED = "skin-sewn", "solid-repaired", "solid-turned"
HEALING = (SEWN, REPAIRED, TURNED)


def note(code: str, message: str) -> ReadNote:
    return ReadNote(code, NoteSeverity.NOTE, message)


def warning(code: str, message: str) -> ReadNote:
    return ReadNote(code, NoteSeverity.WARNING, message)


def blocking(code: str, message: str) -> ReadNote:
    return ReadNote(code, NoteSeverity.BLOCKING, message)

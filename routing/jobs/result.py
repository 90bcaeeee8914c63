"""What a job came to, as plain data: every document for people is made from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class PartResult:
    """``folder`` is relative to the result's ("." for a file of one part); ``route`` is its route file."""

    folder: str
    count: int
    route: dict[str, Any]

    @property
    def blocked(self) -> bool:
        """Whether a flag says that the part cannot be made as it is."""
        return any(flag["severity"] == "blocking" for flag in self.route["flags"])


@dataclass(frozen=True)
class JobResult:
    """``notes`` are remarks on the file and the run, one line each; of reading they are flags too."""

    parts: tuple[PartResult, ...]
    notes: tuple[str, ...]

    @property
    def blocked(self) -> bool:
        return any(part.blocked for part in self.parts)

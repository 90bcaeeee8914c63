"""What was read of a drawing and what came of it, for the papers."""

from __future__ import annotations

from dataclasses import dataclass

from routing.inputs.sheet.match import Matched
from routing.inputs.sheet.read import Sheet


@dataclass(frozen=True, eq=False)
class Said:
    """A part's drawing, with what was matched to its features and what is asked."""

    sheet: Sheet
    matched: Matched

"""What is wrong with a drawing, as one line with its cure."""

from __future__ import annotations

from routing.inputs.choices import ChoicesError


class SheetError(ChoicesError):
    """A drawing that cannot be read. ``str()`` is one line: what is wrong, then what to do."""

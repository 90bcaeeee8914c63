"""Faults that the user can mend."""

from __future__ import annotations

from featurize.errors import StepError
from routing.inputs.choices import ChoicesError
from routing.inputs.shop import ShopError


class SetupError(Exception):
    """The program cannot work where or as it was asked to. ``str()`` is one line: what, and what to do."""


class OutputError(SetupError):
    """The result cannot go where it was asked to."""


# ``str()`` of each is one line for the user; anything else is a fault of the program.
MENDABLE = (StepError, ChoicesError, ShopError, SetupError)


def one_line(error: BaseException) -> str:
    """What a person is told of an error."""
    text = " ".join(str(error).split()) or "no message"
    if isinstance(error, MENDABLE):
        return text
    return f"a fault of the program, not of the file: {type(error).__name__}: {text}"

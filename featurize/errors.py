"""What can go wrong with a customer's file, as one line that also says what to do."""

from __future__ import annotations

from enum import StrEnum


class Code(StrEnum):
    """Why no part came out of a file."""

    MISSING = "missing"
    NOT_STEP = "not_step"
    EMPTY = "empty"
    TRUNCATED = "truncated"
    TOO_LARGE = "too_large"
    UNREADABLE = "unreadable"
    NO_SOLID = "no_solid"
    CRASHED = "crashed"
    TIMED_OUT = "timed_out"
    OUT_OF_MEMORY = "out_of_memory"


def is_memory_short(error: BaseException) -> bool:
    """Whether an error, be it Python's, the kernel's or the loader's, says that no memory is left."""
    if isinstance(error, ImportError):
        return "failed to map segment" in str(error)
    return isinstance(error, MemoryError) or type(error).__name__ == "Standard_OutOfMemory"


def one_line(text: str) -> str:
    """The text for a terminal and a log: no line ends, no control characters, no halves of characters."""
    return "".join(c if c.isprintable() else "?" for c in " ".join(text.split()))


class StepError(Exception):
    """No usable part. ``str()`` is one line: what is wrong, then what to do."""

    def __init__(self, code: Code, message: str) -> None:
        # Both as arguments, so that the error survives the way out of a child process.
        super().__init__(code, one_line(message))
        self.code = code

    def __str__(self) -> str:
        return str(self.args[1])

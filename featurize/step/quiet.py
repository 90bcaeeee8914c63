"""Keeps the kernel's chatter off the terminal."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from OCP.Message import Message


@contextmanager
def quiet_kernel() -> Iterator[None]:
    """Takes the kernel's printers away for the while: its chatter must not mix with results."""
    printers = Message.DefaultMessenger_s().ChangePrinters()
    kept = [printers.Value(i + 1) for i in range(printers.Length())]
    printers.Clear()
    try:
        yield
    finally:
        for printer in kept:
            printers.Append(printer)

"""The 3-D picture that one can turn: a solid as plain arrays, and the script that draws them."""

from __future__ import annotations

from functools import cache
from importlib.resources import files


@cache
def script() -> str:
    """The text of ``viewer.js``, an ES module."""
    return files(__package__).joinpath("viewer.js").read_text(encoding="utf-8")

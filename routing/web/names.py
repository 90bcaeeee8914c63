"""What a file is called where people read it."""

from __future__ import annotations

import re
import unicodedata

from routing.web.store import MODEL

_NAME_LENGTH = 120


def shown_name(given: str) -> str:
    """Its last component, without signs that do not print."""
    last = re.split(r"[/\\]", given)[-1]
    plain = "".join(c for c in last if c.isprintable() and unicodedata.category(c) != "Cf")
    return " ".join(plain.split())[:_NAME_LENGTH] or MODEL

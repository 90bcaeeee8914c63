"""What a request brings as a file, and what it is called where people read it."""

from __future__ import annotations

import hashlib
import re
import secrets
import unicodedata
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from starlette.requests import Request

from routing.web.store import MODEL, Store

_NAME_LENGTH = 120


def shown_name(given: str) -> str:
    """Its last component, without signs that do not print."""
    last = re.split(r"[/\\]", given)[-1]
    plain = "".join(c for c in last if c.isprintable() and unicodedata.category(c) != "Cf")
    return " ".join(plain.split())[:_NAME_LENGTH] or MODEL


@asynccontextmanager
async def uploaded(store: Store, request: Request) -> AsyncIterator[tuple[Path, str, str]]:
    """The body of a request as a file, its name for showing and its SHA-256."""
    upload = store.incoming / secrets.token_hex(8)
    digest = hashlib.sha256()
    chunks: Any = request.stream()
    try:
        with upload.open("wb") as file:
            async for chunk in chunks:
                digest.update(chunk)
                file.write(chunk)
        yield upload, shown_name(request.query_params.get("name", "")), digest.hexdigest()
    except OSError:
        async for _ in chunks:
            pass  # a browser that is still sending would not hear the answer
        raise
    finally:
        upload.unlink(missing_ok=True)

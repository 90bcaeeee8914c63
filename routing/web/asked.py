"""What a request brings as JSON."""

from __future__ import annotations

from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request


async def json_table(request: Request) -> dict[str, Any]:
    """The body as a table; refused where it is none."""
    try:
        return as_mapping(await request.json())
    except (ValueError, RecursionError):  # of JSON, of UTF-8, of a number with thousands of digits
        raise HTTPException(400, "the request is not JSON.") from None


def as_mapping(value: object) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise HTTPException(400, "the request is not a table.")
    return value

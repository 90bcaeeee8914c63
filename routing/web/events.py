"""What the server tells every open page, as it happens."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Mapping
from typing import Any

_HEARTBEAT_S = 15.0


class Events:
    """Whoever listens gets every message."""

    def __init__(self) -> None:
        self._queues: set[asyncio.Queue[str]] = set()
        self._loop: asyncio.AbstractEventLoop | None = None

    def send(self, message: Mapping[str, Any]) -> None:
        """From any thread."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._spread, json.dumps(message))

    def _spread(self, text: str) -> None:
        for waiting in self._queues:
            waiting.put_nowait(text)

    async def stream(self) -> AsyncIterator[str]:
        self._loop = asyncio.get_running_loop()
        queue: asyncio.Queue[str] = asyncio.Queue()
        self._queues.add(queue)
        try:
            yield "retry: 1000\n\n: hello\n\n"
            while True:
                try:
                    yield f"data: {await asyncio.wait_for(queue.get(), _HEARTBEAT_S)}\n\n"
                except TimeoutError:
                    yield ": still here\n\n"
        finally:
            self._queues.discard(queue)

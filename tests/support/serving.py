"""A server of the page in a process of its own, as a person starts it."""

from __future__ import annotations

import http.client
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from routing.web.guard import KEY_HEADER

ROOT = Path(__file__).resolve().parents[2]


@dataclass
class Serving:
    """``url`` with its token where one is asked."""

    process: subprocess.Popen[str]
    url: str

    def ask(self, method: str, path: str, body: bytes | None = None) -> tuple[int, str]:
        """The page's requests, without a browser: status and text."""
        address = urlsplit(self.url)
        headers = {}
        if method != "GET":
            headers[KEY_HEADER] = json.loads(self.ask("GET", "/api/session")[1])["key"]
        line = http.client.HTTPConnection(str(address.hostname), address.port, timeout=60)
        try:
            line.request(method, path, body, headers)
            answer = line.getresponse()
            return answer.status, answer.read().decode()
        finally:
            line.close()

    def kill(self) -> None:
        """kill -9."""
        self.process.kill()
        self.process.wait(10)


@contextmanager
def serving(folder: Path, *options: str, stderr: int | None = None) -> Iterator[Serving]:
    """``dieroute serve`` on a free port (unless ``options`` name one), ended at the end."""
    command = [
        sys.executable,
        "-m",
        "routing.cli",
        "serve",
        "--port",
        "0",
        "--folder",
        str(folder),
        *options,
    ]
    process = subprocess.Popen(
        command,
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=stderr,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    try:
        assert process.stdout is not None
        first = process.stdout.readline()
        assert "://" in first, f"the server did not start: {first}"
        yield Serving(process, first.split()[-1])
    finally:
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

"""Debian's Chromium without a screen and without a network."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

# Software drawing: a machine for tests has no graphics card. In a container Chromium cannot make its sandbox.
ARGUMENTS = ["--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"]


def chromium() -> str:
    """Its path; skips the test where there is none."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if not found:
        pytest.skip("no chromium on this machine: apt-get install chromium")
    return found


@contextmanager
def chromium_page(path: Path, wide: int, high: int) -> Iterator[Any]:
    """A file opened with the network off; faults of its scripts and anything it asks the network for fail."""
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as p:
        browser = p.chromium.launch(executable_path=chromium(), args=ARGUMENTS)
        context = browser.new_context(viewport={"width": wide, "height": high}, offline=True)
        page = context.new_page()
        faults: list[str] = []
        page.on("pageerror", lambda e: faults.append(str(e)))
        page.on("request", lambda r: faults.append(r.url) if r.url.startswith(("http", "ws")) else None)
        page.goto(path.resolve().as_uri())
        yield page
        browser.close()
        assert faults == []

"""One server and one browser for the tests of this folder."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.support.browser import ARGUMENTS, chromium
from tests.support.serving import Serving, serving


@pytest.fixture(scope="package")
def browser() -> Iterator[Any]:
    path = chromium()
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as p:
        opened = p.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def server(tmp_path_factory) -> Iterator[Serving]:
    with serving(tmp_path_factory.mktemp("served") / "jobs") as running:
        yield running


@pytest.fixture
def page(browser, server) -> Iterator[Any]:
    """The page, opened; a fault of its scripts, or a request to anywhere else, fails the test."""
    opened = browser.new_page(viewport={"width": 1440, "height": 900}, accept_downloads=True)
    opened.set_default_timeout(60_000)
    faults: list[str] = []
    opened.on("pageerror", lambda e: faults.append(str(e)))
    opened.on("console", lambda m: faults.append(m.text) if "Security Policy" in m.text else None)
    opened.on(
        "request",
        lambda r: None if r.url.startswith((server.url, "data:", "blob:")) else faults.append(r.url),
    )
    opened.goto(server.url)
    yield opened
    opened.close()
    assert faults == []

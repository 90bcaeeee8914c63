"""Writes the pictures of docs/web: python -m tests.benchmarks.page_figures."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.support.browser import ARGUMENTS, chromium
from tests.support.serving import ROOT, serving

MODELS = ("thread_trial", "pierce_die", "forming_insert")
TARGET = ROOT / "docs" / "web"
READY = ".canvas[data-ready=route]"


def main() -> None:
    from playwright.sync_api import sync_playwright

    with (
        tempfile.TemporaryDirectory() as folder,
        serving(Path(folder) / "jobs") as server,
        sync_playwright() as p,
    ):
        browser = p.chromium.launch(executable_path=chromium(), args=ARGUMENTS)
        page = browser.new_page()
        page.set_default_timeout(120_000)
        page.goto(server.url)
        for name in MODELS:
            page.wait_for_selector("#search")
            page.set_input_files("#files", ROOT / "demo_models" / f"{name}.step")
            page.wait_for_selector(READY)
            page.goto(f"{server.url}#/")
        for name, wide, high, go in PICTURES:
            page.set_viewport_size({"width": wide, "height": high})
            go(page, server.url)
            page.wait_for_timeout(700)
            page.screenshot(path=TARGET / f"{name}-{wide}.png", full_page=wide < 1440)
            print(f"{name}-{wide}.png")
        browser.close()


def _jobs(page: Any, url: str) -> None:
    page.goto(f"{url}#/")
    page.wait_for_selector("table.jobs")


def _job(page: Any, url: str, model: str, tab: str) -> None:
    _jobs(page, url)
    page.locator("table.jobs a", has_text=model).first.click()
    page.wait_for_selector(READY)
    page.click(f"#tab-{tab}")


def _features(page: Any, url: str) -> None:
    _job(page, url, "forming_insert", "Features")
    page.locator("tr[data-key]", has_text="surface grind").first.locator("button").click()


def _edges(page: Any, url: str) -> None:
    _job(page, url, "forming_insert", "Edges")
    page.select_option("#which", "keep sharp")
    page.locator("tr[data-key]", has_text="70").first.locator("th button").click()


def _operations(page: Any, url: str) -> None:
    _job(page, url, "forming_insert", "Operations")
    page.check("#apart")


def _flags(page: Any, url: str) -> None:
    _job(page, url, "thread_trial", "Flags")


def _stock(page: Any, url: str) -> None:
    _job(page, url, "forming_insert", "Choices")
    page.select_option("#stock", label="stock as ground")


def _compare(page: Any, url: str) -> None:
    _job(page, url, "thread_trial", "Features")
    page.locator("tr[data-key=F13] button").click()
    page.fill("#decide-thread", "M6")
    page.locator(".decide button").click()
    page.locator("#turn option:checked", has_text="r2 done").wait_for(state="attached")
    page.locator("a", has_text="Compare with r1").click()
    page.locator("h2", has_text="Features").wait_for()


PICTURES: tuple[tuple[str, int, int, Callable[[Any, str], None]], ...] = (
    ("jobs", 1440, 900, _jobs),
    ("features", 1440, 900, _features),
    ("edges", 1440, 900, _edges),
    ("operations", 1024, 900, _operations),
    ("flags", 800, 900, _flags),
    ("stock", 1440, 900, _stock),
    ("compare", 1440, 900, _compare),
)


if __name__ == "__main__":
    main()

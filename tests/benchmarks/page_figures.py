"""Writes the pictures of docs/web: python -m tests.benchmarks.page_figures [NAME ...]."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cadquery as cq

from tests.support.browser import ARGUMENTS, chromium
from tests.support.serving import ROOT, serving

MODELS = ("forming_insert", "thread_trial")
TARGET = ROOT / "docs" / "web"
READY = "#main[data-state=done] .canvas[data-ready=route]"


def main() -> None:
    from playwright.sync_api import sync_playwright

    wanted = sys.argv[1:]
    with (
        tempfile.TemporaryDirectory() as folder,
        serving(Path(folder) / "jobs") as server,
        sync_playwright() as p,
    ):
        browser = p.chromium.launch(executable_path=chromium(), args=ARGUMENTS)
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        page.set_default_timeout(240_000)
        page.goto(server.url)
        for name in MODELS:
            _hand_in(page, ROOT / "demo_models" / f"{name}.step", server.url)
        _two_drawings(page, Path(folder), server.url)
        for picture in PICTURES:
            if wanted and picture.name not in wanted:
                continue
            page.set_viewport_size({"width": picture.wide, "height": 900 if picture.wide > 800 else 1300})
            page.emulate_media(color_scheme="dark" if picture.dark else "light")
            picture.go(page, server.url)
            page.mouse.move(2, 2)
            page.evaluate("scrollTo(0, 0)")
            page.wait_for_timeout(900)
            page.screenshot(path=TARGET / f"{picture.name}-{picture.wide}.png")
            print(f"{picture.name}-{picture.wide}.png")
        browser.close()


@dataclass(frozen=True)
class _Picture:
    name: str
    wide: int
    go: Callable[[Any, str], None]
    dark: bool = False


def _hand_in(page: Any, path: Path, url: str) -> None:
    page.goto(f"{url}#/")
    page.wait_for_selector("#search")
    page.set_input_files("#files", path)
    page.wait_for_selector(READY)


def _plate(path: Path, long_mm: float, *, newer: bool = False) -> Path:
    """A step, an opening right through, four equal blind bores; the newer one is longer and has one more."""
    work = cq.Workplane().box(long_mm, 40, 18, centered=False)
    work = work.cut(cq.Workplane(origin=(0, 0, 13)).rect(3 * long_mm, 18).extrude(10))
    work = work.cut(cq.Workplane(origin=(31, 25, -1)).rect(14 if newer else 12, 8).extrude(30))
    for at in ((10, 16, 0), (50, 16, 0), (10, 33, 0), (50, 33, 0)):
        work = work.cut(cq.Workplane(origin=at).circle(2.1).extrude(12))
    if newer:
        work = work.cut(cq.Workplane(origin=(57, 25, -1)).circle(3).extrude(30))
    cq.exporters.export(work, str(path))
    return path


def _two_drawings(page: Any, folder: Path, url: str) -> None:
    _hand_in(page, _plate(folder / "clamp_plate.step", 60), url)
    page.locator(".questions button", has_text="M5").click()
    page.click("#answer-all")
    page.locator("#turn option:checked", has_text="r2").wait_for(state="attached")
    page.locator("#turn-over").or_(page.locator(f"{READY} >> nth=0")).first.wait_for()
    if page.locator("#turn-over").is_visible():
        page.click("#turn-over")
    page.locator("#turn option:checked", has_text="r2 done").wait_for(state="attached")
    page.goto(f"{url}#/")
    page.wait_for_selector("#search")
    page.set_input_files("#files", _plate(folder / "clamp_plate_rev_B.step", 64, newer=True))
    page.locator("section.similar .join").click()
    page.locator("#turn option:checked", has_text="r3 done").wait_for(state="attached")
    page.wait_for_selector(READY)


def _jobs(page: Any, url: str) -> None:
    page.goto(f"{url}#/")
    page.wait_for_selector("table.jobs")


def _job(page: Any, url: str, model: str, tab: str = "Flags") -> None:
    _jobs(page, url)
    page.locator("table.jobs a", has_text=model).first.click()
    page.wait_for_selector(READY)
    page.click(f"#tab-{tab}")


def _first(page: Any, url: str) -> None:
    _job(page, url, "thread_trial")


def _features(page: Any, url: str) -> None:
    _job(page, url, "forming_insert", "Features")
    page.locator("tr[data-key]", has_text="surface grind").first.locator("button").click()
    page.select_option("#others", "fade")


def _dark(page: Any, url: str) -> None:
    _job(page, url, "forming_insert", "Features")


def _edges(page: Any, url: str) -> None:
    _job(page, url, "forming_insert", "Edges")
    page.select_option("#which", "keep sharp")
    page.locator("tr[data-key]", has_text="70").first.locator("th button").click()


def _operations(page: Any, url: str) -> None:
    _job(page, url, "forming_insert", "Operations")
    page.check("#apart")


def _figures(page: Any, url: str) -> None:
    _job(page, url, "forming_insert", "Figures")


def _walk(page: Any, url: str) -> None:
    _job(page, url, "clamp_plate", "Operations")
    names = page.locator("#stock option").all_inner_texts()
    page.select_option("#stock", index=next(n for n, name in enumerate(names) if "vise" in name))


def _measure(page: Any, url: str) -> None:
    _job(page, url, "clamp_plate")
    box = page.locator(".canvas canvas").bounding_box()
    page.click("#measure")
    for view in ("-z", "+z"):
        page.select_option("#view", view)
        page.wait_for_timeout(400)
        page.mouse.click(box["x"] + box["width"] / 2 - 90, box["y"] + box["height"] / 2)
        page.wait_for_timeout(1500)
    page.select_option("#view", "iso")
    page.select_option("#axis", "0")
    page.locator("#offset").fill("20")


def _compare(page: Any, url: str) -> None:
    _job(page, url, "clamp_plate")
    page.locator("a", has_text="Compare with").click()
    page.locator(".half canvas").nth(1).wait_for()


PICTURES = (
    _Picture("first", 1440, _first),
    _Picture("jobs", 1440, _jobs),
    _Picture("jobs", 800, _jobs),
    _Picture("features", 1440, _features),
    _Picture("edges", 1440, _edges),
    _Picture("walk", 1440, _walk),
    _Picture("measure", 1440, _measure),
    _Picture("compare", 1440, _compare),
    _Picture("dark", 1440, _dark, dark=True),
    _Picture("operations", 1024, _operations),
    _Picture("figures", 1024, _figures),
    _Picture("first", 800, _first),
    _Picture("features", 390, _features),
    _Picture("compare", 390, _compare),
)


if __name__ == "__main__":
    main()

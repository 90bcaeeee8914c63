"""kill -9 of the server in mid-job: what was finished is there, what was not goes on by itself."""

from __future__ import annotations

import time
from pathlib import Path
from urllib.parse import urlsplit

from tests.support.serving import serving

DEMOS = Path(__file__).resolve().parents[2] / "demo_models"
READY = "#main[data-state=done] .canvas[data-ready=route]"


def _children(pid: int) -> set[int]:
    return {
        int(c)
        for task in Path(f"/proc/{pid}/task").iterdir()
        for c in (task / "children").read_text().split()
    }


def _lives(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_a_killed_server_loses_nothing_and_the_page_comes_back(browser, tmp_path):
    page = browser.new_page(viewport={"width": 1440, "height": 900})
    page.set_default_timeout(120_000)
    with serving(tmp_path / "jobs") as first:
        page.goto(first.url)
        page.wait_for_selector("#search")
        page.set_input_files("#files", DEMOS / "wear_plate.step")
        page.wait_for_selector(READY)
        page.set_input_files("#files", DEMOS / "crossing_block.step")
        page.locator(".progress", has_text="writing").wait_for()  # what takes longest
        workers = _children(first.process.pid)
        assert workers
        first.kill()
        page.locator("#link", has_text="not there").wait_for()
        deadline = time.monotonic() + 10
        while any(map(_lives, workers)):  # no orphan goes on writing
            assert time.monotonic() < deadline
            time.sleep(0.1)
    with serving(tmp_path / "jobs", "--port", str(urlsplit(first.url).port)) as second:
        assert second.url == first.url
        page.wait_for_selector(READY)  # by itself, without loading it again
        assert page.locator("#turn option").inner_text() == "r1 done"
        page.goto(f"{second.url}#/")
        page.locator("table.jobs a", has_text="wear_plate.step").click()
        page.wait_for_selector(READY)
    page.close()
    assert not list((tmp_path / "jobs" / "incoming").iterdir())

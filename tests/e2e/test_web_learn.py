"""Minutes by a traveller's code and by a table, rates taken over, jobs found by words: in the browser.

The jobs were finished before; no kernel is asked for anything.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from routing.export.report.codes import code_text
from routing.inputs.shop import load_shop
from routing.web.store import Store
from tests.support.kept_jobs import feature, keep_job, route
from tests.support.serving import Serving, serving

SHA = "ab12" * 16
FEATURES = [feature("pocket", width=9.0, length=14.0, depth=5.0), feature("hole", (5, 5), diameter=6.0)]


@pytest.fixture(scope="module")
def shop(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("shop") / "ours.toml"
    path.write_text("# ours\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def server(tmp_path_factory, shop) -> Iterator[Serving]:
    folder = tmp_path_factory.mktemp("served") / "jobs"
    store = Store(folder)
    keep_job(store, "insert.step", route(SHA, features=FEATURES))
    keep_job(store, "other.step", route("cd" * 32))
    store.close()
    with serving(folder, "--shop", str(shop)) as running:
        yield running


def test_minutes_are_entered_rates_taken_over_and_jobs_found(page, server, shop, tmp_path) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    page.set_viewport_size({"width": 390, "height": 844})
    page.emulate_media(color_scheme="dark")
    page.goto(f"{server.url}#/minutes")
    page.fill("#code", code_text(route(SHA), 3))  # as a scanner types it
    page.press("#code", "Enter")
    page.locator("h1", has_text="part").wait_for()
    page.fill("#took-minutes", "124.5")
    page.press("#took-minutes", "Enter")
    page.get_by_text("Kept: 124.5 min for 1 piece.").first.wait_for()

    page.click("nav a[data-page=minutes]")
    table = tmp_path / "may.csv"
    table.write_text(
        "job,step,minutes\ninsert.step,4,77\ninsert.step,5,long\nother.step,3,130\n", encoding="utf-8"
    )
    page.set_input_files("#table-file", table)
    page.get_by_text('line 3: minutes "long": write a number over 0, such as 12.5.').wait_for()
    page.get_by_text("From 3 steps of 2 batches.").wait_for()
    assert shop.read_text(encoding="utf-8") == "# ours\n"
    page.once("dialog", lambda dialog: dialog.dismiss())
    page.click("#take-over")
    assert load_shop(shop).rates.factor.all == 1.0
    page.once("dialog", lambda dialog: dialog.accept())
    page.click("#take-over")
    page.get_by_text("They stand in ours.toml.").wait_for()
    assert load_shop(shop).rates.factor.of("wire", "steel", "wire") > 1.1

    for where, there in (
        ("minutes", "#take-over, section table"),
        ("like?q=pocket+d6", "table.alike a"),
        ("log", "table a"),
    ):
        page.goto(f"{server.url}#/{where}")
        page.wait_for_selector(there)
        assert page.evaluate("document.documentElement.scrollWidth") <= 390, where
        rule = {"runOnly": {"type": "rule", "values": ["color-contrast", "label"]}}
        found = axe.Axe().run(page, options=rule).response
        assert [n["html"] for v in found["violations"] for n in v["nodes"]] == [], where
    page.goto(f"{server.url}#/like?q=pocket+d6")
    page.wait_for_selector("table.alike")
    assert page.locator("table.alike tbody tr").count() == 1
    # 124.5 and 77 minutes of two steps, quoted 90 and 55.
    assert "3.4 h taken, 2.4 h quoted for 2 steps" in page.locator("table.alike").inner_text()

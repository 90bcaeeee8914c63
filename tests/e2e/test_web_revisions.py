"""By keyboard from the file to the answer; two windows; the customer's next drawing; a folder for a quote."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.support.batches import block

READY = "#main[data-state=done] .canvas[data-ready=route]"


def _plate(path: Path, long_mm: float, bore: bool = False) -> Path:
    """A step above, two equal blind bores of M5's tap drill (4.2 mm, ISO 2306); perhaps one right through."""
    cq = pytest.importorskip("cadquery")
    work = cq.Workplane().box(long_mm, 40, 18, centered=False)
    work = work.cut(cq.Workplane(origin=(0, 0, 13)).rect(3 * long_mm, 18).extrude(10))
    for y in (16, 33):
        work = work.cut(cq.Workplane(origin=(10, y, 0)).circle(2.1).extrude(12))
    if bore:
        work = work.cut(cq.Workplane(origin=(40, 25, -1)).circle(3).extrude(30))
    cq.exporters.export(work, str(path))
    return path


@pytest.fixture(scope="module")
def plates(tmp_path_factory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("models")
    return _plate(folder / "plate.step", 60), _plate(folder / "plate_rev_B.step", 68, bore=True)


def _done(page: Any, number: int) -> None:
    page.locator("#turn option:checked", has_text=f"r{number} done").wait_for(state="attached")
    page.wait_for_selector(READY)
    page.locator("#panel:not(.stale)").wait_for()


def _tab_to(page: Any, wanted: str) -> None:
    """Tab alone, until what is wanted has the focus."""
    for _ in range(120):
        page.keyboard.press("Tab")
        if page.evaluate("s => document.activeElement.matches(s)", wanted):
            return
    raise AssertionError(f"the keyboard does not reach {wanted}")


def test_the_main_path_by_keyboard_and_a_second_window_that_is_told(page, plates):
    page.wait_for_selector("#sample")
    other = page.context.browser.new_page(viewport={"width": 1440, "height": 900})
    with page.expect_file_chooser() as chooser:
        _tab_to(page, "#files")
        page.keyboard.press("Enter")
    chooser.value.set_files(plates[0])
    _done(page, 1)
    other.goto(page.url)
    _done(other, 1)
    _tab_to(page, ".questions button:not(.ref)")
    assert page.evaluate("document.activeElement.textContent") == "M5"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.textContent") == "M5", "the focus stays where it was"
    _tab_to(page, "#answer-all")
    page.keyboard.press("Enter")

    told = other.locator(".meanwhile", has_text="r2 from here")
    told.wait_for()
    assert told.locator("li", has_text="thread M5").count() == 2
    other.locator(".questions button", has_text="plain").click()
    other.click("#answer-all")
    other.locator("#beside").wait_for()
    assert "answered meanwhile" in other.locator(".meanwhile").inner_text()
    assert other.locator("#turn option").count() == 2, "nothing was made beside it"
    other.click("#go-on")
    _done(other, 2)
    other.close()
    _done(page, 2)
    page.locator(".changed", has_text="2 kinds").wait_for()
    _tab_to(page, "#zip")


def test_the_next_drawing_is_asked_for_carries_decisions_and_is_compared(page, plates):
    page.wait_for_selector("table.jobs")
    page.set_input_files("#files", plates[1])
    asked = page.locator("section.similar", has_text="next drawing of plate.step")
    asked.wait_for()
    asked.locator(".join").click()
    _done(page, 3)
    assert page.locator("#turn optgroup").count() == 2
    assert not page.locator(".questions .doubt").count(), "the threads are still decided"
    page.click("#tab-Choices")
    assert page.locator(".kept li", has_text="thread M5").count() == 2
    page.locator("a", has_text="Compare with r2").click()
    page.locator(".half canvas").nth(1).wait_for()
    figures = page.get_by_role("region", name="What it comes to")
    for name in ("Working side", "Ground stock", "Hours", "Money"):
        assert figures.locator("tr", has_text=name).count() == 1
    assert "68 × 40 × 18" in figures.inner_text()
    row = page.locator("tr[data-change]", has_text="new").filter(has_text="diameter 6")
    page.wait_for_timeout(400)
    before = page.locator(".half canvas").nth(1).screenshot()
    row.locator("button").click()
    page.wait_for_timeout(400)
    assert page.locator(".half canvas").nth(1).screenshot() != before, "the new bore is marked"
    assert "chosen" in (row.get_attribute("class") or "")
    page.goto(page.url.split("#")[0] + "#/log")
    page.locator("tr", has_text="next drawing").wait_for()
    assert page.locator("tr", has_text="decided").filter(has_text="thread M5").count() == 1


def test_a_folder_is_handed_in_with_what_its_files_have_in_common(page, tmp_path):
    (tmp_path / "quote").mkdir()
    for name, long_mm in (("one", 30), ("two", 41)):
        block(tmp_path / "quote" / f"{name}.step", long_mm)
    (tmp_path / "quote" / "mail.txt").write_text("no model")
    page.wait_for_selector("table.jobs")
    page.locator("#common summary").click()
    page.fill("#common-material", "Steel 58 HRC")
    page.fill("#common-pieces", "4")
    page.fill("#common-margin_percent", "10")
    page.set_input_files("#folder", tmp_path / "quote")
    page.locator("#said", has_text="steel-58hrc").wait_for()
    page.fill("#common-material", "steel-58hrc")
    page.set_input_files("#folder", tmp_path / "quote")
    rows = page.locator("table.jobs tbody tr", has_text="steel-58hrc").filter(has_text="4 for")
    rows.nth(1).wait_for()
    assert rows.count() == 2
    listed = {j["name"]: j for j in page.request.get(page.url.split("#")[0] + "api/list").json()["jobs"]}
    for name in ("one.step", "two.step"):
        assert (listed[name]["ordered"], listed[name]["margin_percent"]) == (4, 10)
        assert f"4 for {listed[name]['price']:.0f} EUR" in rows.filter(has_text=name).inner_text()
    page.get_by_label("Pieces of one.step").fill("1")
    page.keyboard.press("Tab")
    page.locator("table.jobs tr", has_text="one.step").filter(has_text="1 for").wait_for()

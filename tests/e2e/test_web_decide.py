"""Questions answered in groups, what the answers change, and the answer that would turn the part over."""

from __future__ import annotations

import csv
import re
from pathlib import Path
from typing import Any

import pytest

DEMOS = Path(__file__).resolve().parents[2] / "demo_models"
TABS = ("Flags", "Features", "Edges", "Operations", "Minutes", "Alike", "Figures", "Choices", "Files")
READY = "#main[data-state=done] .canvas[data-ready=route]"


@pytest.fixture(scope="module")
def trial(tmp_path_factory) -> Path:
    """A step above; two equal blind bores of M8's tap drill (6.8 mm, ISO 2306) and a shallower third.

    As threads they are for screws from below, so that answer turns the part over.
    """
    cq = pytest.importorskip("cadquery")
    work = cq.Workplane().box(60, 40, 22, centered=(True, True, False))
    work = work.cut(cq.Workplane(origin=(0, 20, 22)).rect(62, 20).extrude(-6))
    for at, deep in (((-20, -8), 14), ((20, -8), 14), ((0, -8), 11)):
        work = work.cut(cq.Workplane(origin=(*at, 22)).circle(3.4).extrude(-deep))
    path = tmp_path_factory.mktemp("models") / "turning_trial.step"
    cq.exporters.export(work, str(path))
    return path


def _done(page: Any, number: int) -> None:
    page.locator("#turn option:checked", has_text=f"r{number} done").wait_for(state="attached")
    page.wait_for_selector(READY)
    page.locator("#panel:not(.stale)").wait_for()


def test_the_empty_page_offers_a_sample_and_a_wrong_choice_is_helped(page):
    page.wait_for_selector("#sample")
    assert page.locator(".empty li").count() == 3
    page.click("#sample")
    _done(page, 1)
    page.locator(".questions .doubt", has_text="4 equal").wait_for()
    page.click("#tab-Choices")
    page.fill("#material", "Steel 60 HRC")
    page.locator(".choices button[type=submit]").click()
    page.locator(".near button", has_text="steel-60hrc").click()
    assert page.locator("#material").input_value() == "steel-60hrc"
    page.set_input_files("#blank-file", DEMOS / "corner_cavity.step")
    page.locator("#blank-fault", has_text="corner_cavity.step: ").wait_for()
    assert not page.locator("#blank option", has_text="corner_cavity").count()
    # The sample is 60 mm long; an inch is 25.4 mm (ISO 80000-3): 2.3622 in.
    box = page.locator(".title-block div", has_text="Box").locator("dd")
    assert box.inner_text().startswith("60 × 40 × 18")
    page.check("#inch")
    page.locator(".title-block dt", has_text="Box, in").wait_for()
    box.filter(has_text="2.3622 × 1.5748 × 0.7087").wait_for()
    page.uncheck("#inch")


def test_in_the_dark_and_on_a_phone(page):
    """Contrast in the dark (WCAG 2.2 AA); on 390 pixels rows are cards that name their cells."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    page.emulate_media(color_scheme="dark")
    places = [None, "#/log", "#/compare", *TABS]
    page.wait_for_selector("table.jobs")
    for place in places:
        if place and place.startswith("#"):
            page.goto(page.url.split("#")[0] + place)
            page.locator("h1", has_text=re.compile("^(Who|Compare)")).wait_for()
            if place == "#/compare":
                page.locator("form button").click()
                page.locator(".half canvas").first.wait_for()
        elif place == "Flags":
            page.goto(page.url.split("#")[0] + "#/")
            page.locator("table.jobs a", has_text="sample").click()
            page.wait_for_selector(READY)
        if place in TABS:
            page.click(f"#tab-{place}")
        found = axe.Axe().run(page, options={"runOnly": {"type": "rule", "values": ["color-contrast"]}})
        assert [n["html"] for v in found.response["violations"] for n in v["nodes"]] == [], place
        assert found.response["passes"]
    page.set_viewport_size({"width": 390, "height": 844})
    for tab in TABS:
        page.click(f"#tab-{tab}")
        assert page.evaluate("document.documentElement.scrollWidth") <= 390, tab
    page.click("#tab-Features")
    cell = page.locator("tr[data-key] td").first
    assert cell.evaluate("e => getComputedStyle(e, '::before').content") == '"Kind"'


def test_equal_holes_are_asked_once_and_an_answer_that_turns_the_part_is_shown_first(page, trial):
    page.wait_for_selector("#search")
    page.set_input_files("#files", trial)
    _done(page, 1)
    two = page.locator(".questions .doubt", has_text="2 equal")
    assert two.locator("button.ref").count() == 2
    assert not page.locator(".flags li", has_text="may be M8").count(), "a question is not repeated as a flag"
    assert page.locator("#answer-all").is_disabled()
    side = page.locator(".title-block div", has_text="Working side").locator("dd")
    before = side.inner_text()

    two.locator("button", has_text="M8").click()
    assert "1 of 3" in page.locator(".answer-all").inner_text()
    page.click("#answer-all")
    page.wait_for_selector("#turn-over")
    assert "turns the part over" in page.locator(".trouble").inner_text()
    assert page.locator("#view").input_value() == "-z", "it is shown from the side that would work"
    assert side.inner_text() == before
    page.click("#leave-side")
    _done(page, 1)
    assert page.locator(".changed").is_hidden()

    two.locator("button", has_text="M8").click()
    page.get_by_label("for all 3 holes with a bore of 6.8 mm").first.check()
    page.click("#answer-all")
    page.click("#turn-over")
    _done(page, 3)
    changed = page.locator(".changed", has_text="Working side")
    changed.wait_for()
    assert f"{before} → " in changed.inner_text()
    assert side.inner_text() != before
    changed.locator("summary", has_text="3 kinds").click()
    assert changed.locator("li", has_text="hole → threaded hole M8").count() == 3
    page.click("#tab-Choices")
    assert "threads: 6.8 M8" in page.locator(".kept").inner_text()

    page.click("#step-back")
    _done(page, 4)
    page.locator(".changed h2", has_text="r3").wait_for()
    assert side.inner_text() == before


def test_a_link_keeps_tab_feature_view_and_step_over_back_and_reload(page):
    page.locator("table.jobs a", has_text="turning_trial").click()
    page.wait_for_selector(READY)
    page.click("#tab-Features")
    page.locator("tr[data-key=F02] button").click()
    page.select_option("#view", "-y")
    page.select_option("#stock", index=1)
    step = page.locator("#stock").input_value()
    link = page.url

    def is_as_before() -> bool:
        page.wait_for_selector(READY)
        page.locator(".card h2", has_text="F02").wait_for()
        assert page.locator("#tab-Features").get_attribute("aria-selected") == "true"
        assert page.locator("tr.chosen").get_attribute("data-key") == "F02"
        return bool(
            page.locator("#view").input_value() == "-y" and page.locator("#stock").input_value() == step
        )

    page.reload()
    assert is_as_before()
    page.click("#tab-Edges")
    page.go_back()
    assert is_as_before()
    page.click("nav a[data-page=compare]")
    page.wait_for_selector("#old")
    page.go_back()
    assert is_as_before()
    page.goto(page.url.split("#")[0])
    page.wait_for_selector("table.jobs")
    page.goto(link)
    assert is_as_before()
    page.select_option("#stock", index=3)  # a setup: the part lies as it does on the machine
    assert page.locator("#view").input_value() == "machine"
    step = page.locator("#stock").input_value()
    page.reload()
    page.wait_for_selector(READY)
    assert page.locator("#stock").input_value() == step
    assert page.locator("#view option:checked").inner_text() == "on the machine"


def test_the_list_finds_sorts_sums_saves_and_keeps_notes(page):
    rows = page.locator("table.jobs tbody tr")
    rows.first.wait_for()
    assert rows.count() == 2
    assert rows.first.locator("img").evaluate("i => i.decode().then(() => i.naturalWidth)") == 144
    listed = page.request.get(page.url.split("#")[0] + "api/list").json()["jobs"]
    page.select_option("#sort", "cost")
    by_cost = [j["name"] for j in sorted(listed, key=lambda j: -j["cost"])]
    assert [text.strip() for text in page.locator("table.jobs th a").all_inner_texts()] == by_cost
    page.fill("#search", "steel-60hrc turning")
    page.locator("#search + p", has_text=re.compile(r"^1 job$")).wait_for()
    assert "turning_trial" in rows.first.inner_text()
    page.get_by_label("Standing of turning_trial.step").select_option("quoted")
    page.get_by_label("Note on turning_trial.step").fill("until Friday")
    page.keyboard.press("Tab")
    page.fill("#search", "")
    page.select_option("#by-standing", "quoted")
    page.locator("#search + p", has_text=re.compile(r"^1 job$")).wait_for()
    page.select_option("#by-standing", "")
    page.check("#every")
    money = sum(j["cost"] for j in listed)
    hours = round(sum(j["minutes"] for j in listed) / 60, 1)
    assert f"2 chosen: {hours:g} h, {money:.0f} EUR" in page.locator(".sums").inner_text()
    page.fill("#least", str(max(j["cost"] for j in listed) + 1))
    page.locator("#search + p", has_text="No job").wait_for()
    page.fill("#least", "")
    rows.first.wait_for()
    with page.expect_download() as waiting:
        page.click("#csv")
    saved = list(csv.DictReader(Path(waiting.value.path()).read_text().splitlines()))
    assert sorted(r["file"] for r in saved) == sorted(by_cost)
    page.reload()
    page.get_by_label("Note on turning_trial.step").wait_for()
    assert page.get_by_label("Note on turning_trial.step").input_value() == "until Friday"


def test_what_is_chosen_is_zoomed_to_and_the_others_fade_or_go(page):
    page.locator("table.jobs a", has_text="sample").click()
    page.wait_for_selector(READY)
    page.click("#tab-Features")
    canvas = page.locator(".canvas canvas")
    page.wait_for_timeout(300)
    shots = [canvas.screenshot()]

    def changed() -> bool:
        page.mouse.move(1, 1)
        page.wait_for_timeout(400)
        shots.append(canvas.screenshot())
        return shots[-1] not in shots[:-1]

    page.locator("tr[data-key]", has_text="hole").first.locator("button").click()
    assert changed(), "nearer"
    for way in ("fade", "hide"):
        page.select_option("#others", way)
        assert changed(), way
    page.select_option("#others", "")
    page.click("#hide")
    assert changed(), "the chosen one is gone"
    page.select_option("#edge-lines", "0")
    assert changed(), "no lines"
    page.select_option("#edge-lines", "1")
    page.click("#show-all")
    page.select_option("#view", "+z")
    box = canvas.bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.6, box["y"] + box["height"] / 2)
    page.locator(".tip", has_text="outside face").wait_for()


def test_measuring_sections_and_marks_are_true_to_the_part(page):
    """The sample is 18 mm thick; its step is 5 mm deep and 9 wide (see routing/web/sample.py)."""
    page.locator("table.jobs a", has_text="sample").click()
    page.wait_for_selector(READY)
    canvas, said = page.locator(".canvas canvas"), page.locator(".gauge-said p")
    assert page.locator(".mark.asked").count() == 4, "each of the holes that are asked about"
    page.locator(".mark.asked.behind").first.wait_for(state="attached")  # they are open below
    page.select_option("#view", "-z")
    page.locator(".mark.asked:not(.behind)").first.click()
    card = page.locator(".card", has_text="hole")
    card.wait_for()
    right, left = card.bounding_box(), canvas.bounding_box()
    assert right["x"] >= left["x"] + left["width"], "the card stands beside the picture"
    assert right["y"] < left["y"] + left["height"]

    page.click("#measure")
    box = canvas.bounding_box()
    middle = (box["x"] + box["width"] / 2 - 100, box["y"] + box["height"] / 2)
    page.select_option("#view", "-z")
    page.mouse.click(*middle)
    said.filter(has_text="area").wait_for()
    page.select_option("#view", "+z")
    page.mouse.click(*middle)
    said.filter(has_text="wall 18 mm").wait_for()
    assert "parallel" in said.inner_text()
    assert "exact" in said.inner_text()
    page.click("#measure")

    page.select_option("#axis", "0")
    page.wait_for_timeout(300)
    opened = canvas.screenshot()
    page.click("#flip")
    page.wait_for_timeout(300)
    assert canvas.screenshot() != opened
    page.select_option("#axis", "")
    canvas.press("ArrowLeft")
    assert page.locator("#view option:checked").inner_text() == "turned by hand"
    canvas.press("2")
    assert page.locator("#view").input_value() == "+z"
    plain = canvas.screenshot()
    page.uncheck("#hatch")
    page.wait_for_timeout(300)
    assert canvas.screenshot() != plain, "faces are told apart by a hatch too"


def test_the_setups_are_walked_through_in_their_order_with_what_holds_them(page):
    page.locator("table.jobs a", has_text="sample").click()
    page.wait_for_selector(READY)
    names = page.locator("#stock option").all_inner_texts()
    setups = [int(found[1]) for name in names if (found := re.match(r"setup (\d+), ", name))]
    steps = [int(found[1]) for name in names if (found := re.match(r"after step (\d+), ", name))]
    assert setups == sorted(setups)
    assert steps == sorted(steps)
    vise = next(n for n, name in enumerate(names) if name.endswith(", vise"))
    walk, canvas = page.locator("#walk"), page.locator(".canvas canvas")
    for _ in range(vise):
        walk.press("ArrowRight")
    assert page.locator("#stock option:checked").inner_text() == names[vise]
    page.locator("#holders").wait_for()
    page.wait_for_timeout(800)
    held = canvas.screenshot()
    page.uncheck("#holders")
    page.wait_for_timeout(800)
    assert canvas.screenshot() != held, "the jaws were drawn"


def test_a_step_shows_what_it_takes(page):
    page.locator("table.jobs a", has_text="sample").click()
    page.wait_for_selector(READY)
    names = page.locator("#stock option").all_inner_texts()
    canvas = page.locator(".canvas canvas")
    page.select_option("#stock", label=next(n for n in reversed(names) if n.startswith("after step ")))
    page.locator("#taken").wait_for()
    page.wait_for_timeout(800)
    shown = canvas.screenshot()
    page.uncheck("#taken")
    page.wait_for_timeout(800)
    assert canvas.screenshot() != shown, "what goes was drawn"

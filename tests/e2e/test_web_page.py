"""Drop a file, watch, click, change, download, by mouse and by keyboard alone; axe-core finds no fault."""

from __future__ import annotations

import json
import re
import zipfile
from pathlib import Path
from typing import Any

import pytest

DEMOS = Path(__file__).resolve().parents[2] / "demo_models"
READY = "#main[data-state=done] .canvas[data-ready=route]"
PLANNED = "#main[data-state=running] .canvas[data-ready=route]"

# Drops a file on the page as a person does: dragged in, then let go.
DROP = """([name, text]) => {
  const data = new DataTransfer();
  data.items.add(new File([text], name));
  for (const type of ["dragenter", "dragover", "drop"])
    document.body.dispatchEvent(new DragEvent(type, { dataTransfer: data, bubbles: true, cancelable: true }));
}"""


def _drop(page: Any, name: str, text: str | None = None) -> None:
    page.wait_for_selector("#search")
    page.evaluate(DROP, [name, text if text is not None else (DEMOS / name).read_text()])


def _to_job(page: Any, name: str) -> None:
    """A finished job of the server, opened; handed in where there is none yet."""
    page.wait_for_selector("#search")
    link = page.locator("table.jobs a", has_text=name)
    if not link.count():
        _drop(page, name)
    else:
        link.first.click()
    page.wait_for_selector(READY)
    page.wait_for_selector("#tab-Features")


@pytest.fixture
def job(page):
    _to_job(page, "thread_trial.step")
    return page


def test_a_dropped_file_is_seen_before_it_is_worked_out_and_its_stages_are_told(page):
    page.evaluate(
        """() => {
          const said = document.querySelector("#progress-said"), all = { childList: true, subtree: true };
          window.told = [];
          new MutationObserver(() => window.told.push(said.textContent)).observe(said, all);
        }"""
    )
    _drop(page, "thread_trial.step")
    page.wait_for_selector(".canvas[data-ready=part]")
    assert page.locator(".progress progress").is_visible()
    assert not page.locator("#tab-Features").count()
    page.wait_for_selector(PLANNED)
    assert page.locator("#tab-Features").count(), "the plan is shown before its papers"
    assert "papers follow" in page.locator(".progress").inner_text()
    page.wait_for_selector(READY)
    told = page.evaluate("window.told")
    stages = [t.partition(" ")[0] for t in told]
    for stage in ("recognising", "routing", "grinding", "proving", "writing"):
        assert stage in stages, told
    shares = [int(t.split()[-2]) for t in told if t.endswith("percent")]
    assert shares == sorted(shares)
    assert page.locator(".progress").is_hidden()


def test_flags_come_first_the_blocking_one_before_all(job):
    assert job.locator("#tab-Flags").get_attribute("aria-selected") == "true"
    assert "blocking" in job.locator("#panel li").first.inner_text()


def test_the_first_screen_tells_what_it_comes_to_and_each_figure_opens_its_basis(job):
    """Minutes are the sum of the estimate's lines; hours are rounded to a tenth, money to whole units."""
    where = job.url.replace("#/job/", "api/jobs/").partition("?")[0].rpartition("/")[0]
    estimate = job.request.get(where).json()["parts"][0]["route"]["estimate"]
    figures = job.locator(".strip .figure")
    said = [text.splitlines() for text in figures.all_inner_texts()]
    minutes, money = (sum(line[key] for line in estimate["lines"]) for key in ("minutes", "cost"))
    assert float(said[0][1].removesuffix(" h")) == pytest.approx(minutes / 60, abs=0.051)
    assert float(said[1][1].split()[0]) == pytest.approx(money, abs=0.51)
    assert int(said[2][1]) == estimate["setups"]
    assert job.evaluate("scrollY") == 0
    for seen in (".strip", ".canvas canvas", ".title-block", "#tab-Flags", ".strip .get"):
        box = job.locator(seen).bounding_box()
        assert box["y"] + box["height"] <= 900, seen
    for n, basis in enumerate(("figures-time", "figures-more", "holding", "panel", "figures-stock")):
        figures.nth(n).locator("button").click()
        assert job.evaluate("document.activeElement.id") == basis
    assert job.locator(".strip .get").get_attribute("href").endswith("ground_stock.step")


def test_a_click_on_a_face_shows_its_feature(job):
    job.select_option("#view", "+z")  # the working side is plain but for one hole
    job.wait_for_timeout(300)
    box = job.locator(".canvas canvas").bounding_box()
    job.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    card = job.locator(".card")
    card.locator("h2", has_text="outside face").wait_for()
    job.click("#tab-Features")
    chosen = job.locator("tr.chosen")
    assert chosen.count() == 1
    assert "+z" in chosen.inner_text()


def test_a_click_on_a_row_marks_the_faces_and_tells_all_four_processes(job):
    job.click("#tab-Features")
    canvas = job.locator(".canvas canvas")
    job.select_option("#view", "-z")
    job.wait_for_timeout(300)
    before = canvas.screenshot()
    job.locator("tr[data-key=F13] td").nth(1).click()
    card = job.locator(".card")
    card.locator("h2", has_text="F13").wait_for()
    job.wait_for_timeout(300)
    assert canvas.screenshot() != before
    answers = card.locator("table.verdicts tbody th").all_inner_texts()
    assert [a.splitlines()[-1].strip() for a in answers] == ["wire", "surface grind", "mill", "sink-erode"]
    assert "diameter 5 mm" in card.inner_text()
    assert "say which" in card.locator(".flags").inner_text()


def test_section_explosion_and_stock_change_the_picture(job):
    canvas = job.locator(".canvas canvas")
    shots = [canvas.screenshot()]

    def changed() -> bool:
        job.wait_for_timeout(600)
        shots.append(canvas.screenshot())
        return shots[-1] != shots[-2]

    job.select_option("#axis", "0")
    assert changed()
    job.locator("#offset").press("ArrowRight")
    assert changed()
    job.select_option("#axis", "")
    assert changed()
    job.check("#apart")
    assert changed()
    job.uncheck("#apart")
    assert changed()
    names = job.locator("#stock option").all_inner_texts()
    assert names[:2] == ["the part", "the blank"]
    after = [name for name in names[2:] if not name.startswith("setup ")]
    found = [re.fullmatch(r"after step (\d+), \w.*", name) for name in after]
    assert found
    assert all(found), names
    steps = [int(match[1]) for match in found if match]
    assert steps == sorted(steps)
    job.select_option("#stock", label=after[0])
    assert changed()
    job.check("#veil")
    assert changed()


def test_a_changed_thread_changes_the_route(job):
    assert "thread to be settled" in _reason(job)
    job.locator(".decide #decide-thread").fill("M6")
    job.locator(".decide button").click()
    job.locator("#turn option:checked", has_text="r2 done").wait_for(state="attached")
    job.wait_for_selector(READY)
    assert "thread-mill M6" in _reason(job)
    assert not job.locator(".flags .blocking").count()
    job.click("#tab-Choices")
    assert "thread M6" in job.locator(".kept").inner_text()
    job.locator("a", has_text="Compare with r1").click()
    job.locator("h2", has_text="Features").wait_for()
    assert "F13" in job.locator("main").inner_text()
    only = job.get_by_role("region", name="Choices", exact=True)
    assert "thread M6" in only.inner_text()


def _reason(page: Any) -> str:
    page.click("#tab-Features")
    page.locator("tr[data-key=F13] button").click()
    page.locator(".card h2", has_text="F13").wait_for()
    return page.locator(".verdicts tr.taken").inner_text()


def test_an_edge_picked_in_the_view_is_decided_and_taken_back(job):
    job.click("#tab-Edges")
    job.select_option("#view", "-z")
    job.wait_for_timeout(300)
    listed = job.locator("tr[data-key]").count()
    assert listed == int(job.locator("#tab-Edges .count").inner_text())
    box = job.locator(".canvas canvas").bounding_box()
    # The long side of the mounting side, 31 of 62 mm below the middle: 62 mm fill the height but for 4 %.
    job.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2 + box["height"] / 2.16 - 2)
    card = job.locator(".card")
    card.locator("h2", has_text="Edge E").wait_for()
    edge = card.locator("h2").inner_text().split()[1]
    assert "must break" in card.inner_text()
    assert "86 mm long" in card.inner_text()
    assert job.locator("tr.chosen").get_attribute("data-key") == edge
    card.locator("#decide-edges").select_option("keep sharp")
    card.locator("button[type=submit]").click()
    _next(job)
    assert "asked for; by function must break" in card.inner_text()
    row = job.locator(f"tr[data-key={edge}]")
    assert "keep sharp" in row.inner_text()
    job.select_option("#which", "asked")
    assert job.locator("tr[data-key]").count() == 1
    job.click("#tab-Flags")
    said = job.locator(".flags .warning", has_text=edge)
    assert "cuts hands" in said.inner_text()
    job.click("#tab-Files")
    kept = [r.inner_text() for r in job.locator("table[class=''] tr", has_text="kept").all()]
    assert any("routing" in k for k in kept)
    job.click("#tab-Choices")
    assert "edge keep sharp" in job.locator(".kept").inner_text()
    job.locator(".kept button", has_text="Take back").last.click()
    job.locator(".choices button[type=submit]").click()
    _next(job)
    job.click("#tab-Flags")
    assert not job.locator(".flags .warning", has_text=edge).count()


@pytest.mark.parametrize(("where", "what"), [("77/0", "revision"), ("1/9", "part"), ("x/y", "revision")])
def test_an_address_of_nothing_says_so_and_the_page_goes_on(page, where, what):
    _to_job(page, "wear_plate.step")
    own = page.url
    page.goto(f"{own.rsplit('/', 2)[0]}/{where}")
    page.locator("#said", has_text=f"there is no such {what}").wait_for()
    assert page.locator("main").inner_text() == "There is nothing to show here. To the jobs"
    page.goto(own)
    page.wait_for_selector("#tab-Features")
    page.reload()
    page.wait_for_selector("#tab-Features")


def test_two_edges_decided_in_quick_succession(page):
    _to_job(page, "wear_plate.step")
    page.click("#tab-Edges")
    page.select_option("#which", "asked")
    before = page.locator("tr[data-key]").count()
    page.select_option("#which", "may break")
    for n in (0, 1):
        page.locator("tr[data-key] th button").nth(n).click()
        page.select_option("#decide-edges", "must break")
        old = page.url
        page.locator(".decide button").click()
        page.wait_for_function("u => location.href !== u", arg=old)
    _next(page)
    page.select_option("#which", "asked")
    assert page.locator("tr[data-key]").count() == before + 2


def test_choices_sent_after_an_answer_keep_the_answer(page):
    """A feature's card stands beside the form of choices: both are sent before the first is worked out."""
    _to_job(page, "wear_plate.step")
    page.click("#tab-Features")
    page.locator("tr[data-key]", has_text="chamfer").first.locator("button").click()
    page.click("#tab-Choices")
    page.select_option("#decide-edges", "must break")
    old = page.url
    page.locator(".decide button").click()
    page.wait_for_function("u => location.href !== u", arg=old)
    kept = page.locator(".kept li", has_text="chamfer of").filter(has_text="edge must break")
    kept.wait_for()
    page.fill("#material", "carbide-12")
    page.locator(".choices button[type=submit]").click()
    _next(page)
    assert page.locator("#material").input_value() == "carbide-12"
    assert kept.count() == 1


def test_what_a_row_names_is_turned_into_sight(page):
    """From the corner of +x, -y and +z: an edge of a -x face alone is behind, one of a +x face is not."""
    _to_job(page, "forming_insert.step")
    route = page.request.get(page.url.replace("#/job/", "api/jobs/").rsplit("/", 1)[0]).json()["parts"][0][
        "route"
    ]
    sides = {f["id"]: f["opens_to"] for f in route["features"] if f["kind"] == "outside face"}

    def edge_of(side: str) -> str:
        return next(
            e["id"] for e in route["edges"] if [sides[f] for f in e["features"] if f in sides] == [[side]]
        )

    page.click("#tab-Edges")
    for side, view in (("+x", "iso"), ("-x", "-x")):
        page.select_option("#view", "iso")
        page.locator(f"tr[data-key={edge_of(side)}] th button").click()
        assert page.locator("#view").input_value() == view


def test_a_blank_is_handed_in_beside_the_model(page):
    """The part itself as its blank: nothing is left to take away."""
    _to_job(page, "wear_plate.step")
    page.click("#tab-Choices")
    page.set_input_files("#blank-file", DEMOS / "wear_plate.step")
    page.locator("#blank option:checked", has_text="wear_plate.step").wait_for(state="attached")
    assert page.evaluate("document.activeElement.id") == "blank"
    page.locator(".choices button[type=submit]").click()
    _next(page)
    assert page.locator("#blank option:checked").inner_text() == "wear_plate.step"
    page.locator("a", has_text="Compare with").click()
    page.locator("h2", has_text="Choices").wait_for()
    assert "blank: wear_plate.step" in page.locator("main").inner_text()
    page.go_back()
    page.wait_for_selector(READY)


def test_a_thousand_edges_are_listed_in_portions(page):
    def grown(route: Any) -> None:
        answer = route.fetch()
        told = answer.json()
        for part in told["parts"]:
            edges = part["route"]["edges"]
            more = [dict(edges[0], id=f"E{n}", place=n) for n in range(len(edges) + 1000, 2000)]
            part["route"]["edges"] = [*edges, *more]
            page.total = len(part["route"]["edges"])
        route.fulfill(response=answer, json=told)

    page.route(re.compile(r"/api/jobs/[0-9a-f]{12}/\d+$"), grown)
    _to_job(page, "thread_trial.step")
    page.click("#tab-Edges")
    assert page.locator("tr[data-key]").count() == 300
    page.locator("button", has_text=f"Show {page.total - 300} more").click()
    assert page.locator("tr[data-key]").count() == page.total
    assert page.evaluate("document.activeElement.id") == "panel"


def _next(page: Any) -> None:
    """The revision that was just asked for, done and shown."""
    page.locator(".progress").wait_for(state="visible")
    page.locator(".progress").wait_for(state="hidden")
    page.locator("#turn option:checked", has_text="done").wait_for(state="attached")
    page.wait_for_function("() => !document.querySelector('#panel.stale')")


def test_allowances_of_a_feature_and_of_a_kind_with_errors_at_their_fields(page):
    _drop(page, "wear_plate.step")  # a job of its own: another test may have given the part its own blank
    page.wait_for_selector(READY)
    page.click("#tab-Features")
    row = page.locator("tr[data-key]", has_text="surface grind").first
    key = row.get_attribute("data-key")
    kind = row.locator("td").first.inner_text()
    row.locator("button").click()
    floor = page.locator("#decide-floor")
    floor.fill("7")
    page.locator(".decide button").click()
    assert "from 0 to 5" in page.locator("#decide-floor-fault").inner_text()
    assert floor.get_attribute("aria-invalid") == "true"
    assert "decide-floor-fault" in floor.get_attribute("aria-describedby")
    assert page.evaluate("document.activeElement.id") == "decide-floor"
    floor.fill("0.03")
    page.locator(".decide button").click()
    _next(page)
    assert page.locator("#decide-floor").input_value() == "0.03"
    page.click("#tab-Choices")
    assert "0.03 mm left on floors" in page.locator(".kept").inner_text()
    page.fill("#kind-floor", "6")
    page.locator(".choices button[type=submit]").click()
    assert "from 0 to 5" in page.locator("#kind-floor-fault").inner_text()
    page.fill("#kind-floor", "0.02")
    page.locator(".choices button[type=submit]").click()
    assert "kind" in page.locator("#kind-fault").inner_text()
    page.select_option("#kind", kind)
    page.locator(".choices button[type=submit]").click()
    _next(page)
    assert f"{kind}: 0.02 mm left on floors, 0 on walls" in page.locator(".kept").inner_text()
    page.click("#tab-Features")
    page.locator(f"tr[data-key={key}] button").click()
    assert page.locator("#decide-floor").input_value() == "0.03"  # the feature's own before its kind's


def test_a_wrong_choice_is_refused_beside_its_form(job):
    job.click("#tab-Choices")
    job.fill("#material", "wood")
    job.locator(".choices button[type=submit]").click()
    job.locator("#material-fault", has_text="steel-60hrc").wait_for()
    assert job.locator("#material").get_attribute("aria-invalid") == "true"
    assert job.evaluate("document.activeElement.id") == "material"


def test_the_zip_holds_what_the_page_shows(job, tmp_path):
    with job.expect_download() as waiting:
        job.click("#zip")
    path = tmp_path / "all.zip"
    waiting.value.save_as(path)
    with zipfile.ZipFile(path) as packed:
        assert packed.testzip() is None
        (name,) = [n for n in packed.namelist() if n.endswith("/route.json")]
        route = json.loads(packed.read(name))
        assert (
            packed.read(name.replace("route.json", "thread_trial.step"))
            == (DEMOS / "thread_trial.step").read_bytes()
        )
    job.click("#tab-Features")
    shown = job.locator("tr[data-key] button").all_inner_texts()
    assert shown == [f["id"] for f in route["features"]]


def test_a_bad_file_shows_the_one_line(page):
    _drop(page, "photo.step", "PK\x03\x04 and so on")
    trouble = page.locator(".trouble", has_text="it is a zip archive")
    trouble.wait_for()
    assert "photo.step is not a STEP file" in trouble.inner_text()


def test_markup_in_names_is_shown_as_it_is_written(page):
    wild = '<img src=x onerror="document.title=1"><b>part</b>'
    model = (DEMOS / "wear_plate.step").read_text().replace("WP-0917", wild)
    assert wild in model
    _drop(page, f"{wild}.step", model)
    page.wait_for_selector(READY)
    assert page.locator("h1").inner_text() == wild
    assert not page.locator("main img, main b").count()
    page.goto(page.url.split("#")[0] + "#/")
    page.locator("table.jobs").wait_for()
    assert wild in page.locator("table.jobs").inner_text()
    assert not page.locator("main img:not([src^='/api/jobs/']), main img[onerror], main b").count()


def test_a_long_name_pushes_nothing_out_of_sight(page):
    name = "x" * 115
    model = (DEMOS / "wear_plate.step").read_text().replace("WP-0917", name)
    page.set_viewport_size({"width": 800, "height": 900})
    _drop(page, f"{name}.step", model)
    page.wait_for_selector(READY)
    page.wait_for_selector("#tab-Files")
    for tab in ("Flags", "Files"):
        page.click(f"#tab-{tab}")
        assert page.evaluate("document.documentElement.scrollWidth") <= 800
    page.goto(page.url.split("#")[0] + "#/")
    button = page.locator("table.jobs button", has_text="Remove").first
    button.wait_for()
    box = button.bounding_box()
    assert box["x"] + box["width"] <= 800
    page.goto(page.url.split("#")[0] + "#/compare")
    page.wait_for_selector("select")
    assert page.evaluate("document.documentElement.scrollWidth") <= 800


def test_several_files_at_once_are_jobs_of_their_own(page):
    page.wait_for_selector("#search")
    page.set_input_files("#files", [DEMOS / "wear_plate.step", DEMOS / "corner_cavity.step"])
    for name in ("wear_plate.step", "corner_cavity.step"):
        page.locator("table.jobs tr", has=page.get_by_role("link", name=name, exact=True)).filter(
            has_text="operation"
        ).first.wait_for()
    page.fill("#search", "CC-1186")
    page.locator("#search + p", has_text=re.compile(r"^1 job")).wait_for()
    assert page.locator("table.jobs tbody tr").count() == 1


def test_by_keyboard_alone(job):
    """Tab and arrows reach the view, the tabs, a row, a choice; what has the focus can be seen."""
    job.keyboard.press("Escape")
    job.evaluate("document.activeElement.blur()")
    seen: list[str] = []
    for _ in range(60):
        job.keyboard.press("Tab")
        name, outlined = job.evaluate(
            """() => {
              const e = document.activeElement;
              const styles = [e, e.closest("label") ?? e].map(x => getComputedStyle(x));
              const seen = styles.some(s => s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 2);
              return [e.id || e.tagName, seen];
            }"""
        )
        assert outlined, name
        seen.append(name)
        if name == "tab-Flags":
            break
    assert {"view", "axis", "stock", "apart", "CANVAS", "tab-Flags"} <= set(seen)
    job.keyboard.press("ArrowRight")
    assert job.evaluate("document.activeElement.id") == "tab-Features"
    job.keyboard.press("Tab")
    for _ in range(4):
        job.keyboard.press("Tab")
    job.keyboard.press("Enter")
    job.locator("tr.chosen").wait_for()
    canvas = job.locator(".canvas canvas")
    canvas.focus()
    before = canvas.screenshot()
    job.keyboard.press("ArrowLeft")
    job.wait_for_timeout(300)
    assert canvas.screenshot() != before


@pytest.mark.parametrize("wide", [1440, 1024, 800])
def test_nothing_is_wider_than_the_window(job, wide):
    job.set_viewport_size({"width": wide, "height": 900})
    for tab in ("Flags", "Features", "Edges", "Operations", "Figures", "Choices", "Files"):
        job.click(f"#tab-{tab}")
        assert job.evaluate("document.documentElement.scrollWidth") <= wide


@pytest.mark.parametrize(
    "where",
    ["jobs", "Flags", "Features", "Edges", "Operations", "Figures", "Choices", "Files", "compare", "log"],
)
def test_axe_finds_no_fault(page, where):
    """Every rule of WCAG 2.2 A and AA that axe-core has; contrast is one (AA: 4.5 to 1, large 3 to 1)."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    if where in ("compare", "log"):
        page.goto(page.url.split("#")[0] + f"#/{where}")
        page.locator("h1", has_text=re.compile("^(Who|Compare)")).wait_for()
        if where == "compare":
            page.locator("form button").click()
            page.locator(".half canvas").first.wait_for()
    elif where != "jobs":
        _to_job(page, "thread_trial.step")
        page.click("#tab-Features")
        page.locator("tr[data-key=F13] button").click()
        page.click(f"#tab-{where}")
        if where == "Choices":  # with what is said at a field that was filled in wrongly
            page.fill("#kind-floor", "9")
            page.locator(".choices button[type=submit]").click()
            page.locator("#kind-floor-fault", has_text="from 0 to 5").wait_for()
    else:
        page.wait_for_selector("#search")
    found = axe.Axe().run(
        page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
    )
    faults = [
        (v["impact"], v["id"], [n["html"][:120] for n in v["nodes"]]) for v in found.response["violations"]
    ]
    assert faults == []
    assert any(r["id"] == "color-contrast" for r in found.response["passes"])

"""The report: both files hold what the route file says, ask for nothing, and take names as words."""

from __future__ import annotations

import copy
import io
import json
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2
import pytest
from pypdf import PdfReader

from routing.export.exporters import report as handover
from routing.export.report import html
from routing.export.report import type as report_type
from routing.export.report.blocks import Pictures, Report, Section, Table, Text, clean, general
from routing.export.report.compose import Composer, Paper
from routing.export.report.drawing import Area, Drawing, Line
from routing.export.report.eye import axes_of
from routing.export.report.gallery import Gallery
from routing.export.report.hole_sections import gauge
from routing.export.report.pdf import pdf
from routing.export.report.pictures import Subject, legend, picture, subject_of, swatch
from routing.export.report.render import shoot, visible
from routing.export.report.type import stretches
from routing.export.viewer.mesh import mesh_of
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs.job import run_job
from routing.processes.rooms import signs
from tests.support.browser import chromium_page
from tests.support.sampled import few

DEMOS = Path(__file__).parents[1] / "demo_models"
# A plain one, one with threads that are faulty, one that is wired, ground and milled from several sides.
PARTS = ("thread_trial", "crossing_block", "wear_plate")


@pytest.fixture(scope="module", params=few(PARTS, 1))
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a job."""
    out = tmp_path_factory.mktemp("report") / request.param
    run_job(DEMOS / f"{request.param}.step", out, Choices(), load_shop(None))
    return out


@pytest.fixture(scope="module")
def content(made: Path) -> dict[str, Any]:
    return json.loads((made / "route.json").read_text(encoding="utf-8"))


def printable(text: str) -> str:
    return "".join(letters for _, letters in stretches(text))


def _squeezed(text: str) -> str:
    return "".join(text.split())


class _Page(HTMLParser):
    """Words, addresses and scripts of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.addresses: list[str] = []
        self.tags: list[str] = []
        self._quiet = False

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        self.tags.append(tag)
        self._quiet = tag in ("script", "style")
        self.addresses += [v or "" for k, v in attrs if k in ("src", "href", "action", "data", "xlink:href")]

    def handle_endtag(self, tag: str) -> None:
        self._quiet = False

    def handle_data(self, data: str) -> None:
        if not self._quiet:
            self.words.append(data)


def _parsed(path: Path) -> _Page:
    page = _Page()
    page.feed(path.read_text(encoding="utf-8"))
    return page


def _paper(path: Path) -> str:
    return "\n".join(p.extract_text() for p in PdfReader(path).pages)


def _said(content: dict[str, Any]) -> Iterator[str]:
    """What both files must hold, word for word."""
    yield content["part"]["name"]
    for flag in content["flags"]:
        yield flag["message"]
    for doubt in content["doubts"]:
        yield doubt["question"]
    for feature in content["features"]:
        for verdict in feature["why"]:
            yield verdict["reason"]
    for operation in content["operations"]:
        yield from operation["because"]


def _holds_all(text: str, content: dict[str, Any]) -> None:
    words = set(re.findall(r"\w+", text))
    assert {f["id"] for f in content["features"]} <= words
    assert {e["id"] for e in content["edges"]} <= words
    squeezed = _squeezed(text)
    for said in _said(content):
        assert _squeezed(said) in squeezed
    # The route's rows in order: number, stage and side of each operation.
    rows = [f"{o['number']}{o['stage']}" for o in content["operations"]]
    places = [squeezed.find(_squeezed(row)) for row in rows]
    assert min(places) >= 0
    route = squeezed[squeezed.index("reasonforitsplace") :]
    order = [route.find(_squeezed(row)) for row in rows]
    assert order == sorted(order)


def test_the_paper_holds_every_feature_operation_and_flag(made, content):
    _holds_all(_paper(made / handover.PAPER), content)


def test_the_page_holds_every_feature_operation_and_flag(made, content):
    _holds_all(" ".join(_parsed(made / handover.PAGE).words), content)


def test_the_page_asks_for_nothing(made):
    page = _parsed(made / handover.PAGE)
    assert page.addresses
    assert all(a.startswith(("data:image/png;base64,", "#")) for a in page.addresses)
    text = (made / handover.PAGE).read_text(encoding="utf-8")
    assert set(re.findall(r"https?://[^\s\"'<]+", text)) <= {"http://www.w3.org/2000/svg"}
    assert "default-src 'none'" in text


def test_flags_stand_before_all_else(made, content):
    page = _squeezed(" ".join(_parsed(made / handover.PAGE).words))
    if content["flags"]:
        message = _squeezed(content["flags"][0]["message"])
        assert page.index(message) < page.index(_squeezed("seen from the corner"))
        assert page.index(message) < page.index(_squeezed("What each process could do"))


def test_the_cautions_are_those_of_the_docs(made):
    docs = (DEMOS.parent / "docs" / "cautions.md").read_text(encoding="utf-8")
    told = _squeezed(_paper(made / handover.PAPER)).replace("–", "")
    for item in docs.split("\n- ")[1:]:
        assert _squeezed(item.replace("**", "")) in told


def test_the_traveller_has_a_row_to_sign_for_each_operation(made, content):
    pages = [p.extract_text() for p in PdfReader(made / handover.PAPER).pages]
    first = next(n for n, p in enumerate(pages) if "Shop traveller" in p)
    assert first > 0
    told = _squeezed("".join(pages[first:]))
    assert all(word in told for word in ("measured", "initials", "date"))
    at = told.index("initials,date", told.index("zero,fromwhichallnumbersofthesetupcount"))
    for setup in content["setups"]:  # each setup with its own steps below it
        side = "all sides" if setup["from_side"] == "all" else f"{setup['from_side']} up"
        at = told.index(_squeezed(f"S{setup['number']} {setup['process']}, {side}"), at)
        for step in setup["steps"]:
            at = told.index(_squeezed(f"{step['number']} {step['stage']} {step['features'][0]}"), at)
    numbers = [s["number"] for setup in content["setups"] for s in setup["steps"]]
    assert numbers == [o["number"] for o in content["operations"]]


@pytest.mark.parametrize("rows", [[("1", "slot")] + 399 * [("", "slot")], [("1", 3000 * "slot ")]])
def test_what_belongs_together_but_fills_pages_is_torn(rows):
    """400 sizes of one step, and one cell higher than a page."""
    table = Table(("step", "size"), tuple(rows), (1, 9), tall=True)
    pages = PdfReader(io.BytesIO(pdf(Report("part", (("Part", "x"),), (Section("Steps", (table,)),))))).pages
    assert len(pages) > 1
    assert "".join(p.extract_text() for p in pages).count("slot") == sum(r[1].count("slot") for r in rows)


def test_title_block_and_traveller_say_whose_they_are(made, tmp_path):
    default = str(load_shop(None).toolroom)
    assert "demo" in default.lower()
    for told in (_paper(made / handover.PAPER), " ".join(_parsed(made / handover.PAGE).words)):
        assert _squeezed(told).count(_squeezed(default)) == 2
    pages = [p.extract_text() for p in PdfReader(made / handover.PAPER).pages]
    assert any("Shop traveller" in p and _squeezed(default) in _squeezed(p) for p in pages)


def test_a_toolroom_of_ones_own(tmp_path):
    (tmp_path / "shop.toml").write_text('[toolroom]\nname = "Werkzeugbau Öl & Söhne"\naddress = "Gasse 1"\n')
    run_job(DEMOS / "wear_plate.step", tmp_path / "out", Choices(), load_shop(tmp_path / "shop.toml"))
    told = _squeezed(_paper(tmp_path / "out" / handover.PAPER))
    assert told.count("WerkzeugbauÖl&Söhne,Gasse1") == 2
    assert "demo" not in told.lower()


def test_every_page_has_room_for_letter_too(made):
    """Nothing is nearer to A4's ends than half of what Letter (11 in) is shorter, and 6 mm for a printer."""
    import pypdfium2

    keep_mm = (297 - 11 * 25.4) / 2 + 5
    for page in pypdfium2.PdfDocument(made / handover.PAPER):
        assert page.get_size() == pytest.approx((210 / 25.4 * 72, 297 / 25.4 * 72), abs=0.1)
        ink = np.asarray(page.render(scale=1).to_pil().convert("L")) < 250
        rows = np.flatnonzero(ink.any(axis=1))
        columns = np.flatnonzero(ink.any(axis=0))
        assert rows[0] > keep_mm / 25.4 * 72
        assert rows[-1] < ink.shape[0] - keep_mm / 25.4 * 72
        assert columns[0] > 10 / 25.4 * 72
        assert columns[-1] < ink.shape[1] - 10 / 25.4 * 72


def test_the_page_draws_the_part_with_the_network_off(made, content, tmp_path):
    from PIL import Image

    with chromium_page(made / handover.PAGE, 1000, 900) as page:
        page.wait_for_function("window.report !== undefined")
        canvas = page.locator(".view canvas")
        canvas.scroll_into_view_if_needed()
        page.wait_for_timeout(400)
        canvas.screenshot(path=tmp_path / "part.png")
        colours = np.asarray(Image.open(tmp_path / "part.png").convert("RGB")).reshape(-1, 3)
        assert len(np.unique(colours, axis=0)) > 20
        assert (colours == (184, 0, 41)).all(axis=1).sum() > 100  # the lines of edges that stay sharp
        # A row marks its feature and says it; a click on the middle of the canvas does the same.
        row = page.locator("tbody tr[tabindex]").first
        row.focus()
        page.keyboard.press("Enter")
        assert page.inner_text(".picked").startswith(content["features"][0]["id"])
        canvas.scroll_into_view_if_needed()
        canvas.click()
        assert re.match(r"F\d+ ", page.inner_text(".picked"))
        assert page.locator("tbody tr.on").count() == 1


def test_two_runs_give_the_same_bytes(tmp_path):
    for name in ("one", "two"):
        run_job(DEMOS / "wear_plate.step", tmp_path / name, Choices(), load_shop(None))
    for file in (handover.PAGE, handover.PAPER):
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()


EVIL = "</script><img src=x onerror=alert(1)>&lt;\u202eFI\x00 \"'Łódź Őr 中文 \U0001f600"


def _with_names(content: dict[str, Any]) -> dict[str, Any]:
    told = copy.deepcopy(content)
    told["part"] |= {"name": EVIL, "source": EVIL, "healed": [EVIL]}
    for feature in told["features"]:
        feature["faces"][0]["name"] = EVIL
    told["flags"].append({"code": "x", "severity": "note", "feature": None, "message": EVIL})
    told["something new"] = {"rows": [{"name": EVIL, "size_mm": 1.5}], "note": EVIL}
    return told


def _subject(content: dict[str, Any]) -> Subject:
    from featurize.step.read import read_step
    from routing.export.route_json import face_labels

    solid = read_step(DEMOS / "wear_plate.step", isolate=False).parts[0]
    labels = face_labels(content, solid.source_faces)
    return subject_of(solid.solid, mesh_of(solid.solid), labels, content)


@pytest.fixture(scope="module")
def plate(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], Subject, Path]:
    out = tmp_path_factory.mktemp("plate")
    content = run_job(DEMOS / "wear_plate.step", out / "out", Choices(), load_shop(None)).parts[0].route
    return content, _subject(content), out / "out"


def test_names_from_a_file_are_words_and_nothing_else(plate, tmp_path):
    content, subject, folder = plate
    told = _with_names(content)
    report = Composer(Paper(told, Gallery(told, subject, folder, {}), {}, toolroom=EVIL)).report()
    (tmp_path / "page.html").write_text(html.page(report, {"model": EVIL}), encoding="utf-8")
    page = _parsed(tmp_path / "page.html")
    assert "img" not in page.tags
    assert page.tags.count("script") == 2
    assert "[U+202E]" in "".join(page.words)
    assert "[U+0000]" in "".join(page.words)
    assert "中文" in "".join(page.words)
    (tmp_path / "paper.pdf").write_bytes(pdf(report))
    paper = _squeezed(_paper(tmp_path / "paper.pdf"))
    assert "<imgsrc=xonerror=alert(1)>&lt;" in paper
    assert "ŁódźŐr" in paper
    assert "中文" in paper
    assert "Somethingnew" in paper


# Pangrams and words that any reader of the language can check; two letters that look alike are in none.
WRITINGS = {
    "accents": "Příliš žluťoučký kůň, Łódź, Őrség, Đặng, İğdır",
    "Greek": "Ξεσκεπάζω την ψυχοφθόρα βδελυγμία",
    "Cyrillic": "Съешь же ещё этих мягких французских булок",
}
EASTERN = {"simplified": "模具车间", "traditional": "模具車間圖", "Japanese": "金型ダイの部品"}
KOREAN = "금형 다이"


@pytest.fixture(params=[False, True], ids=["with a face of the machine", "with readers' faces"])
def faces(request, monkeypatch) -> Iterator[bool]:
    """Whether Chinese and Japanese are left to the reader of the file."""
    if not request.param and not report_type._MACHINE_FILE.is_file():
        pytest.skip("no face for Chinese and Japanese here: apt-get install fonts-droid-fallback")
    if request.param:
        monkeypatch.setattr(report_type, "_MACHINE_FILE", Path("/nowhere"))
    report_type._glyphs.cache_clear()
    yield request.param
    report_type._glyphs.cache_clear()


def _set(words: str, path: Path) -> Path:
    report = Report(words, (("Part", words), ("Material", words)), (Section(words, (Text(words),)),))
    path.write_bytes(pdf(report))
    return path


@pytest.mark.parametrize("writing", [*WRITINGS, *EASTERN, "Korean"])
def test_every_writing_can_be_read_out_of_the_paper(faces, writing, tmp_path):
    words = (WRITINGS | EASTERN | {"Korean": KOREAN})[writing]
    assert printable(words) == words
    told = _squeezed(_paper(_set(words, tmp_path / "paper.pdf")))
    assert told.count(_squeezed(words)) >= 5  # title, two fields, heading, paragraph


def test_what_is_embedded(faces, tmp_path):
    """Latin, Greek and Cyrillic always; the East where the machine has a face for it."""
    for words in (*WRITINGS.values(), *EASTERN.values()):
        page = PdfReader(_set(words, tmp_path / "paper.pdf")).pages[0]
        for font in page["/Resources"]["/Font"].values():
            name = str(font["/BaseFont"])
            if "DescendantFonts" in str(font.keys()):
                assert faces
                assert any(face in name for face in ("Heisei", "HYGothic", "STSong", "MSung"))
            elif "Helvetica" not in name:  # named by the library on every page, never used
                assert "/FontFile2" in font["/FontDescriptor"]


def test_no_letter_is_a_box(tmp_path):
    """Every letter, drawn alone: boxes would all look the same, and what vanished would have no ink."""
    import pypdfium2

    seen: dict[bytes, str] = {}
    letters = "".join(WRITINGS.values())
    if report_type._MACHINE_FILE.is_file():
        letters += "".join(EASTERN.values())
    for letter in sorted(set(letters) - set(" ,")):
        page = pypdfium2.PdfDocument(_set(letter, tmp_path / "paper.pdf"))[0]
        ink = np.asarray(page.render(scale=2).to_pil().convert("L"))[120:200] < 128  # the title
        rows, columns = np.flatnonzero(ink.any(axis=1)), np.flatnonzero(ink.any(axis=0))
        assert len(rows), letter
        shape = ink[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        alike = seen.setdefault(f"{rows[0]} {shape.shape}".encode() + shape.tobytes(), letter)
        assert alike == letter or {alike, letter} in ALIKE, (alike, letter)


# Letters of two scripts that are drawn the same.
ALIKE = [{"o", "ο"}, {"o", "о"}, {"ο", "о"}, {"e", "е"}, {"c", "с"}, {"x", "х"}, {"p", "р"}, {"r", "г"}]


def test_letters_that_no_type_has_are_still_told():
    assert printable("M5 × 12 ± 0.1°") == "M5 × 12 ± 0.1°"
    assert printable("ő中") == "ő中"
    assert printable("\U00020000") == "[U+20000]"
    assert printable("\U0001d5d4") in ("\U0001d5d4", "A")
    assert clean("a\u202eb\x07c") == "a[U+202E]b[U+0007]c"


def test_a_long_cell_and_a_long_word_stay_on_the_page():
    long = Table(("a", "b"), (("word " * 3000, "x" * 400),), (1, 1))
    made = pdf(Report("long", (("a", "b"), ("c", "d")), (Section("s", (long, Text("y" * 900))),)))
    assert _squeezed(_paper(io.BytesIO(made))).count("word") == 3000


def test_what_has_no_section_of_its_own_is_shown_by_a_general_one():
    (first, note, table) = general(
        {"total_mm": 3.25, "rows": [{"a_mm": 1.5, "b": ["x", "y"]}, {"c": {"d": 2}}]}
    )
    assert isinstance(first, Table)
    assert first.rows == (("total", "3.25 mm"),)
    assert isinstance(note, Text)
    assert isinstance(table, Table)
    assert table.head == ("a (mm)", "b", "c d")
    assert table.rows == (("1.5", "x; y", "-"), ("-", "-", "2"))


def test_thread_gauges_have_the_limits_of_the_standard():
    """M5-6H: minor diameter 4.134 to 4.334 (ISO 965-2, table of limits)."""
    assert gauge("M5", 4.2) == "thread plug gauge M5-6H, go and no-go; pins 4.134 go, 4.334 no-go"
    assert "LH" in gauge("M8 LH", 6.8)
    assert gauge("M6 or plain?", 5.0) == "once the thread is settled"


def _block(x: float = 40, y: float = 30, z: float = 20) -> Any:
    import cadquery as cq

    return cq.Workplane().box(x, y, z)


def test_the_eye_sees_what_projection_says():
    mesh = mesh_of(_block().val().wrapped)
    shot = shoot(mesh, axes_of(np.eye(3), "+z"), (420, 320))
    seen = np.unique(shot.faces)
    assert len(seen) == 2  # one face and the ground
    # The block's 40 x 30 mm at the shot's own scale.
    assert (shot.faces >= 0).sum() == pytest.approx(40 * 30 * shot.per_mm**2, rel=0.01)
    # Isometric (ISO 5456-3): three faces; each is foreshortened to 1 / sqrt(3) of its area.
    corner = shoot(mesh, axes_of(np.eye(3), "iso"), (420, 320))
    assert len(np.unique(corner.faces)) == 4
    area = (40 * 30 + 40 * 20 + 30 * 20) / np.sqrt(3)
    assert (corner.faces >= 0).sum() == pytest.approx(area * corner.per_mm**2, rel=0.01)


def test_hidden_edges_are_left_out():
    mesh = mesh_of(_block().val().wrapped)
    shot = shoot(mesh, axes_of(np.eye(3), "iso"), (420, 320))
    seen = [e for e, runs in zip(mesh.edges, visible(shot, mesh.edges), strict=True) if runs]
    assert len(seen) == 9  # of a box's 12 edges, the three that meet at the far corner are hidden


def test_processes_are_told_apart_without_colour():
    """In grey, the hatches of any two processes differ at a glance: their patterns are not one another's."""
    from PIL import Image, ImageDraw

    side_mm, per_mm = 12.0, 20
    square = ((0.0, 0.0), (side_mm, 0.0), (side_mm, side_mm), (0.0, side_mm))
    patterns = {}
    for key in signs():
        paper = Image.new("RGB", (round(side_mm * per_mm),) * 2, "white")
        pen = ImageDraw.Draw(paper)
        for item in swatch(key, square):
            if isinstance(item, Area):
                (ring,) = item.rings
                pen.polygon([(x * per_mm, y * per_mm) for x, y in ring], item.fill)
            else:
                for run in item.runs:
                    line = [(x * per_mm, y * per_mm) for x, y in run]
                    pen.line(line, item.ink, round(item.width_mm * per_mm))
        grey = np.asarray(paper.convert("L")).astype(int)
        middle = (int(grey.max()) + int(grey.min())) / 2
        patterns[key] = grey < middle if np.ptp(grey) > 60 else np.zeros_like(grey, bool)
    keys = list(patterns)
    for i, a in enumerate(keys):
        for b in keys[i + 1 :]:
            assert (patterns[a] != patterns[b]).mean() > 0.1, (a, b)
    letters = [sign.letter for sign in signs().values()]
    assert len(set(letters)) == len(letters)


def test_pictures_name_each_feature_that_is_seen(plate):
    content, subject, _ = plate
    names = {f["id"]: f["id"] for f in content["features"]}
    drawn = picture(subject, "+z", 120, 80, "from above", names=names).svg
    above = {f["id"] for f in content["features"] if "+z" in f["opens_to"] and f["kind"] != "outside face"}
    assert above
    assert above <= set(re.findall(r"F\d+", drawn))
    # Sharp edges are drawn four times as thick as free ones, broken ones are dashed.
    assert 'stroke-width="0.65"' in drawn
    assert "stroke-dasharray" in picture(subject, "-z", 120, 80, "from below").svg
    assert "no process found" in legend(["none"]).svg


def test_a_drawing_is_an_image_with_words_for_it():
    drawn = Drawing(10, 10, (Line(((0, 0), (10, 10))),), 'a "quoted" <line>').svg
    assert 'role="img"' in drawn
    assert "&lt;line&gt;" in drawn
    assert 'points="0.00,10.00 10.00,0.00"' in drawn  # y goes up


def test_the_same_words_may_stand_at_the_end_of_many_pages():
    words = "Keep the floor clear. " * 12
    story = tuple(Text(words, look) for look in ("item", "plain", "alert") for _ in range(60))
    paper = Report("CC-1", (("Part", "x"),), (Section("Cautions", story), Section("Again", story)))
    read = PdfReader(io.BytesIO(pdf(paper)))
    assert len(read.pages) > 5
    assert sum(page.extract_text().count("clear.") for page in read.pages) == 12 * 2 * 180


def test_what_is_drawn_beyond_a_picture_is_not_on_the_paper():
    """A spot shown near is a part of a larger drawing; seen by PDFium, whose marks reach no further."""
    far = Area((((-100.0, -100.0), (300.0, -100.0), (300.0, 300.0), (-100.0, 300.0)),), "#ff0000")
    shown = Pictures(((Drawing(40.0, 30.0, (far,), "a spot"), "a spot"),), 2)
    paper = pdf(Report("CC-1", (("Part", "x"),), (Section("Spot", (shown,)),)))
    page = np.asarray(pypdfium2.PdfDocument(paper)[0].render(scale=72 / 25.4).to_pil().convert("RGB"), int)
    red = (page[:, :, 0] > 200) & (page[:, :, 1] < 60)  # eight pixels a millimetre
    high, wide = (np.ptp(np.flatnonzero(red.any(axis=k))) / 8.0 for k in (1, 0))
    assert (wide, high) == (pytest.approx(40, abs=0.5), pytest.approx(30, abs=0.5))

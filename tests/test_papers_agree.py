"""Every paper of every demo read back by other libraries: the same zero, numbers, sides, tools and sizes as
the route file has; every assembly opened by the kernel."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable, Mapping, Sequence
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
from OCP.BRepAlgoAPI import BRepAlgoAPI_Common, BRepAlgoAPI_Cut
from OCP.BRepExtrema import BRepExtrema_DistShapeShape
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
from OCP.STEPControl import STEPControl_Reader
from rich.console import Console

from featurize.brep.solids import facets, is_valid, solids_of, volume_of
from routing.cli.console import Answers
from routing.jobs.result import PartResult
from routing.processes.rooms import signs
from routing.stock.blank import blank_from_step
from tests.support.assemblies import components
from tests.support.wire_files import passes_in

DEMOS = sorted(p.stem for p in (Path(__file__).parents[1] / "demo_models").glob("*.step"))
# Sizes are written to 1e-4 mm; the kernel joins what is nearer than 1e-3 mm.
TOUCH_MM = 2e-3
Job = tuple[Path, dict[str, Any]]


# The dearest of the demos is read back with ``--thorough``.
_DEAR = pytest.param("crossing_block", marks=pytest.mark.thorough)


@pytest.fixture(params=[*(n for n in DEMOS if n != "crossing_block"), _DEAR])
def job(request: pytest.FixtureRequest, routed_demo: Callable[[str], Path]) -> Job:
    folder = routed_demo(request.param)
    return folder, json.loads((folder / "route.json").read_text(encoding="utf-8"))


def machined(content: dict[str, Any]) -> list[dict[str, Any]]:
    return [s for s in content["setups"] if s["process"] in signs()]


def squeezed(words: str) -> str:
    return "".join(words.split())


def paper(path: Path) -> str:
    """The words of a PDF without the feet of its pages."""
    import pypdfium2

    document = pypdfium2.PdfDocument(str(path))
    text = " ".join(document[n].get_textpage().get_text_range() for n in range(len(document)))
    # The foot: title, what the paper is, the page; soft ends of lines are the library's own sign.
    text = re.sub(r"(?m)^.*minutes and money are estimates\s*(page \d+ of \d+)?|page \d+ of \d+", "", text)
    return squeezed(text.replace("\ufffe", "-").replace("\x02", "-"))


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.open(newline="", encoding="utf-8")))


def cell(value: Any) -> str:
    if isinstance(value, list):
        return " ".join(map(str, value))
    return "" if value is None else str(value)


def test_each_setup_has_its_sheet_and_each_machine_its_pack(job: Job) -> None:
    """Zero, way of holding, stock, model, each step's number and stage, each tool, as the route file says."""
    folder, content = job
    report = paper(folder / "report.pdf")
    for setup in machined(content):
        stem = f"setup_{setup['number']:02}"
        side = "all sides" if setup["from_side"] == "all" else f"{setup['from_side']} up"
        title = squeezed(f"Setup {setup['number']}: {setup['process']}, {side}")
        pack = paper(folder / f"pack_{re.sub(r'[^a-z]+', '_', setup['process'])}.pdf")
        for told in (paper(folder / f"{stem}.pdf"), pack, report):
            mine = told[told.index(title + "Zero") :]
            assert mine.startswith(squeezed(title + "Zero" + setup["zero"]["words"]))
            assert squeezed(f"Held by {setup['held_by']}") in mine
            assert squeezed(f"comes as {setup['stock_before']}, leaves as {setup['stock_after']}") in mine
            assert squeezed(f"{setup['model']}: part, stock") in mine
            at = 0
            for step in setup["steps"]:
                at = mine.index(squeezed(f"{step['number']} {step['stage']} {step['features'][0]}"), at)
            tools = [t for t in content["tools"] if t["setup"] == setup["number"]]
            for tool in tools:
                assert squeezed(f"{tool['tool']} {tool['sizes'] or '-'}") in mine, tool
        page = squeezed(re.sub(r"<[^>]+>", " ", (folder / f"{stem}.html").read_text(encoding="utf-8")))
        assert squeezed(setup["zero"]["words"]) in page
    assert {p.stem for p in folder.glob("setup_*.pdf")} == {
        f"setup_{s['number']:02}" for s in machined(content)
    }


def test_tables_hold_what_the_route_file_holds(job: Job) -> None:
    folder, content = job
    for name, told in (("holes.csv", content["holes"]["rows"]), ("tools.csv", content["tools"])):
        found = rows_of(folder / name)
        assert len(found) == len(told)
        for row, entry in zip(found, told, strict=True):
            shared = row.keys() & entry.keys()
            assert {"setup", "process"} <= shared
            assert len(shared) >= len(row) - 1
            for key in shared:
                said = (
                    "job"
                    if name == "tools.csv" and key == "setup" and entry[key] is None
                    else cell(entry[key])
                )
                assert row[key].lstrip("'") == said, (name, key)
    operations = {o["number"]: o for o in content["operations"]}
    steps = {t["number"]: (s, t) for s in content["setups"] for t in s["steps"]}
    assert steps.keys() == operations.keys()
    for number, (setup, step) in steps.items():
        o = operations[number]
        assert (o["setup"], o["stage"], o["features"]) == (setup["number"], step["stage"], step["features"])
    features = {f["id"]: f for f in content["features"]}
    for row in rows_of(folder / "route.csv"):
        assert row["process"] == features[row["feature"]]["process"]
        mine = [str(o["number"]) for o in content["operations"] if row["feature"] in o["features"]]
        assert row["operations"].split() == mine


def test_holes_stand_in_the_zero_of_their_setup(job: Job) -> None:
    """A row's place, carried to the model by its setup's zero, lies on an axis of its feature's faces."""
    folder, content = job
    zeros = {s["number"]: s["zero"] for s in content["setups"]}
    features = {f["id"]: f for f in content["features"]}
    part = facets(components(folder / machined(content)[0]["model"])["part"][0]).reshape(-1, 3)
    for row in content["holes"]["rows"]:
        if row["setup"] is None or row["what"] in ("wire", "start hole"):
            continue
        zero = zeros[row["setup"]]
        axes = np.array([zero[k] for k in "xyz"])
        assert np.cross(axes[0], axes[1]) == pytest.approx(axes[2], abs=1e-6)
        local = (part - zero["origin_mm"]) @ axes.T
        off = np.hypot(local[:, 0] - row["x_mm"], local[:, 1] - row["y_mm"])
        deep = (local[:, 2] <= row["mouth_z_mm"] + 0.01) & (local[:, 2] >= row["mouth_z_mm"] - row["to_mm"])
        bores = features[row["feature"]]["bores"]
        wide = {b[k] for b in bores for k in ("start_diameter_mm", "end_diameter_mm")}
        # A thread, its tap drill and its mouth are the standard's, not the model's.
        assert features[row["feature"]]["thread"] or any(abs(row["diameter_mm"] - d) < 2e-4 for d in wide), (
            row
        )
        wall = np.abs(off[:, None] - np.array(sorted(wide - {0.0})) / 2).min(axis=1) < 0.01
        assert (deep & wall).sum() >= 3, row


def test_start_holes_go_as_deep_in_the_steps_as_in_the_tables(job: Job) -> None:
    _, content = job
    steps = {t["number"]: t for s in content["setups"] for t in s["steps"]}
    for row in (r for r in content["holes"]["rows"] if r["what"] == "start hole"):
        (heights,) = (p["heights_mm"] for p in steps[row["step"]]["passes"] if p["feature"] == row["feature"])
        ends = [row["mouth_z_mm"] - row["from_mm"], row["mouth_z_mm"] - row["to_mm"]]
        assert heights == pytest.approx(ends, abs=1e-3), row["feature"]


def test_drawings_of_setups_are_true_to_size_from_their_zero(job: Job) -> None:
    folder, content = job
    for path in folder.glob("drawing_setup_*.dxf"):
        document = ezdxf.readfile(path)
        assert not document.audit().errors
        assert document.header["$INSUNITS"] == 4  # millimetres
        space = document.modelspace()
        number = int(path.stem[-2:])
        setup = next(s for s in content["setups"] if s["number"] == number)
        words = " ".join(t.dxf.text for t in space.query("TEXT"))
        assert setup["zero"]["words"] in words
        assert f"{setup['process']} from {setup['from_side']}" in words
        assert any(np.hypot(*tuple(p.dxf.location)[:2]) < 1e-9 for p in space.query('POINT[layer=="ZERO"]'))
        shown = [(d.dxf.text, d) for d in space.query("DIMENSION")]
        assert shown
        points = {
            round(float(v), 3)
            for _, d in shown
            for v in (*tuple(d.dxf.defpoint2)[:2], *tuple(d.dxf.defpoint3)[:2], *tuple(d.dxf.defpoint)[:2])
        }
        rows = [r for r in content["holes"]["rows"] if r["setup"] == number and r["what"] == "drill"]
        texts = {t for t, _ in shown}
        for row in rows:
            for value in (row["x_mm"], row["y_mm"]):
                assert any(abs(float(t) - value) < 6e-4 for t in texts if re.match(r"^-?[\d.]+$", t)), row
                assert any(abs(p - value) < 2e-3 for p in points), row


def test_wire_drawings_start_where_the_route_says(job: Job) -> None:
    folder, content = job
    told = content.get("wire")
    if told is None:
        assert not list(folder.glob("wire_profiles*.dxf"))
        assert rows_of(folder / "wire_passes.csv") == []
        return
    zeros = {s["number"]: s["zero"]["words"] for s in content["setups"]}
    for hole in told["start_holes"]:
        space = ezdxf.readfile(folder / hole["file"]).modelspace()
        marks = [p.dxf.location for p in space.query(f'POINT[layer=="{hole["name"]}_START"]')]
        assert len(marks) == 1
        assert tuple(marks[0])[:2] == pytest.approx((hole["x_mm"], hole["y_mm"]), abs=1e-3)
        assert any(zeros[hole["setup"]] in t.dxf.text for t in space.query("TEXT"))
        assert zeros[hole["setup"]] in told["zero"]
    for row, entry in zip(rows_of(folder / "wire_passes.csv"), told["passes"], strict=True):
        assert (int(row["setup"]), int(row["step"])) == (entry["setup"], entry["step"])
        assert [float(row["upper Z"]), float(row["lower Z"])] == pytest.approx(entry["heights_mm"])
        assert float(row["offset"]) == pytest.approx(entry["offset_mm"])
        start = entry["start_hole"]
        if start is not None:
            assert [float(row["start X"]), float(row["start Y"])] == pytest.approx(
                [start["x_mm"], start["y_mm"]]
            )


def axes_of(zero: dict[str, Any]) -> Any:
    return np.array([zero[k] for k in "xyz"])


def common_mm3(a: Any, b: Any) -> float:
    return sum(abs(volume_of(s)) for s in solids_of(BRepAlgoAPI_Common(a, b).Shape()))


def test_an_assembly_shows_part_stock_fixtures_and_zero(job: Job) -> None:
    """Fixtures touch the stock and cut neither it nor the part; jaws leave the way to every cut open."""
    folder, content = job
    stocks: dict[str, Any] = {}

    def stock(file: str) -> Any:
        if file not in stocks:
            stocks[file] = blank_from_step(folder / file).solid
        return stocks[file]

    for setup in machined(content):
        assert setup["model"] == f"setup_{setup['number']:02}.step"
        found = components(folder / setup["model"])
        names = {"part", "stock before", "zero", *(f["name"] for f in setup["fixtures"])}
        assert found.keys() == names
        place, zero = found["zero"][1], setup["zero"]
        moved = np.array([[place.Value(r + 1, c + 1) for c in range(4)] for r in range(3)])
        assert moved[:, 3] == pytest.approx(zero["origin_mm"], abs=1e-4)
        assert pytest.approx(axes_of(zero), abs=1e-6) == moved[:, :3].T
        solids = {n: solids_of(found[n][0]) for n in names - {"zero"}}
        assert all(len(s) == 1 and is_valid(s[0]) for s in solids.values())
        part, before = solids["part"][0], solids["stock before"][0]
        assert volume_of(before) == pytest.approx(volume_of(stock(setup["stock_before"])), rel=1e-6)
        cuts = []
        if setup["stock_before"] != setup["stock_after"]:
            gone = BRepAlgoAPI_Cut(before, stock(setup["stock_after"])).Shape()
            cuts = [c for c in solids_of(gone) if volume_of(c) > 1e-2]
        for fixture in setup["fixtures"]:
            (body,) = solids[fixture["name"]]
            corners = (facets(body).reshape(-1, 3) - zero["origin_mm"]) @ axes_of(zero).T
            slack = 0.02  # chords of round ones
            assert corners.min(axis=0) == pytest.approx(fixture["low_mm"], abs=slack), fixture
            assert corners.max(axis=0) == pytest.approx(fixture["high_mm"], abs=slack), fixture
            assert BRepExtrema_DistShapeShape(body, before).Value() < TOUCH_MM, (setup["number"], fixture)
            if fixture["kind"] != "screw":  # its thread is cut into what the model shows as the bore
                assert common_mm3(body, before) < 1e-3, (setup["number"], fixture)
                assert common_mm3(body, part) < 1e-3, (setup["number"], fixture)
            if "jaw" in fixture["name"]:
                for c in cuts:
                    assert common_mm3(body, way_to(c, zero)) < 1e-3, (setup["number"], fixture)


def way_to(cut: Any, zero: dict[str, Any]) -> Any:
    """The box round what is cut, in the setup's axes, and on upwards to where the tool comes from."""
    axes = axes_of(zero)
    local = (facets(cut).reshape(-1, 3) - zero["origin_mm"]) @ axes.T
    low, size = local.min(axis=0), np.ptp(local, axis=0)
    at = np.array(zero["origin_mm"]) + low @ axes
    place = gp_Ax2(gp_Pnt(*at), gp_Dir(*axes[2]), gp_Dir(*axes[0]))
    return BRepPrimAPI_MakeBox(place, float(size[0]), float(size[1]), float(size[2]) + 200.0).Solid()


# Which test reads which file back: every file that a job leaves is one of these.
READ_BACK = {
    r"(report|setup_\d\d|pack_\w+)\.(pdf|html)": "test_pages_say_what_the_papers_say",
    r"(holes|tools|route)\.csv": "test_tables_hold_what_the_route_file_holds",
    r"wire_passes\.csv|wire_profiles\w*\.dxf": "test_the_wire_sheet_and_drawing_hold_one_programme",
    r"drawing_setup_\d\d\.dxf": "test_drawings_of_setups_are_true_to_size_from_their_zero",
    r"drawing\.dxf": "test_the_parts_drawing_has_its_box_and_projection",
    r"setup_\d\d\.step": "test_an_assembly_shows_part_stock_fixtures_and_zero",
    r"electrode_.*\.step": "test_electrodes_burn_where_the_list_says",
    r"(stock/[-\w]+|ground_stock|left_behind)\.(step|stl|3mf)": "test_bodies_have_the_volumes_that_are_told",
    r"processes\.step": "test_faces_of_the_model_are_named_by_their_process",
    r"roughing\.svg": "test_the_roughing_picture_is_of_the_levels_told",
    r"route\.json": "job",
}


def test_every_file_of_a_job_is_read_back(job: Job) -> None:
    folder, _ = job
    for path in (p for p in folder.rglob("*") if p.is_file()):
        name = path.relative_to(folder).as_posix()
        readers = [test for pattern, test in READ_BACK.items() if re.fullmatch(pattern, name)]
        assert len(readers) == 1, name
        assert callable(globals()[readers[0]])


class Page(HTMLParser):
    """A page's tables (head, rows) and its words outside of pictures, cell by cell."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tables: list[tuple[list[str], list[list[str]]]] = []
        self._cell: list[str] | None = None
        self._deep = 0
        self.feed(path.read_text(encoding="utf-8"))

    def handle_starttag(self, tag: str, attrs: Sequence[tuple[str, str | None]]) -> None:
        if tag in ("svg", "nav", "script", "style"):
            self._deep += 1
        elif tag == "table":
            self.tables.append(([], []))
        elif tag == "tr" and self.tables:
            self.tables[-1][1].append([])
        if tag in ("td", "th", "dd", "h2", "p", "figcaption") and not self._deep:
            self._cell = []

    def handle_data(self, data: str) -> None:
        if self._cell is not None and not self._deep:
            self._cell.append(data)

    def handle_endtag(self, tag: str) -> None:
        if tag in ("svg", "nav", "script", "style"):
            self._deep -= 1
        elif tag in ("td", "th", "dd", "h2", "p", "figcaption") and self._cell is not None:
            told, self._cell = "".join(self._cell), None
            self.words.append(told)
            if tag == "th":
                self.tables[-1][0].append(told)
            elif tag == "td":
                self.tables[-1][1][-1].append(told)

    def rows(self, first: str, *more: str) -> list[dict[str, str]]:
        """Those of all tables whose head begins with a word and has others."""
        return [
            dict(zip(head, row, strict=True))
            for head, rows in self.tables
            if head and head[0] == first and set(more) <= set(head)
            for row in rows
            if row
        ]


def test_pages_say_what_the_papers_say(job: Job) -> None:
    """Every cell of a pack's and a setup's page stands on its paper too."""
    folder, _ = job
    for path in (*folder.glob("pack_*.html"), *folder.glob("setup_*.html")):
        told = paper(path.with_suffix(".pdf"))
        page = Page(path)
        assert len(page.words) > 10
        for words in page.words:
            assert squeezed(words) in told, (path.name, words)


def numbers(words: str) -> list[float]:
    return [float(v) for v in re.findall(r"-?\d+(?:\.\d+)?", words)]


def test_packs_have_the_numbers_of_the_route_file(job: Job) -> None:
    """Tools with their cost, holes, wire passes, ground floors: of each machine its own, and all of them."""
    folder, content = job
    seen: dict[str, int] = dict.fromkeys(("tools", "holes", "passes", "grinding"), 0)
    wired = content.get("wire") or {"passes": []}
    for process in dict.fromkeys(s["process"] for s in machined(content)):
        page = Page(folder / f"pack_{re.sub(r'[^a-z]+', '_', process)}.html")
        own = [s["number"] for s in content["setups"] if s["process"] == process]
        tools = [t for t in content["tools"] if t["setup"] in own]
        for row, tool in zip(page.rows("tool", "life"), tools, strict=True):
            assert (row["tool"], row["measures, mm"]) == (tool["tool"], tool["sizes"] or "-")
            for column, key, digits in (
                ("sticks out, mm", "stick_out_mm", 1),
                ("goes down, mm", "reach_mm", 2),
                ("min", "minutes", 1),
                (content["estimate"]["currency"], "cost", 2),
            ):
                found, told = numbers(row[column]), tool[key]
                assert found == ([] if told is None else [pytest.approx(told, abs=0.51 * 10**-digits)]), key
            share = tool["life_share"]
            life = None if row["life"] == "-" else numbers(row["life"])[0]
            assert (life is None) == (share is None)
            assert share is None or life == pytest.approx(100 * share, abs=1)
            assert row["steps"].split() == list(map(str, tool["steps"]))
            assert row["to get"] == (tool["get"] or "-")
        holes = [h for h in content["holes"]["rows"] if h["setup"] in own]
        for row, hole in zip(page.rows("id", "setup.step, side"), holes, strict=True):
            assert row["setup.step, side"] == f"{hole['setup']}.{hole['step']} {hole['side']}"
            place = [hole["x_mm"], hole["y_mm"], hole["mouth_z_mm"]]
            assert numbers(row["X / Y / mouth Z, mm"]) == pytest.approx(place, abs=6e-4)
            assert numbers(row["Ø, mm"])[0] == pytest.approx(hole["diameter_mm"], abs=6e-4)
            assert numbers(row["depth, mm; bottom"])[:2] == pytest.approx(
                [hole["from_mm"], hole["to_mm"]], abs=6e-4
            )
        passes = [p for p in wired["passes"] if p["setup"] in own]
        for row, entry in zip(page.rows("path", "pass"), passes, strict=True):
            assert (row["path"], row["pass"]) == (entry["cut"], f"{entry['number']} {entry['makes']}")
            assert numbers(row["Z from / to, mm"]) == pytest.approx(entry["heights_mm"], abs=6e-4)
            assert float(row["angle, deg"]) == pytest.approx(entry["angle_deg"], abs=6e-4)
            wire = [entry["wire_mm"], entry["offset_mm"]]
            assert numbers(row["wire Ø, offset, mm"]) == pytest.approx(wire, abs=6e-5)
            assert row["wire Ø, offset, mm"].endswith(entry["side"])
            assert f"{entry['trims']} trim" in row["cuts"]
        ground = [g for g in content["grinding"] if g["setup"] in own]
        for row, floor in zip(page.rows("at", "from to, as ground"), ground, strict=True):
            assert (row["at"], row["feature"]) == (floor["letter"], " ".join(floor["features"]))
            assert row["from to, as ground"].startswith(floor["axis"])
            assert numbers(row["from to, as ground"]) == pytest.approx(floor["ground_mm"], abs=6e-4)
            low, high = floor["ground_mm"]
            assert float(row["width ground"]) == pytest.approx(high - low, abs=6e-4)
            finished = floor["finished_mm"]
            assert numbers(row["finished"].lstrip("-")) == (
                [] if finished is None else [pytest.approx(finished[1] - finished[0], abs=6e-4)]
            )
            assert float(row["Z ground"]) == pytest.approx(floor["z_ground_mm"], abs=6e-4)
            assert (row["Z finished"] == "-") == (floor["z_finished_mm"] is None)
            assert row["wheel"] == floor["wheel"]
            assert float(row["dressed R"]) == pytest.approx(floor["dressed_mm"], abs=6e-4)
        for key, found in (("tools", tools), ("holes", holes), ("passes", passes), ("grinding", ground)):
            seen[key] += len(found)
    stations = {s["number"] for s in content["setups"]} - {s["number"] for s in machined(content)}
    assert seen["tools"] == sum(t["setup"] not in (*stations, None) for t in content["tools"])
    assert seen["holes"] == sum(h["setup"] is not None for h in content["holes"]["rows"])
    assert seen["passes"] == len(wired["passes"])
    assert seen["grinding"] == len(content["grinding"])


def test_the_quote_is_the_estimate(job: Job) -> None:
    """Line by line; the lines add up to the sum, and the tools of the job to what the lines say they wear."""
    folder, content = job
    entry, page = content["estimate"], Page(folder / "pack_quote.html")
    money = entry["currency"]
    lines = page.rows("op", "between")
    for row, line in zip(lines, entry["lines"], strict=True):
        assert (row["op"], row["what"], row["by"]) == (
            str(line["operation"] or "-"),
            line["what"],
            line["process"],
        )
        assert float(row["min"]) == pytest.approx(line["minutes"], abs=0.051)
        assert float(row[money]) == pytest.approx(line["cost"], abs=0.0051)
    assert sum(float(r[money]) for r in lines) == pytest.approx(entry["cost"], abs=0.0051 * len(lines))
    batches = page.rows("pieces in a batch")
    for row, batch in zip(batches, entry["quantities"], strict=True):
        assert int(row["pieces in a batch"]) == batch["pieces"]
        assert float(row[f"{money} a piece"]) == pytest.approx(batch["cost"], abs=0.0051)
    for row, other in zip(page.rows("another way, one piece"), entry["what_if"], strict=True):
        assert row["another way, one piece"] == f"{other['process']} makes {' '.join(other['features'])} too"
        assert float(row["more"]) == pytest.approx(other["cost"] - entry["cost"], abs=0.011)
    assert f"One piece: {entry['cost']:.2f} {money}" in " ".join(page.words)
    bought = {r["to buy"] for r in page.rows("to buy")}
    assert bought == {t["tool"] for t in content["tools"] if t["setup"] is None and t["get"] == "to buy"}
    worn = [
        float(v) for line in entry["lines"] for b in line["basis"] for v in re.findall(r"wears ([\d.]+) ", b)
    ]
    told = [
        t["cost"] for t in content["tools"] if t["setup"] is None and t["process"] == "mill" and t["cost"]
    ]
    assert sum(told) == pytest.approx(sum(worn), abs=0.0051 * (len(worn) + len(told)))


def test_the_traveller_and_the_die_makers_plan_follow_the_route(job: Job) -> None:
    folder, content = job
    page = Page(folder / "pack_traveller.html")
    x, y, z = content["part"]["box_mm"]
    *_, squared = squarings = page.rows("blank", "size, mm")
    soft = [
        p["leaves_mm"]["floor"]
        for s in content["setups"]
        for t in s["steps"]
        if t["stage"] == "square"
        for p in t["passes"]
        if p["leaves_mm"]["floor"]
    ]
    assert len(squarings) == 1 + bool(soft)
    if soft:
        assert numbers(squarings[0]["size, mm"])[-1] == pytest.approx(z + 2 * max(soft), abs=6e-4)
    is_round = squared["size, mm"].startswith("Ø")
    assert is_round == (content["stock"]["blank"].startswith("disc") and x == y)
    assert numbers(squared["size, mm"]) == pytest.approx([x, z] if is_round else [x, y, z], abs=6e-4)
    rows = page.rows("step", "size to reach, mm")
    heads = [r for r in rows if r["step"].startswith("S")]
    assert [r["step"] for r in heads] == [f"S{s['number']}" for s in content["setups"]]
    for row, setup in zip(heads, content["setups"], strict=True):
        assert row["work"].startswith(setup["process"])
        assert setup["held_by"] in row["size to reach, mm"]
    steps = [t for s in content["setups"] for t in s["steps"]]
    for row, step in zip((r for r in rows if r["step"].isdigit()), steps, strict=True):
        assert (int(row["step"]), row["work"]) == (step["number"], step["stage"])
        assert row["size to reach, mm"].split() == step["features"]
    places = " ".join(r["where, from the setup's zero"] for r in rows)
    for floor in content["grinding"]:
        low, high = (f"{v:.3f}".rstrip("0").rstrip(".") for v in floor["ground_mm"])
        assert f"{floor['axis']} {low} to {high}, Z " in places
    told = Page(folder / "pack_die_maker.html").rows("setup", "machine, side up")
    for row, setup in zip(told, content["setups"], strict=True):
        assert (int(row["setup"]), row["zero"]) == (setup["number"], setup["zero"]["kind"] or "none")
        assert row["machine, side up"] == f"{setup['process']}, {setup['from_side']}"
        assert row["held by"].startswith(setup["held_by"])
        assert float(row["min"]) == pytest.approx(sum(t["minutes"] for t in setup["steps"]), abs=0.51)


def test_the_wire_sheet_and_drawing_hold_one_programme(job: Job) -> None:
    """Leads of sheet, drawing and route file end in one place; outlines are at the heights told."""
    folder, content = job
    told = content.get("wire")
    if told is None:
        return
    drawn = passes_in(folder, content)
    assert {c["name"] for c in told["cuts"]} == drawn.keys()
    for row, entry in zip(rows_of(folder / told["sheet"]), told["passes"], strict=True):
        for column, key in (("makes", "makes"), ("side", "side"), ("travel", "travel"), ("file", "file")):
            assert row[column] == entry[key]
        assert [row["upper layer"], row["lower layer"]] == entry["layers"]
        assert (int(row["trims"]), int(row["cuts"])) == (entry["trims"], len(entry["speeds"]))
        assert float(row["angle deg"]) == pytest.approx(entry["angle_deg"])
        space = ezdxf.readfile(folder / entry["file"]).modelspace()
        leads = [e for e in space if e.dxf.layer == entry["lead"]["layer"]]
        ends = {round(e.dxf.elevation, 3): np.array(list(e.get_points("xy")))[-1] for e in leads}
        for which, height in zip(("upper", "lower"), entry["heights_mm"], strict=True):
            meets = [float(row[f"{which} meets {a}"]) for a in "XY"]
            assert meets == pytest.approx(entry["lead"][f"{which}_mm"][-1], abs=1e-4)
            assert ends[round(height, 3)] == pytest.approx(meets, abs=2e-3)


def test_the_parts_drawing_has_its_box_and_projection(job: Job) -> None:
    folder, content = job
    document = ezdxf.readfile(folder / "drawing.dxf")
    assert not document.audit().errors
    space = document.modelspace()
    words = [t.dxf.text for t in space.query("TEXT")]
    assert any("first angle" in w for w in words)
    zero = next(
        s["zero"]["words"] for s in reversed(machined(content)) if any(s["zero"]["words"] in w for w in words)
    )
    assert zero
    at = [float(d.dxf.text) for d in space.query("DIMENSION")]
    spans = {round(a - b, 3) for a in at for b in at}
    for side in content["part"]["box_mm"]:
        assert any(abs(side - s) < 2e-3 for s in spans), side


def shape_in(path: Path) -> Any:
    reader = STEPControl_Reader()
    reader.ReadFile(str(path))
    reader.TransferRoots()
    return reader.OneShape()


def test_electrodes_burn_where_the_list_says(job: Job) -> None:
    """X Y Z C carries the electrode's own frame to where it burns; sheet, solids and list have one size."""
    folder, content = job
    files = {p.name for p in folder.glob("electrode_*.step")}
    entries = [e for e in content["electrodes"] if e["file"]]
    assert files == {e[k] for e in entries for k in ("file", "burn_file")}
    if not entries:
        return
    page = Page(folder / "pack_sink_erode.html")
    printed = paper(folder / "pack_sink_erode.pdf")
    sheet = {
        head[n]: {row[0]: row[n] for row in rows if row}
        for head, rows in page.tables
        if head[0] == "electrode"
        for n in range(1, len(head))
    }
    for e in entries:
        (own,), (burnt,) = (solids_of(shape_in(folder / e[k])) for k in ("file", "burn_file"))
        assert volume_of(own) == pytest.approx(volume_of(burnt), rel=1e-9)
        assert volume_of(own) == pytest.approx(e["volume_mm3"], abs=1e-3)
        zero = next(s["zero"] for s in content["setups"] if s["number"] == e["setup"])
        c = np.radians(e["c_deg"])
        turn = np.array([[np.cos(c), -np.sin(c), 0], [np.sin(c), np.cos(c), 0], [0, 0, 1]])
        points = facets(own).reshape(-1, 3)
        local = (facets(burnt).reshape(-1, 3) - zero["origin_mm"]) @ axes_of(zero).T
        moved = points @ turn.T + e["position_mm"]
        if zero["z"] == pytest.approx(way_of(e["from_side"], content), abs=1e-6):
            for ends in (np.min, np.max):
                assert ends(moved, axis=0) == pytest.approx(ends(local, axis=0), abs=2e-3), e["name"]
        assert np.ptp(points, axis=0) == pytest.approx(e["size_mm"], abs=2e-3)
        form = points[points[:, 2] < -1e-6]
        assert np.ptp(form, axis=0)[:2] == pytest.approx(e["form_mm"][:2], abs=2e-3)
        assert -points[:, 2].min() == pytest.approx(e["form_mm"][2], abs=2e-3)
        assert all(a <= b + 1e-3 for a, b in zip(sorted(e["size_mm"]), e["blank_mm"], strict=True))
        told = sheet[e["name"]]
        for label, value in (
            ("blank, mm", e["blank_mm"]),
            ("form, mm", e["form_mm"]),
            ("undersize a side, gap, mm", [e["undersize_mm"], e["gap_mm"]]),
            ("X / Y / Z of its base, mm", e["position_mm"]),
            ("C, deg", [e["c_deg"]]),
            ("spark area, mm²", [round(e["spark_area_mm2"], 1)]),
        ):
            assert numbers(told[label]) == pytest.approx(value, abs=6e-4), label
        assert told["flushing"] == e["flushing"]
        assert (f"radius {e['orbit_mm']:g}" in told["orbit, mm"]) == bool(e["orbit_mm"])
        drawn = printed[printed.index(squeezed(f"{e['name']} from the side")) - 400 :]
        for v in (form[:, 0].min(), form[:, 0].max(), points[:, 2].min(), points[:, 2].max()):
            assert f"{round(float(v), 3) + 0.0:.3f}".rstrip("0").rstrip(".") in drawn, (e["name"], v)


def way_of(side: str, content: Mapping[str, Any]) -> list[float]:
    """The direction of a plain side that an electrode comes from, by the setup that has it up."""
    return next(s["up"] for s in content["setups"] if s["from_side"] == side)


def test_bodies_have_the_volumes_that_are_told(job: Job) -> None:
    import trimesh

    folder, content = job
    stages = {s["file"]: s["volume_mm3"] for s in content["stock"]["stages"]}
    assert {p.relative_to(folder).as_posix() for p in folder.glob("stock/*.step")} == stages.keys()
    solid = {**stages, content["stock"]["ground_file"]: content["stock"]["ground_mm3"]}
    steps = {
        f"{s['number']:02}-{t['number']:02}-{t['stage'].replace(' ', '-')}": t
        for s in content["setups"]
        for t in s["steps"]
    }
    for file, volume in solid.items():
        path = folder / file
        (body,) = solids_of(shape_in(path))
        assert is_valid(body)
        assert volume_of(body) == pytest.approx(volume, abs=2e-3), file
        if (step := steps.get(path.stem)) is not None:
            assert_named_with_what_is_left(path, step)
        for mesh in (path.with_suffix(".stl"), path.with_suffix(".3mf")):
            if mesh.exists():
                read = trimesh.load(mesh, force="mesh")
                assert read.is_watertight
                assert read.volume == pytest.approx(volume, rel=2e-3), mesh.name
    left = content["left_behind"]
    entries = [e for e in left["entries"] if e["bodies"]]
    assert (left["file"] is None) == (not entries)
    if entries:
        solids = solids_of(shape_in(folder / left["file"]))
        assert len(solids) == sum(len(e["bodies"]) for e in entries)
        total = sum(e["volume_mm3"] for e in entries)
        assert sum(map(volume_of, solids)) == pytest.approx(total, abs=2e-3 * len(solids))
        words = (folder / left["file"]).read_text(encoding="utf-8")
        assert all(name in words for e in entries for name in e["bodies"])


def assert_named_with_what_is_left(path: Path, step: Mapping[str, Any]) -> None:
    """Faces of the body after a step that leaves something for a later one say how much."""
    left = [v for p in step["passes"] for v in p["leaves_mm"].values() if v > 0]
    names = set(re.findall(r"ADVANCED_FACE\('([^']*)'", path.read_text(encoding="utf-8")))
    start = "ground " if step["stage"] == "grind" else rf"{step['stage']} {step['number']}\b"
    own = {n for n in names if re.match(start, n)}
    if step["stage"] != "grind":
        sizes = dict.fromkeys(f"{v:g}" for v in (min(left, default=0), max(left, default=0)) if v)
        words = f", {' to '.join(sizes)} left" if sizes else ""
        assert own <= {f"{step['stage']} {step['number']}{words}"}
    said = {float(v) for n in own for v in re.findall(r", ([\d.]+) left", n)}
    assert said <= {round(v, 4) for v in left}
    assert said or not own or not left or step["stage"] == "grind"


def test_faces_of_the_model_are_named_by_their_process(job: Job) -> None:
    from featurize.step.read import read_step

    folder, content = job
    (part,) = read_step(folder / "processes.step", isolate=False).parts
    owner = {f["index"]: e for e in content["features"] for f in e["faces"]}
    assert len(part.face_names) == len(owner)
    colours: dict[str, set[Any]] = {}
    for n, (name, colour) in enumerate(zip(part.face_names, part.face_colours, strict=True)):
        process, _, feature = name.rpartition(" ")
        assert feature.partition(".")[0] == owner[n]["id"]
        regions = {r["process"] for r in owner[n].get("regions", ())}
        assert process in {owner[n]["process"], *regions}
        colours.setdefault(process, set()).add(tuple(np.round(colour, 3)))
    blank = colours.pop("none", set())
    assert all(len(c) == 1 for c in colours.values())
    assert len({c for own in colours.values() for c in own} | blank) == len(colours) + len(blank)


def test_the_roughing_picture_is_of_the_levels_told(job: Job) -> None:
    from xml.etree import ElementTree

    folder, content = job
    root = ElementTree.fromstring((folder / "roughing.svg").read_text(encoding="utf-8"))
    words = [t.text or "" for t in root.iter("{http://www.w3.org/2000/svg}text")]
    assert content["part"]["name"] in words[0]
    roughing = content["stock"]["roughing"]
    if roughing is None:
        return
    for name, key in (("block", "block"), ("ground stock", "ground")):
        levels = [int(m[1]) for w in words if (m := re.match(rf"{name}, from .*: (\d+) level", w))]
        assert sum(levels) == roughing[key]["levels"]


def test_the_terminal_names_side_zero_step_and_tool(job: Job) -> None:
    _, content = job
    lines = io.StringIO()
    Answers(Console(file=lines, width=2000, color_system=None)).answer(PartResult(".", 1, content))
    shown = lines.getvalue().splitlines()
    for setup in content["setups"]:
        number, side = setup["number"], re.escape(setup["from_side"])
        zeros = [line for line in shown if re.match(rf"zero of setup ([\d, ]+, )?{number}\b", line)]
        assert [setup["zero"]["words"] in line for line in zeros] == [True], number
        for step in setup["steps"]:
            begins = rf"\s*{number}\s+{step['number']}\s+.*{step['stage']}.*\s{side}\s"
            (row,) = [line for line in shown if re.match(begins, line)]
            assert {p["tool"]["words"] for p in step["passes"] if p["tool"]} <= set(_tools_in(row))


def _tools_in(row: str) -> list[str]:
    """The tools of a row of the terminal's plan: its cells stand two signs apart."""
    return [tool for cell in re.split(r"\s{2,}", row.strip()) for tool in cell.split(", ")]

"""Every paper of every demo read back by other libraries: the same zero, numbers, sides, tools and sizes as
the route file has; every assembly opened by the kernel."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
from OCP.BRepAlgoAPI import BRepAlgoAPI_Common, BRepAlgoAPI_Cut
from OCP.BRepExtrema import BRepExtrema_DistShapeShape
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt

from featurize.brep.solids import facets, is_valid, solids_of, volume_of
from routing.processes.rooms import signs
from routing.stock.blank import blank_from_step
from tests.support.assemblies import components

DEMOS = sorted(p.stem for p in (Path(__file__).parents[1] / "demo_models").glob("*.step"))
# Sizes are written to 1e-4 mm; the kernel joins what is nearer than 1e-3 mm.
TOUCH_MM = 2e-3
Job = tuple[Path, dict[str, Any]]


@pytest.fixture(params=DEMOS)
def job(request: pytest.FixtureRequest, routed_demo: Callable[[str], Path]) -> Job:
    folder = routed_demo(request.param)
    return folder, json.loads((folder / "route.json").read_text(encoding="utf-8"))


def machined(content: dict[str, Any]) -> list[dict[str, Any]]:
    return [s for s in content["setups"] if s["process"] in signs()]


def squeezed(words: str) -> str:
    return "".join(words.split())


def paper(path: Path) -> str:
    from pypdf import PdfReader

    return squeezed("".join(p.extract_text() for p in PdfReader(path).pages))


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

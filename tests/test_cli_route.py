"""The whole job on demo inserts, through the command."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from featurize.brep.shapes import FACE, each, volume_mm3
from featurize.errors import StepError
from featurize.step.read import read_step
from routing.export.exporters import all_files, letter
from routing.export.exporters.route_file import DRY_RUN
from routing.export.palette import rgb
from routing.inputs.choices import Choices, ChoicesError
from routing.inputs.shop import load_shop
from routing.jobs.extent import Extent
from routing.jobs.job import run_job
from routing.jobs.result import PartResult
from tests.support.transforms import motion, write_assembly

ROOT = Path(__file__).resolve().parents[1]
MODEL = ROOT / "demo_models" / "forming_insert.step"
THREADS = ROOT / "demo_models" / "thread_trial.step"
SCHEMA = json.loads((ROOT / "docs" / "route.schema.json").read_text())


def _run(*words: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "routing.cli", *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=170, cwd=ROOT)


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[str]]:
    folder = tmp_path_factory.mktemp("route") / "out"
    return folder, _run("route", MODEL, "-o", folder, "--json")


@pytest.fixture(scope="module")
def route(done: tuple[Path, subprocess.CompletedProcess[str]]) -> dict[str, Any]:
    assert done[1].returncode == 0, done[1].stderr
    return json.loads((done[0] / "route.json").read_text())  # type: ignore[no-any-return]


def _check_files(folder: Path) -> None:
    """Every file bears a name that a hand-over declares, and every plain name is there."""
    names = {p.name for p in folder.rglob("*") if p.is_file()}
    always = {name for name in all_files() if not set(name) & set("*?[")}
    # Tests leave the dry run out: see conftest.py; the letter is written where it is asked for.
    assert names >= always - {DRY_RUN, *letter.FILES}
    assert [n for n in names if not any(fnmatchcase(n, pattern) for pattern in all_files())] == []


def test_every_file_and_nothing_else(
    done: tuple[Path, subprocess.CompletedProcess[str]], route: dict[str, Any]
) -> None:
    _check_files(done[0])
    assert [p.name for p in done[0].parent.iterdir()] == ["out"]
    printed = json.loads(done[1].stdout)
    assert [part["route"] for part in printed["parts"]] == [route]


def test_route_file_fits_its_schema(route: dict[str, Any]) -> None:
    jsonschema.validate(route, SCHEMA, cls=jsonschema.Draft202012Validator)


def test_schema_refuses_what_it_should(route: dict[str, Any]) -> None:
    for broken in (
        route | {"version": 1},
        route | {"extra": 1},
        {key: value for key, value in route.items() if key != "edges"},
        route | {"features": [route["features"][0] | {"process": "laser"}]},
    ):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(broken, SCHEMA, cls=jsonschema.Draft202012Validator)


def test_every_face_as_read_is_in_exactly_one_feature(route: dict[str, Any]) -> None:
    solid = read_step(MODEL, isolate=False).parts[0].solid
    listed = sorted(face["index"] for feature in route["features"] for face in feature["faces"])
    assert listed == list(range(len(each(solid, FACE))))


def test_references_resolve(route: dict[str, Any]) -> None:
    features = {f["id"] for f in route["features"]}
    earlier: set[int] = set()
    for operation in route["operations"]:
        assert set(operation["features"]) <= features
        assert set(operation["after"]) <= earlier
        earlier.add(operation["number"])
    for feature in route["features"]:
        asked = [answer["process"] for answer in feature["why"]]
        assert asked in ([], ["wire", "surface grind", "mill", "sink-erode"])
        if asked:
            first = next((a["process"] for a in feature["why"] if a["workable"]), "none")
            assert feature["process"] == first


def test_two_runs_give_the_same_bytes(
    done: tuple[Path, subprocess.CompletedProcess[str]], tmp_path: Path
) -> None:
    run_job(MODEL, tmp_path / "again", Choices(), load_shop())
    for name in ("route.json", "route.csv"):
        assert (tmp_path / "again" / name).read_bytes() == (done[0] / name).read_bytes()


def test_the_plan_is_told_before_any_paper_is_there(tmp_path: Path) -> None:
    out, told = tmp_path / "out", []

    def look(part: PartResult) -> None:
        there = [
            p.name for p in tmp_path.rglob("*") if any(fnmatchcase(p.name, name) for name in all_files())
        ]
        told.append((part, there))

    result = run_job(MODEL, out, Choices(), load_shop(), answered=look)
    ((early, there),) = told
    assert there == []
    late = result.parts[0].route
    for key in ("features", "operations", "edges", "doubts", "estimate"):
        assert early.route[key] == late[key]
    assert [s["steps"] for s in early.route["setups"]] == [s["steps"] for s in late["setups"]]


def test_without_papers_the_plan_is_the_same(
    done: tuple[Path, subprocess.CompletedProcess[str]], route: dict[str, Any], tmp_path: Path
) -> None:
    plain = _run("route", MODEL, "-o", tmp_path / "plan", "--no-papers")
    assert plain.returncode == 0, plain.stderr
    assert "papers to come" not in plain.stdout
    files = {p.name for p in (tmp_path / "plan").iterdir()}
    assert files == {"route.json", "route.csv", "holes.csv", "tools.csv"}
    alone = json.loads((tmp_path / "plan" / "route.json").read_text())
    jsonschema.validate(alone, SCHEMA, cls=jsonschema.Draft202012Validator)
    for key in ("features", "operations", "estimate", "holes", "tools"):
        assert alone[key] == route[key]
    for name in ("route.csv", "holes.csv", "tools.csv"):
        assert (tmp_path / "plan" / name).read_bytes() == (done[0] / name).read_bytes()


def test_table_has_a_row_for_each_feature(
    done: tuple[Path, subprocess.CompletedProcess[str]], route: dict[str, Any]
) -> None:
    with (done[0] / "route.csv").open(newline="", encoding="utf-8") as file:
        rows = {row["feature"]: row for row in csv.DictReader(file)}
    assert {name: row["process"] for name, row in rows.items()} == {
        f["id"]: f["process"] for f in route["features"]
    }


def test_model_shows_the_process_of_each_face(
    done: tuple[Path, subprocess.CompletedProcess[str]], route: dict[str, Any]
) -> None:
    source = read_step(MODEL, isolate=False).parts[0]
    shown = read_step(done[0] / "processes.step", isolate=False).parts[0]
    assert volume_mm3(shown.solid) == pytest.approx(volume_mm3(source.solid), rel=1e-9)
    for feature in route["features"]:
        for face in feature["faces"]:
            assert shown.face_names[face["index"]] == f"{feature['process']} {feature['id']}"
            if feature["process"] != "none":
                assert shown.face_colours[face["index"]] == pytest.approx(rgb(feature["process"]), abs=1e-5)


def test_stock_file_has_the_volume_that_the_route_tells(
    done: tuple[Path, subprocess.CompletedProcess[str]], route: dict[str, Any]
) -> None:
    stock = read_step(done[0] / "ground_stock.step", isolate=False).parts[0]
    assert volume_mm3(stock.solid) == pytest.approx(route["stock"]["ground_mm3"], rel=1e-6)
    assert route["stock"]["part_mm3"] < route["stock"]["ground_mm3"] < route["stock"]["blank_mm3"]
    assert route["stock"]["proof"]["holds"], route["stock"]["proof"]["faults"]


def test_blocking_flags_end_in_status_1_only_when_asked(tmp_path: Path) -> None:
    strict = _run("route", THREADS, "-o", tmp_path / "a", "--strict", "--no-papers")
    assert strict.returncode == 1
    assert "blocking" in strict.stdout
    assert (tmp_path / "a" / "route.json").is_file()
    plain = _run("route", THREADS, "-o", tmp_path / "b", "--thread", "all=plain", "--no-papers")
    assert plain.returncode == 0
    assert "thread-ambiguous" not in plain.stdout


def test_a_forced_process_is_taken(tmp_path: Path) -> None:
    choices = Choices(processes={"slot": "sink-erode"})
    features = (
        run_job(MODEL, tmp_path / "out", choices, load_shop(), extent=Extent(papers=False))
        .parts[0]
        .route["features"]
    )
    slots = [f["process"] for f in features if f["kind"] == "slot"]
    assert slots
    assert set(slots) == {"sink-erode"}


@pytest.mark.parametrize("key", ["processes", "threads"])
def test_a_choice_for_a_feature_that_is_not_there(tmp_path: Path, key: str) -> None:
    choices = Choices(**{key: {"F99": "M5" if key == "threads" else "mill"}})  # type: ignore[arg-type]
    with pytest.raises(ChoicesError, match=f"{key}: no part has F99: write one of F"):
        run_job(MODEL, tmp_path / "out", choices, load_shop())
    assert not list(tmp_path.iterdir())


def test_an_edge_that_is_decided_is_in_the_route_and_flagged(tmp_path: Path) -> None:
    plain = _run("route", THREADS, "-o", tmp_path / "a", "--json", "--no-papers")
    sharp = next(e for e in _edges(plain) if e["verdict"] == "keep sharp")
    decided = ("--edge", f"{sharp['id']}=may-break")
    done = _run("route", THREADS, "-o", tmp_path / "b", "--json", "--no-papers", *decided)
    (edge,) = [e for e in _edges(done) if e["asked"]]
    assert (edge["id"], edge["verdict"]) == (sharp["id"], "may break")
    flags = json.loads((tmp_path / "b" / "route.json").read_text())["flags"]
    assert [f["severity"] for f in flags if f["code"] == "forced-edge"] == ["warning"]
    # The same by its place, which is for good, from a choices file.
    key = "".join(f"{k} = {json.dumps(v)}\n" for k, v in sharp["settle"].items())
    (tmp_path / "own.toml").write_text(f'[[settle]]\n{key}edge = "may break"\n')
    own = ("--choices", tmp_path / "own.toml")
    again = _run("route", THREADS, "-o", tmp_path / "c", "--json", "--no-papers", *own)
    assert _edges(again) == _edges(done)


def _edges(done: subprocess.CompletedProcess[str]) -> list[dict[str, Any]]:
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)["parts"][0]["route"]["edges"]  # type: ignore[no-any-return]


def test_the_time_limit_stops_the_job_and_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(StepError, match="time limit"):
        run_job(MODEL, tmp_path / "out", Choices(), load_shop(), time_limit_s=0.2)
    assert not list(tmp_path.iterdir())


def test_several_parts_get_a_folder_each_and_copies_are_counted(tmp_path: Path) -> None:
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox

    plate, block = BRepPrimAPI_MakeBox(30, 20, 5).Solid(), BRepPrimAPI_MakeBox(10, 10, 10).Solid()
    far = motion((1, 1, 0), 30, (100, 0, 0))
    products = [("plate", plate, [motion(), far]), ("block", block, [motion(shift_mm=(0, 50, 0))])]
    model = write_assembly(products, tmp_path / "set.step")
    result = run_job(model, tmp_path / "out", Choices(), load_shop())
    assert [(p.folder, p.count) for p in result.parts] == [("1-plate", 2), ("2-block", 1)]
    for part in result.parts:
        _check_files(tmp_path / "out" / part.folder)
        jsonschema.validate(part.route, SCHEMA, cls=jsonschema.Draft202012Validator)

"""A whole job with a drawing: the route changes where the drawing speaks, and nowhere else."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from routing.export.exporters import all_files
from routing.export.report import drawing_sections
from routing.export.report.blocks import Pictures, Table
from routing.inputs.choices import Choices, ChoicesError, load_choices
from routing.inputs.sheet.glyphs import worded
from routing.inputs.shop import load_shop
from routing.jobs.extent import Extent
from routing.jobs.job import run_job
from routing.jobs.job_inputs import Inputs
from routing.web.answers import from_table
from tests.support.sheets import Paper, Words, by_reportlab

ROOT = Path(__file__).parents[1]
MODEL = ROOT / "demo_models" / "pierce_die.step"
SCHEMA = json.loads((ROOT / "docs" / "route.schema.json").read_text(encoding="utf-8"))


def _drawing(path: Path, *texts: str) -> Path:
    return by_reportlab(Paper(tuple(Words(30, 270 - 12 * n, t) for n, t in enumerate(texts))), path)


def _route(folder: Path, **choices: Any) -> dict[str, Any]:
    result = run_job(MODEL, folder, Choices(**choices), load_shop(), extent=Extent(papers=False))
    return result.parts[0].route


# Threads as they are, no tolerance: nothing of the plan may change. The rest is against the model.
ASKED = (
    "2x M5 ↧10 / Ø4.2 ↧12", "M8", "2x Ø7 H7", "Part No.: XX-1", "cemented carbide", "62-64 HRC",
    "Kanten gebrochen", "Ra 0.8",
)  # fmt: skip
CODES = (
    "drawing-misfit", "drawing-misfit", "drawing-texture", "drawing-part", "drawing-material",
    "drawing-material", "drawing-edges",
)  # fmt: skip


@pytest.fixture(scope="module")
def routes(tmp_path_factory: Any) -> tuple[dict[str, Any], dict[str, Any], Path]:
    folder = tmp_path_factory.mktemp("drawn")
    bare = _route(folder / "bare")
    drawing = _drawing(folder / "a.pdf", *ASKED)
    return bare, _route(folder / "drawn", drawing=str(drawing)), folder / "drawn"


def test_what_is_asked_changes_nothing_of_the_plan(routes: Any) -> None:
    bare, drawn, _ = routes
    jsonschema.validate(drawn, SCHEMA)
    asked = [f for f in drawn["flags"] if f["code"].startswith("drawing")]
    assert [f["code"] for f in asked] == list(CODES)
    assert [f for f in drawn["flags"] if f not in asked] == bare["flags"]
    assert drawn.keys() - bare.keys() == {"drawing"}
    for key in bare.keys() - {"features", "flags"}:
        assert drawn[key] == bare[key], key
    for was, now in zip(bare["features"], drawn["features"], strict=True):
        told = {"evidence", "confidence"} if now["thread"] else set()
        assert {k: v for k, v in was.items() if k not in told} == {
            k: v for k, v in now.items() if k not in told
        }
    threads = [f for f in drawn["features"] if f["thread"]]
    assert [f["evidence"][-1] for f in threads] == [f"settled by the drawing a.pdf: {worded(ASKED[0])}"] * 2


def test_each_question_has_its_picture(routes: Any) -> None:
    _, drawn, folder = routes
    said = drawn["drawing"]
    assert [q["code"] for q in said["questions"]] == list(CODES)
    spots = [q for q in said["questions"] if q["at_mm"]]
    assert len(spots) == len(CODES) - 1  # all but the part's number, which is nowhere on the model
    for question in spots:
        assert (folder / question["picture"]).read_bytes().startswith(b"\x89PNG")
    assert {c["came_to"] for c in said["callouts"]} == {"matched", "asked"}
    section = drawing_sections.drawing(drawn, folder)
    assert section is not None
    (pictures,) = [b for b in section.blocks if isinstance(b, Pictures)]
    assert len(pictures.drawings) == len(spots)
    assert any(isinstance(b, Table) and ("M8", "1", "-", "asked") in b.rows for b in section.blocks)
    assert drawing_sections.drawing({}, folder) is None
    assert "drawing_question_[0-9][0-9]*.png" in all_files()


def test_tolerances_ask_for_steps_where_the_plan_knows_them(routes: Any, tmp_path: Path) -> None:
    bare, _, _ = routes
    drawing = _drawing(tmp_path / "b.pdf", "2x M5", "2x Ø6 H7 THRU", "18 ±0.005")
    drawn = _route(tmp_path / "drawn", drawing=str(drawing))
    asked = {f["id"]: f["callouts"] for f in drawn["features"] if f["callouts"]}
    dims = {f["id"]: f["dims"] for f in bare["features"]}
    assert {i: dims[i].get("diameter_mm", dims[i].get("length_mm")) for i in asked} == {
        i: c[0]["value_mm"] for i, c in asked.items()
    }
    assert len(asked) == 3
    noted = [f["feature"] for f in drawn["flags"] if f["code"] == "called-out-fine"]
    assert sorted(noted) == sorted(asked)
    untouched = [f["id"] for f in bare["features"] if f["id"] not in asked and not f["thread"]]
    by_id = {f["id"]: f for f in drawn["features"]}
    assert all(by_id[f["id"]] == f for f in bare["features"] if f["id"] in untouched)


def test_a_result_depends_on_its_drawing(tmp_path: Path) -> None:
    shop = load_shop()

    @cache
    def of(name: str) -> Inputs:
        return Inputs.of("a.step", "0" * 64, Choices(drawing=str(tmp_path / name)), shop)

    (tmp_path / "a.pdf").write_bytes(b"one")
    (tmp_path / "b.pdf").write_bytes(b"one")
    first = of("a.pdf")
    (tmp_path / "a.pdf").write_bytes(b"two")
    second = Inputs.of("a.step", "0" * 64, Choices(drawing=str(tmp_path / "a.pdf")), shop)
    assert first.digest != second.digest
    assert first.recognition(0) != second.recognition(0)
    assert first.routing(0) != second.routing(0)


def test_a_drawing_in_the_choices_file_starts_where_the_file_is(tmp_path: Path) -> None:
    file = tmp_path / "a.choices.toml"
    file.write_text('drawing = "a.pdf"\n')
    assert load_choices(file).drawing == str(tmp_path / "a.pdf")
    with pytest.raises(ChoicesError, match="drawing"):
        from_table({"drawing": "/etc/passwd"})
    with pytest.raises(ChoicesError, match="write the path of the part's drawing"):
        Choices(drawing=3)  # type: ignore[arg-type]

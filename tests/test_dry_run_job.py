"""A job is machined on paper as a part of it, unless that is left out."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from featurize.errors import Code, StepError
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs import dry_running
from routing.jobs.extent import Extent
from routing.jobs.job import run_job
from routing.jobs.job_inputs import Inputs

ROOT = Path(__file__).parents[1]
PLATE = ROOT / "demo_models" / "wear_plate.step"


@pytest.fixture(autouse=True)
def _wanted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DIEROUTE_DRY_RUN", "1")


def test_a_job_is_machined_on_paper_and_shown_step_by_step(tmp_path: Path) -> None:
    result = run_job(PLATE, tmp_path / "out", Choices(material="carbide-12"), load_shop())
    route = json.loads((tmp_path / "out" / "route.json").read_text(encoding="utf-8"))
    jsonschema.validate(route, json.loads((ROOT / "docs" / "route.schema.json").read_text(encoding="utf-8")))
    assert route["dry_run"]["blocking"] == 0
    assert json.loads((tmp_path / "out" / "dry_run.json").read_text(encoding="utf-8")) == {"findings": []}
    assert [f for f in result.parts[0].route["flags"] if f["code"] == dry_running.CODE] == []
    assert "the part comes out" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_what_is_found_is_a_flag(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    finding = {"fault": "gouge", "message": "takes", "feature": "F01", "step": 3, "blocking": True}
    monkeypatch.setattr(
        dry_running, "_machined", lambda folder, part: ([finding], [{"face": 3, "mm": -0.02}])
    )
    result = run_job(PLATE, tmp_path / "out", Choices(material="carbide-12"), load_shop())
    (flag,) = [f for f in result.parts[0].route["flags"] if f["code"] == dry_running.CODE]
    assert (flag["severity"], flag["feature"], flag["message"]) == ("blocking", "F01", "On paper: takes")
    assert result.parts[0].route["dry_run"]["off_mm"] == [{"face": 3, "mm": -0.02}]
    assert result.blocked
    assert "findings 1, blocking 1" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_a_dry_run_that_is_lost_costs_the_job_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def crashed(folder: Path, part: object) -> None:
        raise StepError(Code.CRASHED, "the kernel crashed")

    monkeypatch.setattr(dry_running, "_machined", crashed)
    result = run_job(PLATE, tmp_path / "out", Choices(material="carbide-12"), load_shop())
    (flag,) = [f for f in result.parts[0].route["flags"] if f["code"] == dry_running.FAILED]
    assert flag["severity"] == "warning"
    assert not result.blocked


def test_it_can_be_left_out(tmp_path: Path) -> None:
    run_job(
        PLATE, tmp_path / "out", Choices(material="carbide-12"), load_shop(), extent=Extent(dry_run=False)
    )
    assert not (tmp_path / "out" / "dry_run.json").exists()


def test_a_result_without_it_does_not_stand_for_one_with_it(monkeypatch: pytest.MonkeyPatch) -> None:
    given = "a.step", "0" * 64, Choices(), load_shop()
    wanted = Inputs.of(*given).digest
    monkeypatch.setenv("DIEROUTE_DRY_RUN", "0")
    assert Inputs.of(*given).digest != wanted

"""A process forced on a feature comes from one side in every paper, one that the feature opens to."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from routing.cli.console import Answers
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs.extent import Extent
from routing.jobs.job import run_job
from routing.jobs.result import PartResult

DEMOS = Path(__file__).resolve().parents[1] / "demo_models"
# An opening across the part and one along it, a bore, a run and a pocket.
FORCED = (
    ("crossing_block", "F01", "mill"),
    ("crossing_block", "F04", "sink-erode"),
    ("pierce_die", "F03", "sink-erode"),
    ("wear_plate", "step", "mill"),
    ("forming_insert", "pocket", "sink-erode"),
)


@pytest.mark.parametrize(("demo", "key", "process"), FORCED)
def test_every_paper_names_one_side(demo: str, key: str, process: str, tmp_path: Path) -> None:
    choices = Choices(material="steel-60hrc", processes={key: process}, threads={"all": "plain"})
    (part,) = run_job(
        DEMOS / f"{demo}.step", tmp_path / "out", choices, load_shop(), extent=Extent(papers=False)
    ).parts
    route = json.loads((tmp_path / "out" / "route.json").read_text(encoding="utf-8"))
    features = {f["id"]: f for f in route["features"]}
    forced = [f["id"] for f in features.values() if key in (f["id"], f["kind"])]
    assert forced
    assert {features[f]["process"] for f in forced} == {process}
    steps = {step["number"]: (setup, step) for setup in route["setups"] for step in setup["steps"]}
    shown = _terminal(part)
    for operation in route["operations"]:
        setup, step = steps[operation["number"]]
        assert operation["from_side"] == setup["from_side"] == shown[operation["number"]]
        assert (operation["setup"], operation["process"]) == (setup["number"], step["process"])
        for f in set(forced) & set(operation["features"]):
            if operation["process"] == process:
                assert (
                    operation["from_side"] in (*features[f]["opens_to"], "all") or "(" in setup["from_side"]
                )
    for row in csv.DictReader((tmp_path / "out" / "holes.csv").open(encoding="utf-8", newline="")):
        if row["step"]:
            setup, step = steps[int(row["step"])]
            assert row["side"].lstrip("'") == setup["from_side"]
            assert int(row["setup"]) == setup["number"]
            assert row["tool"] in {p["tool"]["words"] if p["tool"] else "" for p in step["passes"]}
    with (tmp_path / "out" / "route.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            own = {o["from_side"] for o in route["operations"] if row["feature"] in o["features"]}
            assert set(row["from"].lstrip("'").split()) <= {w for side in own for w in side.split()}


def _terminal(part: PartResult) -> dict[int, str]:
    """Side by step, as printed."""
    out = io.StringIO()
    Answers(Console(file=out, width=400)).finish(_result(part), Path("out"))
    found: dict[int, str] = {}
    lines = out.getvalue().splitlines()
    start = next(k for k, line in enumerate(lines) if "held by" in line and "work" in line)
    left, right = lines[start].index("side"), lines[start].index("features")
    for line in lines[start + 1 :]:
        number = line[lines[start].index("step") : lines[start].index("work")].strip()
        if number.isdigit():
            found[int(number)] = line[left:right].strip()
    return found


def _result(part: PartResult) -> Any:
    from routing.jobs.result import JobResult

    return JobResult((part,), ())

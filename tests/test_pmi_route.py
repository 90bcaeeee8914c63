"""What is called out tight or fine changes the route, with the reason; the limits are common practice."""

from __future__ import annotations

import json
import os
from pathlib import Path

import cadquery as cq
import jsonschema
import pytest

from featurize.brep.build import build_part
from featurize.feature import Callout, Feature, Kind, Role
from featurize.recognise import recognise
from featurize.step import kernel
from featurize.step.read import read_step
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs import job
from routing.jobs.result import JobResult
from routing.plan.make import make_plan
from routing.plan.plan import Plan, PlannedStep
from routing.processes.finish import demands
from routing.processes.shop import Shop
from tests.support.pmi import Pick, Size, Tolerance, at_height, bore, write
from tests.support.routed import STEEL, shop_with

SCHEMA = Path(__file__).resolve().parents[1] / "docs" / "route.schema.json"


def through() -> cq.Workplane:
    return cq.Workplane().box(40, 30, 20, centered=(True, True, False)).faces(">Z").workplane().hole(6.5)


def blind() -> cq.Workplane:
    return cq.Workplane().box(40, 30, 20, centered=(True, True, False)).faces(">Z").workplane().hole(6.5, 10)


def routed(folder: Path, solid: cq.Workplane, *asked: Size | Tolerance, shop: Shop | None = None) -> Plan:
    part = read_step(write(folder / "b.step", solid, asked), isolate=False).parts[0]
    found = recognise(
        build_part(part.solid), working_side="+z", threads={"all": "plain"}, callouts=part.callouts
    )
    return make_plan(found, shop or load_shop(), Choices(material=STEEL))


def stages(route: Plan) -> list[tuple[str, str]]:
    return [(o.stage.words, o.process) for o in route.steps]


def operation(route: Plan, stage: str) -> PlannedStep:
    (found,) = [o for o in route.steps if o.stage.words == stage]
    return found


@pytest.mark.parametrize(("half_mm", "trimmed"), [(0.0095, True), (0.0105, False)])
def test_a_tight_hole_is_trimmed_by_the_wire(tmp_path: Path, half_mm: float, trimmed: bool) -> None:
    """Just under and just over 0.02 in all."""
    route = routed(tmp_path, through(), Size(bore, 6.5, half_mm, -half_mm))
    assert (("trim", "wire") in stages(route)) is trimmed
    assert any(f.code == "called-out-fine" for f in route.flags) is trimmed
    if trimmed:
        trim = operation(route, "trim")
        assert operation(route, "wire").number in trim.after
        assert "trim cuts follow the main cut" in trim.because
        assert any("0.019 mm only, under 0.02" in note for note in trim.notes)


@pytest.mark.parametrize(("half_mm", "process"), [(0.005, "wire"), (0.1, "mill")])
def test_a_tight_hole_is_no_clearance_hole(tmp_path: Path, half_mm: float, process: str) -> None:
    """A shop that drills its plain holes wires the one that a drill cannot hold."""
    shop = load_shop()
    general = type(shop.general)(**{**vars(shop.general), "clearance_holes": "drill"})
    route = routed(tmp_path, through(), Size(bore, 6.5, half_mm, -half_mm), shop=shop_with(general=general))
    (hole,) = [f for f in route.features if f.feature.kind == Kind.HOLE]
    assert hole.process == process


def test_a_tight_blind_hole_is_bored_last(tmp_path: Path) -> None:
    route = routed(tmp_path, blind(), Size(bore, 6.5, 0.005, -0.005))
    (hole,) = [f for f in route.features if f.feature.kind == Kind.HOLE]
    assert hole.process in ("mill", "sink-erode"), hole.verdicts
    last = operation(route, "last")
    assert last.process == hole.process
    assert set(last.features) == {hole.feature.id}


@pytest.mark.parametrize(("flat_mm", "last"), [(0.004, True), (0.006, False)])
def test_a_flat_outside_face_is_ground_last(tmp_path: Path, flat_mm: float, last: bool) -> None:
    asked = Size(bore, 6.5), Tolerance(at_height(20), "Flatness", flat_mm)
    route = routed(tmp_path, through(), *asked)
    assert (("last", "surface grind") in stages(route)) is last
    if last:
        numbers = {stage: k for k, (stage, _) in enumerate(stages(route))}
        assert all(
            numbers[s] < numbers["last"]
            for s in numbers
            if s not in ("last", "demagnetise", "recast", "edges", "inspect")
        )
        assert operation(route, "last").from_side == "+z"
        assert any("wet, extracted" in note for note in operation(route, "last").notes)


@pytest.mark.parametrize(("ra", "last"), [("Ra 0.2", True), ("Ra 0.8", False)])
def test_a_fine_floor_is_finished_last(tmp_path: Path, ra: str, last: bool) -> None:
    slot = cq.Workplane().box(40, 30, 20, centered=(True, True, False))
    slot = slot.cut(cq.Workplane().box(40, 10, 4, centered=(True, True, False)).translate((0, 0, 16)))
    floor: Pick = at_height(16)
    asked = Size(floor, 16.0, text=ra, kind="Size_Thickness")
    route = routed(tmp_path, slot, asked)
    assert ("last" in dict(stages(route))) is last


def test_limits_of_one_callout() -> None:
    """By hand from the limits."""

    def asks(*callouts: Callout) -> int:
        return len(demands(Feature("F01", Kind.HOLE, (0,), {0: Role.BORE}, callouts=callouts)))

    assert asks(Callout("diameter", 6, 0.0, -0.019)) == 1
    assert asks(Callout("diameter", 6, 0.03, 0.0105)) == 1, "the width counts, not the place"
    assert asks(Callout("diameter", 6, 0.02, 0.0)) == 0
    assert asks(Callout("diameter", 6), Callout("datum", datum="A"), Callout("position", 0.001)) == 0
    assert asks(Callout("flatness", 0.0049), Callout("surface texture", 0.0003)) == 2


def _crash(*_: object) -> None:
    os.abort()


def work_with_bad_pmi(*args: object) -> JobResult:
    kernel.read_pmi = _crash  # type: ignore[assignment]  # in the child only
    return job._work(*args[:4], job._to_parent, args[4])  # type: ignore[arg-type]


def test_a_job_whose_pmi_crashes_the_kernel_runs_without(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path / "b.step", through(), [Size(bore, 6.5, 0.005, -0.005)])
    whole = job.run_job(path, tmp_path / "a", Choices(material=STEEL), load_shop(), time_limit_s=100)
    monkeypatch.setattr(job, "_work_in_child", work_with_bad_pmi)
    less = job.run_job(path, tmp_path / "b", Choices(material=STEEL), load_shop(), time_limit_s=100)
    assert not whole.notes
    assert [note for note in less.notes if "PMI" in note], less.notes
    content = json.loads((tmp_path / "a" / "route.json").read_text())
    jsonschema.validate(content, json.loads(SCHEMA.read_text()))
    called = [c for f in content["features"] for c in f["callouts"]]
    assert [(c["kind"], c["value_mm"], c["upper_mm"], c["lower_mm"]) for c in called] == [
        ("diameter", 6.5, 0.005, -0.005)
    ]
    less_content = json.loads((tmp_path / "b" / "route.json").read_text())
    assert not any(f["callouts"] for f in less_content["features"])

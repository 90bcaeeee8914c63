"""Inserts against keys that a die maker wrote from their drawings, however the model is written."""

from __future__ import annotations

from pathlib import Path

import pytest
from inserts import block
from inserts.compare import WAYS, differences, planned
from inserts.every import INSERTS
from support.routed import job_of, recognised
from support.sampled import few
from support.transforms import write_step

from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.plan.make import make_plan
from routing.processes.protocol import Stage

_TURNED = [(name, way) for name in INSERTS for way in WAYS if way != "as drawn"]


@pytest.mark.parametrize(("name", "way"), [*((n, "as drawn") for n in INSERTS), *few(_TURNED, 18)])
def test_the_plan_is_the_one_of_the_key(name: str, way: str, tmp_path: Path) -> None:
    assert list(differences(INSERTS[name], planned(INSERTS[name], way, tmp_path))) == []


def test_a_last_digit_decides_no_start_hole() -> None:
    """Ten diameters of drill 3 are 30, be they written in inches; 30.01 are more."""
    job = job_of(block(40, 40, 30))
    mill = job.processes["mill"]
    drilled = mill.pierces(job, 3.0, 30.0 + 2e-12)
    assert drilled is not None
    assert (drilled.how, str(drilled.tool)) == ("drilled", "drill 3")
    assert mill.pierces(job, 3.0, 30.01) is None


@pytest.mark.parametrize(("over_mm", "squared"), [(0.0, False), (0.3, True)])
def test_a_given_blank_is_squared_where_it_has_something_over(
    over_mm: float, squared: bool, tmp_path: Path
) -> None:
    blank = write_step(block(40, 40, 20 + over_mm).val().wrapped, tmp_path / "blank.step")
    part = block(40, 40, 20).cut(block(20, 10, 5).edges("|Z").fillet(3).translate((0, 0, 16)))
    plan = make_plan(recognised(part), load_shop(), Choices(material="steel-60hrc", blank=str(blank)))
    assert (Stage.SQUARE in {s.stage for s in plan.steps}) == squared
    assert not [f for f in plan.flags if str(f.severity) == "blocking"]

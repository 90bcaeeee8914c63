"""A process and a kind are each a room of their own: from outside too they are asked, planned and written."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cadquery as cq
import pytest

from featurize.brep.build import build_part
from featurize.kinds import Kind, Traits
from featurize.kinds import added as kind_added
from featurize.recognise import added as family_added
from featurize.recognise import recognise
from routing.inputs.choices import Choices
from routing.inputs.shop import ShopError, load_shop
from routing.jobs.job import run_job
from routing.plan.make import make_plan
from routing.processes.protocol import Stage
from routing.processes.rooms import added, process_names
from tests import extra_kind, extra_process
from tests.extra_process.process import QUESTIONS, without
from tests.support import keys
from tests.support.sampled import few

DEMOS = ("pierce_die", "crossing_block")


@pytest.fixture
def jig() -> Iterator[None]:
    with added(extra_process.ROOM):
        yield


@pytest.mark.parametrize("demo", few(DEMOS, 1))
@pytest.mark.usefixtures("jig")
def test_a_process_of_one_folder_is_routed_planned_priced_and_written(demo: str, tmp_path: Path) -> None:
    shop = load_shop()
    result = run_job(keys.load(demo).step, tmp_path / "out", Choices(material="carbide-12"), shop)
    (part,) = result.parts
    route = part.route
    ground = [f for f in route["features"] if f["process"] == "jig grind"]
    assert ground
    assert all(f["why"][0]["process"] == "jig grind" for f in route["features"] if f["why"])
    steps = [o for o in route["operations"] if o["process"] == "jig grind"]
    assert {f for o in steps for f in o["features"]} >= {f["id"] for f in ground}
    pilots = [o for o in route["operations"] if o["stage"] == "start hole"]
    for f in ground:
        own = [o for o in pilots if f["id"] in o["features"]]
        assert own, "a pilot hole before"
        made = next(o for o in steps if f["id"] in o["features"])
        assert own[0]["number"] < made["number"]
    # Minutes by its own rate: wall area over 25 mm2/min, from its own fragment of the shop file.
    line = next(b for o in steps for b in o["basis"] if b.startswith(ground[0]["id"]))
    assert "at 25 mm2/min" in line
    assert {o["setup"] for o in steps} == {
        s["number"] for s in route["setups"] if s["process"] == "jig grind"
    }
    assert all(
        s["held_by"] in ("clamps", "vise", "threads", "nothing")
        for s in route["setups"]
        if s["process"] == "jig grind"
    )
    hours = next(ln for ln in route["estimate"]["lines"] if ln["process"] == "jig grind")
    assert hours["cost"] > 0
    # Stock: what it takes is gone after its step.
    bodies = route["stock"]["stages"]
    last = next(b for b in bodies if b["step"] == steps[-1]["number"])
    before = bodies[bodies.index(last) - 1]
    assert last["volume_mm3"] < before["volume_mm3"]
    assert bodies[-1]["volume_mm3"] == pytest.approx(route["stock"]["part_mm3"], rel=1e-3)
    # Its own paper, and those of the house.
    rows = list(csv.DictReader((tmp_path / "out" / "jig_bores.csv").open(encoding="utf-8")))
    assert {r["feature"] for r in rows} == {f["id"] for f in ground}
    assert "jig grind" in (tmp_path / "out" / "route.csv").read_text(encoding="utf-8")
    assert not [f for f in route["flags"] if f["code"] == "not-written"]


def test_it_is_gone_when_it_is_not_added() -> None:
    assert "jig grind" not in process_names()


@pytest.mark.parametrize("question", QUESTIONS)
def test_an_answer_left_out_raises_and_says_which(question: str) -> None:
    with pytest.raises(TypeError, match=rf"abstract method '?{question}'?"):
        without(question)()


@pytest.mark.usefixtures("jig")
def test_a_rate_left_out_is_not_guessed() -> None:
    shop = load_shop()
    rates = replace(shop.rates, per_hour={k: v for k, v in shop.rates.per_hour.items() if k != "jig grind"})
    found = recognise(
        build_part(cq.Workplane().box(30, 30, 12).faces(">Z").workplane().hole(8).val().wrapped)
    )
    with pytest.raises(KeyError, match="jig grind"):
        make_plan(found, replace(shop, rates=rates), Choices())


def test_its_keys_are_those_of_the_shop_file_only_where_it_is_added(tmp_path: Path) -> None:
    path = tmp_path / "shop.toml"
    path.write_text("[jig_grinder]\nmm2_per_min = 40\n")
    with pytest.raises(ShopError, match="jig_grinder is not known"):
        load_shop(path)
    with added(extra_process.ROOM):
        assert load_shop(path)[extra_process.ROOM.shop].jig_grinder.mm2_per_min == 40


def marked() -> cq.Workplane:
    """A block with two dimples of R 4, 1 deep."""
    solid = cq.Workplane().box(40, 30, 20, centered=(True, True, False))
    for x in (-10, 10):
        solid = solid.cut(cq.Workplane().sphere(4).translate((x, 0, 23)))
    return solid


def test_a_kind_of_one_module_is_recognised_planned_and_compared() -> None:
    with kind_added(extra_kind.NAME, extra_kind.TRAITS) as kind, family_added(extra_kind):
        found = recognise(build_part(marked().val().wrapped), working_side="+z")
        marks = [f for f in found.features if f.kind == kind]
        assert [f.dims["depth_mm"] for f in marks] == pytest.approx([1, 1], abs=0.01)
        assert sorted(i for f in found.features for i in f.faces) == list(range(len(found.part.faces)))
        plan = make_plan(found, load_shop(), Choices())
        assert {plan.process_of(f.id) for f in marks} <= {"mill", "sink-erode"}
        assert any({f.id for f in marks} & set(s.features) for s in plan.steps if s.stage != Stage.SQUARE)
        choices = Choices(processes={extra_kind.NAME: "sink-erode"})
        assert make_plan(found, load_shop(), choices).process_of(marks[0].id) == "sink-erode"
    with pytest.raises(ValueError, match="is no kind"):
        Kind(extra_kind.NAME)


def test_no_kind_is_without_its_traits() -> None:
    with pytest.raises(TypeError):
        Kind.make("bare")  # type: ignore[call-arg]
    assert all(isinstance(kind.traits, Traits) for kind in Kind)

"""What the benchmark concludes from figures, and the inserts that it is run on. Times are no test."""

from __future__ import annotations

from pathlib import Path

import pytest
from OCP.BRepCheck import BRepCheck_Analyzer

from featurize.brep.shapes import FACE, each, volume_mm3
from featurize.step.read import read_step
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs.job import route_document
from routing.jobs.recognising import inputs_of
from routing.jobs.stages import StageCache
from tests.benchmarks.measure import Figures, staged
from tests.benchmarks.regress import slower
from tests.support.corpus import DEMOS
from tests.support.inserts import insert


def figures(bare_s: float = 1.0, peak_mb: float = 300.0, stopped: str = "", **stages: float) -> Figures:
    return Figures(faces=100, bare_s=bare_s, stages=stages, peak_mb=peak_mb, stopped=stopped)


def told(old: Figures | list[Figures], new: Figures | list[Figures]) -> list[str]:
    old, new = ([f] if isinstance(f, Figures) else f for f in (old, new))
    return [str(w) for w in slower({"plate": old}, {"plate": new})]


def test_what_got_slower_is_named_with_both_ratios() -> None:
    (said,) = told(figures(routing=2.0, stock=1.0), figures(routing=3.0, stock=1.0))
    assert said == "plate: routing 2.00 -> 3.00 times the bare read"


def test_a_slower_machine_is_no_slower_program() -> None:
    assert told(figures(1.0, routing=2.0), figures(2.0, routing=4.0)) == []


@pytest.mark.parametrize("after", [1.0, 2.0, 2.4])
def test_faster_or_within_the_noise_is_not_named(after: float) -> None:
    assert told(figures(routing=2.0), figures(routing=after)) == []


def test_a_stage_too_short_to_time_is_not_named() -> None:
    assert told(figures(stock=0.01), figures(stock=0.09)) == []
    assert told(figures(stock=0.01), figures(stock=0.2)) != []


def test_one_file_among_many_does_not_move_the_median() -> None:
    many = [figures(routing=2.0)] * 4
    assert told([*many, figures(routing=2.0)], [*many, figures(routing=40.0)]) == []


def test_more_memory_is_named() -> None:
    assert told(figures(peak_mb=300), figures(peak_mb=400)) == ["plate: peak memory 300.00 -> 400.00 MB"]


def test_a_file_that_no_longer_ends_is_named_though_its_stages_are_unknown() -> None:
    (said,) = told(figures(routing=2.0), figures(stopped="routing"))
    assert "1 of 1 files did not end, 0 of 1 before" in said
    assert told(figures(stopped="routing"), figures(stopped="routing")) == []


def test_only_what_both_runs_have_is_compared() -> None:
    assert list(slower({"a": [figures(routing=1.0)]}, {"b": [figures(routing=9.0)]})) == []


def test_every_step_of_the_job_is_in_a_stage() -> None:
    steps = {
        "our read": 1.0,
        "recognising": 2.0,
        "settling": 0.5,
        "writing the report": 3.0,
        "something": 4.0,
    }
    assert staged(steps) == {"our read": 1.0, "recognition": 2.5, "documents": 3.0, "other": 4.0}


def test_the_stages_know_the_steps_of_the_job(tmp_path: Path) -> None:
    cache = StageCache()
    document = read_step(DEMOS[-1], isolate=False)
    inputs = inputs_of(document, Choices(), load_shop())
    route_document(document, tmp_path, inputs, lambda text, share: None, cache=cache)
    steps = {spent.stage: 1.0 for spent in cache.times}
    assert "other" not in staged(steps), steps


def test_a_ratio_of_a_stage_not_reached_is_unknown() -> None:
    assert figures(routing=3.0).ratio("routing", "stock") is None
    assert figures(2.0, routing=3.0, stock=1.0).ratio("routing", "stock") == pytest.approx(2.0)


@pytest.mark.parametrize("faces", [20, 57, 300])
def test_an_insert_is_a_sound_solid_of_so_many_faces_and_known_volume(faces: int) -> None:
    made = insert(faces)
    assert BRepCheck_Analyzer(made.solid).IsValid()
    assert len(each(made.solid, FACE)) == faces
    assert volume_mm3(made.solid) == pytest.approx(made.volume_mm3, rel=1e-9)


def test_an_insert_is_the_same_each_time() -> None:
    assert insert(60).volume_mm3 == insert(60).volume_mm3 != insert(60, seed=2).volume_mm3

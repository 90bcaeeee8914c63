"""Exporters side by side: the same papers whatever the number of forks, none begun before what it needs."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from featurize import isolate
from featurize.errors import StepError
from routing.export.exporters import all_exporters, paper_name
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs.extent import Extent
from routing.jobs.job import run_job

DEMO = Path(__file__).parents[1] / "demo_models" / "wear_plate.step"
forked = pytest.mark.skipif(sys.platform != "linux", reason="processes are forked on Linux only")


def _written(folder: Path) -> dict[str, bytes]:
    run_job(DEMO, folder, Choices(date="2026-01-01"), load_shop(), extent=Extent(dry_run=False))
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@forked
def test_papers_are_the_same_whatever_the_number_of_forks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    here = _written(tmp_path / "here")
    monkeypatch.setattr(isolate, "_forks", True)
    for most in (1, 3):
        monkeypatch.setattr(isolate, "_most", most)
        found = _written(tmp_path / str(most))
        assert found.keys() == here.keys()
        assert [name for name, content in found.items() if content != here[name]] == []
    assert not any(name.startswith(".") for name in here)  # bodies kept for the papers are gone


def test_an_exporter_waits_for_none_that_comes_after_it() -> None:
    every = all_exporters()
    order = {paper_name(module): n for n, module in enumerate(every)}
    for n, module in enumerate(every):
        assert all(order[name] < n for name in getattr(module, "AFTER", ()))


@forked
@pytest.mark.parametrize("most", [1, 2, 5])
def test_each_function_is_done_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most: int) -> None:
    monkeypatch.setattr(isolate, "_forks", True)
    monkeypatch.setattr(isolate, "_most", most)

    def note(n: int) -> None:
        with (tmp_path / str(n)).open("a") as file:
            file.write("done")

    isolate.run_in_parts([lambda n=n: note(n) for n in range(7)], time_limit_s=60)  # type: ignore[misc]
    assert sorted(p.name for p in tmp_path.iterdir()) == [str(n) for n in range(7)]
    assert {p.read_text() for p in tmp_path.iterdir()} == {"done"}


@forked
def test_a_fault_in_one_part_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(isolate, "_forks", True)
    monkeypatch.setattr(isolate, "_most", 2)

    def fails() -> None:
        raise ValueError("no such picture")

    with pytest.raises(ValueError, match="no such picture"):
        isolate.run_in_parts([fails, fails], time_limit_s=60)


@forked
def test_a_fork_that_takes_too_long_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(isolate, "_forks", True)

    def endless() -> None:
        while True:
            pass

    with pytest.raises(StepError, match=r"stopped after 0\.5 s"):
        isolate.run_apart(endless, time_limit_s=0.5)

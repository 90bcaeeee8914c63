"""A hand-over that fails, or in which the kernel dies, costs its own files and nothing else."""

from __future__ import annotations

import json
import os
import signal
import sys
from pathlib import Path

import pytest

from featurize import isolate
from routing.export.exporters import electrodes, report, route_file
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs.job import run_job
from routing.jobs.result import JobResult

DEMO = Path(__file__).parents[1] / "demo_models" / "wear_plate.step"


def routed(folder: Path) -> JobResult:
    return run_job(DEMO, folder, Choices(), load_shop())


def half_written(work: object, folder: Path) -> dict[str, object]:
    (folder / "report.html").write_text("half")
    raise IndexError("no such picture")


def test_a_fault_in_a_hand_over_is_told_with_its_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(report, "write", half_written)
    assert routed(tmp_path / "out").blocked
    content = json.loads((tmp_path / "out" / "route.json").read_text())
    (flag,) = (f for f in content["flags"] if f["code"] == "not-written")
    assert flag["severity"] == "blocking"
    assert "report could not be written" in flag["message"]
    assert "IndexError: no such picture (test_job_lost.py, line" in flag["message"]
    assert not (tmp_path / "out" / "report.html").exists()
    assert (tmp_path / "out" / "ground_stock.step").exists()


@pytest.mark.skipif(sys.platform != "linux", reason="processes are forked on Linux only")
def test_a_kernel_that_dies_in_a_hand_over_costs_that_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(isolate, "_forks", True)
    monkeypatch.setattr(electrodes, "write", lambda work, folder: os.kill(os.getpid(), signal.SIGKILL))
    routed(tmp_path / "out")
    content = json.loads((tmp_path / "out" / "route.json").read_text())
    assert [f["message"] for f in content["flags"] if f["code"] == "not-written"] == [
        "the electrodes could not be written, the rest is: stopped from outside "
        "(signal 9), as happens where memory runs out; the file need not be at fault: close other programs, "
        "work on fewer files at a time, or give the machine more memory."
    ]
    assert (tmp_path / "out" / "report.html").exists()


def test_without_a_route_file_there_is_no_result(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(work: object, folder: Path) -> dict[str, object]:
        raise ZeroDivisionError("gone")

    monkeypatch.setattr(route_file, "write", fails)
    with pytest.raises(Exception, match="ZeroDivisionError: gone"):
        routed(tmp_path / "out")
    assert not (tmp_path / "out").exists()

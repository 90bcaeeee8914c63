"""A worker that does many files keeps nothing of those it has done."""

from __future__ import annotations

import gc
from pathlib import Path

from support.keys import FOLDER

from featurize.brep.part import Part
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs.job import run_job


def _parts_alive() -> int:
    gc.collect()
    return sum(isinstance(thing, Part) for thing in gc.get_objects())


def test_no_part_outlives_its_job(tmp_path: Path) -> None:
    def job() -> None:
        run_job(FOLDER / "wear_plate.step", tmp_path / "out", Choices(), load_shop())

    job()
    before = _parts_alive()
    job()
    job()
    assert _parts_alive() <= before

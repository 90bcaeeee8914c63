"""The demo inserts by their keys, their faces joined by another system or their entities shuffled."""

from __future__ import annotations

from pathlib import Path

import pytest
from support import keys
from support.reorder import reordered
from support.transforms import with_joined_faces, with_split_faces, write_step
from test_demo_keys import differences, recognised

from featurize.step.read import read_step

NAMES = keys.names()
SCHEMAS = ["AP203", "AP214", "AP242"]


@pytest.mark.parametrize("place", range(len(NAMES)), ids=NAMES)
def test_joined_faces_and_a_round_trip(tmp_path: Path, place: int) -> None:
    key = keys.load(NAMES[place])
    (solid,) = read_step(key.step, isolate=False).parts
    shape = with_joined_faces(with_split_faces(solid.solid) if place % 2 else solid.solid)
    path = write_step(shape, tmp_path / "joined.step", schema=SCHEMAS[place % 3])
    # The kernel's joining drops face names, so what only a name told is told as a person would.
    threads = {f"{f.dims['diameter_mm']:g}": f.thread for f in key.features if f.thread}
    assert differences(key, recognised(path, threads)) == []


@pytest.mark.parametrize("place", range(len(NAMES)), ids=NAMES)
def test_entities_in_another_order(tmp_path: Path, place: int) -> None:
    key = keys.load(NAMES[place])
    path = reordered(key.step, tmp_path / "reordered.step", seed=place)
    assert path.read_bytes() != key.step.read_bytes()
    assert differences(key, recognised(path)) == []

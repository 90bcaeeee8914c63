"""The demo models against their construction and the closed forms of their keys; no recognition."""

from __future__ import annotations

import math

import cadquery as cq
import pytest
from OCP.ShapeUpgrade import ShapeUpgrade_UnifySameDomain
from support import keys

from demo_models.make import INSERTS, write_step

# Volumes: the kernel integrates the curves where two bores cross to about 1e-7 of the part.
SAME = 1e-6

MODELS = keys.names()


def opened(key: keys.Key) -> cq.Solid:
    (solid,) = cq.importers.importStep(str(key.step)).solids().vals()
    assert isinstance(solid, cq.Solid)
    return solid


def joined_faces(solid: cq.Shape) -> int:
    join = ShapeUpgrade_UnifySameDomain(solid.wrapped, False, True, False)
    join.Build()
    return len(cq.Shape.cast(join.Shape()).Faces())


def test_each_insert_has_a_file_and_a_key() -> None:
    assert sorted(INSERTS) == MODELS
    assert sorted(p.stem for p in keys.FOLDER.glob("*.step")) == MODELS


@pytest.mark.parametrize("name", MODELS)
def test_file_holds_the_solid_of_the_key(name: str) -> None:
    key = keys.load(name)
    assert key.name == name
    solid = opened(key)
    assert solid.isValid()
    assert solid.Volume() == pytest.approx(key.part_mm3, rel=SAME)
    assert joined_faces(solid) == key.faces
    box = solid.BoundingBox(1e-4)
    assert (box.xlen, box.ylen, box.zlen) == pytest.approx(key.blank_size_mm, abs=1e-3)
    assert math.prod(key.blank_size_mm) == pytest.approx(key.blank_mm3)


@pytest.mark.parametrize("name", MODELS)
def test_file_is_what_the_script_makes(name: str) -> None:
    made, stored = INSERTS[name].shape(), opened(keys.load(name))
    assert made.Volume() == pytest.approx(stored.Volume(), rel=1e-9)
    assert len(made.Faces()) == len(stored.Faces())
    assert made.Center().toTuple() == pytest.approx(stored.Center().toTuple(), abs=1e-6)
    assert keys.load(name).part_number == INSERTS[name].part_number


def test_script_writes_the_same_bytes_twice(tmp_path) -> None:
    for path in (tmp_path / "a", tmp_path / "b"):
        path.mkdir()
        write_step("thread_trial", path / "t.step")
    assert (tmp_path / "a" / "t.step").read_bytes() == (tmp_path / "b" / "t.step").read_bytes()


def test_named_bores_are_named_in_the_file() -> None:
    text = (keys.FOLDER / "thread_trial.step").read_text(encoding="ascii")
    assert text.count("ADVANCED_FACE('M6x0.75'") == 1
    assert text.count("ADVANCED_FACE('1/4-20 UNC'") == 1


@pytest.mark.parametrize("name", MODELS)
def test_ground_volume_stands_where_something_is_ground(name: str) -> None:
    key = keys.load(name)
    assert (key.ground_mm3 > 0) == any(f.process == "surface grind" for f in key.features)
    # Grinding takes only what is not part.
    assert key.ground_mm3 <= (key.blank_mm3 - key.part_mm3) * (1 + SAME)


def test_every_kind_of_thread_flag_is_expected_once_at_least() -> None:
    assert {f.code for f in keys.load("thread_trial").flags} == keys.FLAGS


# Where the working side looks, by construction: each key says it independently of the script.
@pytest.mark.parametrize("name", MODELS)
def test_working_side_is_the_side_the_script_turned_up(name: str) -> None:
    sign, axis = INSERTS[name].working
    expected = [0.0, 0.0, 0.0]
    expected["xyz".index(axis)] = 1.0 if sign == "+" else -1.0
    assert keys.load(name).working_side == tuple(expected)

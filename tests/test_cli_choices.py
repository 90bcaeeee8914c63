"""Choices: what they accept, what they say when they cannot be followed."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routing.inputs.choices import Choices, ChoicesError, choices_beside, load_choices
from routing.processes.material import Material


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("material", "steel"),
        ("material", "carbide-90"),
        ("material", "steel-75hrc"),
        ("material", 12),
        ("working_side", "up"),
        ("working_side", "0,0,0"),
        ("working_side", "nan,0,1"),
        ("working_side", "1,2"),
        ("blank", ""),
        ("blank_margin_mm", -1),
        ("allowance_floor_mm", math.nan),
        ("allowance_floor_mm", True),
        ("allowance_wall_mm", "0.1"),
        ("strict", 1),
        ("threads", {"hole": "M5"}),
        ("threads", {"F07": ""}),
        ("threads", {"-1": "M5"}),
        ("threads", "M5"),
        ("processes", {"F07": "laser"}),
        ("processes", {"crater": "mill"}),
        ("allowances", {"F07": 0.02}),
        ("allowances", {"F07": [0.02, -1]}),
        ("allowances", {"crater": [0.02, 0]}),
        ("edges", {"E12": "rounded"}),
        ("edges", {"crater": "keep sharp"}),
        ("edges", {"12": "keep sharp"}),
    ],
)
def test_a_wrong_choice_names_its_key_and_what_to_write(key: str, value: object) -> None:
    with pytest.raises(ChoicesError) as caught:
        Choices(**{key: value})  # type: ignore[arg-type]
    message = str(caught.value)
    assert message.startswith(f"{key} = ")
    assert "write" in message
    assert "\n" not in message


def test_a_thread_that_no_standard_knows() -> None:
    with pytest.raises(ChoicesError, match="threads: 'M99' is no thread") as caught:
        Choices(threads={"4.2": "M99"})
    assert "write" in str(caught.value)


def test_materials() -> None:
    assert Material.named("steel-58.5hrc").hardness_hrc == 58.5
    carbide = Material.named("carbide-12")
    assert (carbide.binder_percent, carbide.hardness_hrc) == (12, None)


@given(st.tuples(*[st.floats(-1e3, 1e3)] * 3).filter(lambda v: math.hypot(*v) > 1e-6))
def test_a_direction_has_unit_length_and_its_own_sense(vector: tuple[float, float, float]) -> None:
    found = Choices(working_side=",".join(map(repr, vector))).working_direction
    assert found is not None
    assert math.hypot(*found) == pytest.approx(1)
    assert sum(a * b for a, b in zip(found, vector, strict=True)) == pytest.approx(math.hypot(*vector))


def test_axis_words() -> None:
    assert Choices(working_side="-y").working_direction == (0, -1, 0)
    assert Choices().working_direction is None


def test_processes_by_id_before_kind() -> None:
    choices = Choices(processes={"F07": "surface-grind", "blind-slot": "sink erode"})
    assert choices.process_for("F07", "blind slot") == "surface grind"
    assert choices.process_for("F08", "blind slot") == "sink-erode"
    assert choices.process_for("F08", "pocket") is None


def test_allowances_by_id_before_kind_before_all() -> None:
    choices = Choices(allowance_floor_mm=0.01, allowances={"F07": [0.02, 0.005], "step": (0, 0)})  # type: ignore[dict-item]
    assert choices.allowance_for("F07", "step") == (0.02, 0.005)
    assert choices.allowance_for("F08", "step") == (0, 0)
    assert choices.allowance_for("F08", "slot") == (0.01, 0)


def test_file_and_command_line(tmp_path: Path) -> None:
    file = tmp_path / "insert.choices.toml"
    file.write_text('material = "carbide-12"\nblank = "blank.step"\n[threads]\n"4.2" = "M5"\n"F07" = "M6"\n')
    assert choices_beside(tmp_path / "insert.step") == file
    assert choices_beside(tmp_path / "other.step") is None
    choices = load_choices(file).but(material=None, allowance_floor_mm=0.02, threads={"F07": "plain"})
    assert choices.material == "carbide-12"
    assert choices.allowance_floor_mm == 0.02
    assert choices.threads == {"4.2": "M5", "F07": "plain"}
    assert Path(choices.blank) == tmp_path / "blank.step"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("material =", "c.toml is not TOML"),
        ('matrial = "carbide-12"', "matrial is not a choice: write one of material"),
        ('material = "wood"', "c.toml: material = 'wood' cannot be used"),
    ],
)
def test_a_wrong_file_is_one_line(tmp_path: Path, text: str, expected: str) -> None:
    (tmp_path / "c.toml").write_text(text)
    with pytest.raises(ChoicesError, match=expected) as caught:
        load_choices(tmp_path / "c.toml")
    assert "\n" not in str(caught.value)


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(ChoicesError, match=r"none\.toml cannot be read"):
        load_choices(tmp_path / "none.toml")

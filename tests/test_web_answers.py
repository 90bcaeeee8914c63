"""Choices on their way to the page and back: always what a choices file holds."""

from __future__ import annotations

import tomllib

import pytest

from routing.inputs.choices import Choices, ChoicesError, load_choices
from routing.web.answers import answered, as_table, as_toml, from_table

ALL = Choices(
    material="carbide-12",
    working_side="+z",
    blank="disc",
    blank_margin_mm=0.5,
    allowance_floor_mm=0.0,
    allowance_wall_mm=0.02,
    threads={"4.2": "M5", "all": "plain"},
    processes={"pocket": "sink-erode", "F07": "mill"},
    edges={"E12": "may break", "F07": "keep sharp", "pocket": "must break"},
    settle=(
        {"at": [31.0, -12.0, 22.0], "kind": "hole", "size_mm": 5.0, "thread": "M6", "process": "mill"},
        {"at": [3.0, 0.0, 22.0], "kind": "edge", "size_mm": 60.0, "edge": "must break"},
        {"at": [1.0, 2.0, 3.0], "kind": "slot", "size_mm": 8.0, "allowance": [0.02, 0.0]},
    ),
    strict=True,
)
PLACE = {"id": "F13", "at": [31.0, -12.0, 22.0], "kind": "hole", "size_mm": 5.0}


@pytest.mark.parametrize("choices", [Choices(), ALL])
def test_a_table_and_a_file_hold_all_of_them(tmp_path, choices):
    table = as_table(choices)
    assert from_table(table) == choices
    path = tmp_path / "insert.choices.toml"
    path.write_text(as_toml(table), encoding="utf-8")
    assert load_choices(path) == choices
    assert tomllib.loads(path.read_text()) == table


def test_no_allowance_is_a_choice_and_the_default_is_none():
    assert as_table(Choices(allowance_floor_mm=0.0)) == {"allowance_floor_mm": 0.0}
    assert as_table(Choices()) == {}


@pytest.mark.parametrize(
    "table",
    [
        {"blank": "/etc/passwd"},
        {"blank": "../x.step"},
        {"colour": 1},
        [],
        {"material": "wood"},
        {"settle": [1]},
        {"blank": []},
    ],
)
def test_what_is_no_choice_is_refused_in_one_line(table):
    with pytest.raises(ChoicesError) as error:
        from_table(table)
    assert "\n" not in str(error.value)


def test_answers_for_a_feature_grow_change_and_are_taken_back():
    table = answered({}, PLACE, {"thread": "M6"})
    assert table == {"settle": [{"at": [31.0, -12.0, 22.0], "kind": "hole", "size_mm": 5.0, "thread": "M6"}]}
    # A hole that was answered as a thread is a threaded hole now, and still the same one.
    table = answered(table, {**PLACE, "kind": "threaded hole"}, {"process": "sink-erode"})
    assert len(table["settle"]) == 1
    assert (table["settle"][0]["thread"], table["settle"][0]["process"]) == ("M6", "sink-erode")
    assert table["settle"][0]["kind"] == "hole"
    table = answered(table, PLACE, {"thread": "M5", "process": None})
    assert "process" not in table["settle"][0]
    assert answered(table, PLACE, {"thread": None}) == {}


def test_an_answer_takes_the_place_of_one_by_number():
    table = answered({"processes": {"F13": "mill", "pocket": "mill"}}, PLACE, {"process": "wire"})
    assert table["processes"] == {"pocket": "mill"}
    assert table["settle"][0]["process"] == "wire"


@pytest.mark.parametrize(
    "answers", [{"thread": "M99x99x99"}, {"process": "laser"}, {"colour": "red"}, {"is": "threaded hole"}]
)
def test_wrong_answers_are_refused(answers):
    with pytest.raises(ChoicesError):
        answered({}, PLACE, answers)


def test_a_feature_and_an_edge_at_one_place_are_answered_apart():
    edge = PLACE | {"id": "E4", "kind": "edge"}
    table = answered(
        answered({"edges": {"E4": "may break"}}, PLACE, {"edge": "keep sharp"}), edge, {"edge": "must break"}
    )
    assert "edges" not in table
    assert [(e["kind"], e["edge"]) for e in table["settle"]] == [
        ("hole", "keep sharp"),
        ("edge", "must break"),
    ]
    table = answered(table, edge, {"edge": None})
    assert [(e["kind"], e["edge"]) for e in table["settle"]] == [("hole", "keep sharp")]
    with pytest.raises(ChoicesError):
        answered({}, edge, {"thread": "M6"})

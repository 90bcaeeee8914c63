"""Where the parts of one file go."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from routing.jobs.job import folder_names


def test_one_part_needs_no_folder_of_its_own() -> None:
    assert folder_names(["anything / at all"]) == ["."]


@given(st.lists(st.text(max_size=120), min_size=2, max_size=12))
def test_names_are_safe_and_distinct(parts: list[str]) -> None:
    names = folder_names(parts)
    assert len(set(names)) == len(parts)
    assert sorted(names) == names, "folders list in the order of the parts"
    for name in names:
        assert name.isascii()
        assert len(name) <= 80
        assert not set(name) & set('/\\:*?"<>|\0\n ')
        assert name[0].isdigit()
        assert not name.endswith(".")


def test_a_readable_name_stays_readable() -> None:
    assert folder_names(["Stempel Ø5", "die / 2"]) == ["1-Stempel_5", "2-die_2"]

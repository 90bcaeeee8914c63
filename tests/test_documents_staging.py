"""A result folder appears complete or not at all, and nothing of the user's is lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from routing.jobs.staging import OutputError, staged_folder

NAMES = ("route.json",)


def _write(target: Path, text: str = "new") -> None:
    with staged_folder(target, NAMES) as folder:
        (folder / "part").mkdir()
        (folder / "part" / "route.json").write_text(text)
        assert not target.exists() or (target / "part" / "route.json").read_text() != text


def _all(folder: Path) -> list[str]:
    return sorted(str(p.relative_to(folder)) for p in folder.rglob("*"))


def test_folder_appears_at_the_end(tmp_path: Path) -> None:
    _write(tmp_path / "deep" / "out")
    assert _all(tmp_path) == ["deep", "deep/out", "deep/out/part", "deep/out/part/route.json"]


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt, SystemExit])
@pytest.mark.parametrize("earlier", [False, True])
def test_nothing_is_left_after_an_error(tmp_path: Path, error: type[BaseException], earlier: bool) -> None:
    if earlier:
        _write(tmp_path / "out", "old")
    before = _all(tmp_path)
    with pytest.raises(error), staged_folder(tmp_path / "out", NAMES) as folder:
        (folder / "route.json").write_text("half")
        raise error
    assert _all(tmp_path) == before
    assert not earlier or (tmp_path / "out" / "part" / "route.json").read_text() == "old"


def test_an_earlier_result_is_replaced(tmp_path: Path) -> None:
    _write(tmp_path / "out", "old")
    _write(tmp_path / "out", "new")
    assert (tmp_path / "out" / "part" / "route.json").read_text() == "new"
    assert _all(tmp_path) == ["out", "out/part", "out/part/route.json"]


def test_a_folder_with_other_files_is_never_touched(tmp_path: Path) -> None:
    _write(tmp_path / "out", "old")
    (tmp_path / "out" / "my notes.txt").write_text("keep")
    with pytest.raises(OutputError, match=r"my notes\.txt"):
        _write(tmp_path / "out", "new")
    assert (tmp_path / "out" / "my notes.txt").read_text() == "keep"
    assert (tmp_path / "out" / "part" / "route.json").read_text() == "old"


def test_a_file_put_there_meanwhile_is_kept(tmp_path: Path) -> None:
    target = tmp_path / "out"
    with pytest.raises(OutputError), staged_folder(target, NAMES):
        target.mkdir()
        (target / "theirs.txt").write_text("keep")
    assert _all(tmp_path) == ["out", "out/theirs.txt"]


def test_a_file_in_the_way(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(OutputError, match="not a folder"):
        _write(tmp_path / "out")

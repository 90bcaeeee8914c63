"""What a killed process leaves is swept; what a living one works on is not."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from support.batches import ROOT, until
from support.faults import Faults, faulty

from routing.jobs import staging
from routing.jobs.errors import OutputError
from routing.jobs.staging import staged_folder, sweep

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no such locks there")

NAMES = ("route.json", "route.csv")


def _put(target: Path, text: str) -> None:
    with staged_folder(target, NAMES) as folder:
        for name in NAMES:
            (folder / name).write_text(text)


def _killed(target: Path, at: int) -> None:
    """A process that is killed at its n-th operation on files while it puts "new" there."""
    code = f"""
import sys
from pathlib import Path
sys.path[:0] = [{str(ROOT)!r}, {str(ROOT / "tests")!r}]
from support.faults import Faults, faulty
from test_batch_staging import _put
with faulty(Faults(Path({str(target.parent)!r}), {at}, None)):
    _put(Path({str(target)!r}), "new")
"""
    done = subprocess.run([sys.executable, "-c", code], check=False)
    assert done.returncode == -signal.SIGKILL


def _age(folder: Path) -> None:
    """What was never locked goes when it is old."""
    for left in folder.iterdir():
        os.utime(left, (0, 0))


def _operations(folder: Path) -> list[str]:
    """What a run that replaces an earlier result does on files."""
    folder.mkdir()
    _put(folder / "out", "old")
    with faulty(Faults(folder)) as seen:
        _put(folder / "out", "new")
    return seen.seen


def _is_whole(target: Path, *texts: str) -> bool:
    return {(target / name).read_text() for name in NAMES} in [{text} for text in texts]


def test_a_fault_at_any_moment_leaves_the_old_or_the_new_and_no_trash(tmp_path: Path) -> None:
    operations = _operations(tmp_path / "count")
    assert sum(o.startswith("os.rename") for o in operations) == 3, operations
    for at in range(1, len(operations) + 1):
        folder = tmp_path / str(at)
        target = folder / "out"
        folder.mkdir()
        _put(target, "old")
        fault = Faults(folder, at)
        message = ""
        try:
            with faulty(fault):
                _put(target, "new")
        except OutputError as error:
            message = str(error)
        assert "\n" not in message
        assert not message or "make room" in message, operations[at - 1]
        assert len(fault.seen) >= at
        _age(folder)
        _put(folder / "another", "other")  # any later job beside it sweeps
        assert sorted(p.name for p in folder.iterdir()) == ["another", "out"], operations[at - 1]
        assert _is_whole(target, "old", "new"), operations[at - 1]


def test_a_second_fault_while_the_old_one_is_put_back_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "out"
    _put(target, "old")
    real, moves = Path.rename, []

    def failing(self: Path, to: Path) -> Path:
        moves.append(to)
        if len(moves) > 1:  # the new one into its place, and the old one back
            raise OSError(errno.EIO, "Input/output error")
        return real(self, to)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "rename", failing)
        with pytest.raises(OutputError, match="Input/output error"):
            _put(target, "new")
    assert len(moves) >= 3
    assert not target.exists()
    _put(tmp_path / "another", "other")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["another", "out"]
    assert _is_whole(target, "old", "new")


def test_a_kill_at_any_moment_leaves_the_old_or_the_new_and_no_trash(tmp_path: Path) -> None:
    operations = _operations(tmp_path / "count")
    first = next(n for n, o in enumerate(operations, 1) if o.startswith("os.mkdir"))
    for at in range(first + 1, len(operations) + 1):
        folder = tmp_path / str(at)
        target = folder / "out"
        folder.mkdir()
        _put(target, "old")
        _killed(target, at)
        _age(folder)
        _put(folder / "another", "other")  # any later job beside it sweeps
        assert sorted(p.name for p in folder.iterdir()) == ["another", "out"], operations[at - 1]
        assert _is_whole(target, "old", "new"), operations[at - 1]


def test_half_of_an_old_result_is_never_put_back(tmp_path: Path) -> None:
    """Killed while the replaced one was being removed; then somebody takes the new one away."""
    target = tmp_path / "out"
    _put(target, "old")
    operations = _operations(tmp_path / "count")
    removals = [n for n, o in enumerate(operations, 1) if o == "os.remove route.json"]
    _killed(target, removals[0] + 1)  # one file of the old result is gone by then
    assert _is_whole(target, "new")
    shutil.rmtree(target)
    sweep(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["count"]


def test_a_link_is_written_through(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "out").symlink_to(tmp_path / "elsewhere" / "result")  # nothing is there yet
    for text in ("old", "new"):
        _put(tmp_path / "out", text)
        assert (tmp_path / "out").is_symlink()
        assert _is_whole(tmp_path / "elsewhere" / "result", text)
    assert [p.name for p in (tmp_path / "elsewhere").iterdir()] == ["result"]
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    with pytest.raises(OutputError):
        _put(tmp_path / "loop", "new")


def test_two_runs_into_one_folder_never_mix(tmp_path: Path) -> None:
    """Each replaces the other's at every moment of its own; one of them stays, whole."""
    operations = _operations(tmp_path / "count")
    for at in range(1, len(operations) + 1):
        folder = tmp_path / str(at)
        target = folder / "out"
        folder.mkdir()
        _put(target, "old")
        other = _Other(folder, at)
        with faulty(other):
            _put(target, "new")
        assert _is_whole(target, "new", "other"), operations[at - 1]
        assert [p.name for p in folder.iterdir()] == ["out"], operations[at - 1]


class _Other(Faults):
    """Not a fault, but another run that puts its result there just then."""

    def hit(self, event: str, args: tuple[object, ...]) -> None:
        before = len(self.seen)
        try:
            super().hit(event, args)
        except OSError:
            _put(self.folder / "out", "other")
        assert len(self.seen) <= before + 1


def test_a_living_process_is_left_alone(tmp_path: Path) -> None:
    code = (
        "import sys, time\nfrom pathlib import Path\n"
        "from routing.jobs.staging import staged_folder\n"
        f"with staged_folder(Path({str(tmp_path / 'out')!r}), {NAMES!r}) as folder:\n"
        "    [(folder / n).write_text('new') for n in ('route.json', 'route.csv')]\n"
        "    print('there', flush=True)\n    sys.stdin.read()\n"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", code], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert other.stdout is not None
    assert other.stdout.readline() == "there\n"
    sweep(tmp_path)
    other.communicate()
    assert (tmp_path / "out" / "route.json").read_text() == "new"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_other_hidden_folders_are_left_alone(tmp_path: Path) -> None:
    for name in (".git", ".out-abc", ".x.dieroute-mine"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "file").write_text("keep")
    os.utime(tmp_path / ".x.dieroute-mine", (0, 0))
    sweep(tmp_path)
    assert len(list(tmp_path.rglob("file"))) == 3


def test_a_folder_that_was_never_locked_goes_when_it_is_old_and_empty(tmp_path: Path) -> None:
    young, old = tmp_path / ".a.dieroute-1", tmp_path / ".a.dieroute-2"
    young.mkdir()
    old.mkdir()
    os.utime(old, (0, 0))
    sweep(tmp_path)
    assert young.exists()
    assert not old.exists()
    assert staging._UNLOCKED_S > 1


def test_until_gives_up() -> None:
    with pytest.raises(AssertionError):
        until(lambda: False, 0.05)

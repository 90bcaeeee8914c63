"""What a killed process leaves is swept; what a living one works on is not."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from support.batches import ROOT, until

from routing.jobs import staging
from routing.jobs.staging import staged_folder, sweep

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no such locks there")

NAMES = ("route.json",)


def _killed(target: Path, at: str) -> None:
    """A process that is killed while it puts ``target`` there: "at work", or after the n-th move."""
    code = f"""
import os, signal
from pathlib import Path
from routing.jobs.staging import staged_folder
real, left = Path.rename, {at[-1]!r}
def rename(self, to):
    global left
    done = real(self, to)
    if self.name != "lock.new":
        left = str(int(left) - 1)
        if left == "0":
            os.kill(os.getpid(), signal.SIGKILL)
    return done
if {at!r} != "at work":
    Path.rename = rename
with staged_folder(Path({str(target)!r}), {NAMES!r}) as folder:
    (folder / "route.json").write_text("new")
    if {at!r} == "at work":
        os.kill(os.getpid(), signal.SIGKILL)
"""
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False)
    assert done.returncode == -signal.SIGKILL


def _put(target: Path, text: str) -> None:
    with staged_folder(target, NAMES) as folder:
        (folder / "route.json").write_text(text)


@pytest.mark.parametrize(
    ("at", "kept"), [("at work", "old"), ("after move 1", "new"), ("after move 2", "new")]
)
def test_a_kill_leaves_the_old_or_the_new_and_no_trash(tmp_path: Path, at: str, kept: str) -> None:
    target = tmp_path / "out"
    _put(target, "old")
    _killed(target, at)
    assert any(p.name.startswith(".out.") for p in tmp_path.iterdir()), "there is something to sweep"
    _put(tmp_path / "another", "other")  # any later job beside it sweeps
    assert sorted(p.name for p in tmp_path.iterdir()) == ["another", "out"]
    assert (target / "route.json").read_text() == kept


def test_a_living_process_is_left_alone(tmp_path: Path) -> None:
    code = (
        "import sys, time\nfrom pathlib import Path\n"
        "from routing.jobs.staging import staged_folder\n"
        f"with staged_folder(Path({str(tmp_path / 'out')!r}), {NAMES!r}) as folder:\n"
        "    (folder / 'route.json').write_text('new')\n"
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

"""Batch and watch when much happens at once, to files that do not stand still; a full disk; a short soak."""

from __future__ import annotations

import csv
import errno
import os
import signal
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from support.batches import block, hidden, records, run, run_long, start, until
from test_batch_watch import END, Scene
from test_web_serve import _small_disk

from routing.jobs.batch import dispatch
from routing.jobs.batch.ledger import Ledger, Record, Status
from routing.jobs.errors import OutputError
from tests.benchmarks.soak import soak
from tests.support.inserts import insert
from tests.support.transforms import write_step

pytestmark = pytest.mark.thorough

COUNT = 300


@pytest.fixture
def scene(tmp_path: Path) -> Scene:
    return Scene(tmp_path)


def test_three_hundred_files_at_once_while_others_grow_move_and_go(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    shut = {f"shut{n}.step" for n in range(5)}
    real, opened = dispatch.sha256_of, set()

    def guarded(path: Path) -> str:
        if path.name in shut - opened:
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return real(path)

    monkeypatch.setattr(dispatch, "sha256_of", guarded)

    def drop() -> None:
        for n in range(COUNT):
            (scene.folder / f"part{n:03}.step").write_text(f"{n} {END}")
        for name in shut:
            (scene.folder / name).write_text(END)
        for n in range(10):
            (scene.folder / f"moved{n}.step").write_text(f"m{n} {END}")
            (scene.folder / f"gone{n}.step").write_text(f"g{n} {END}")

    def grow(size: int) -> Any:
        def act() -> None:
            for n in range(20):
                with (scene.folder / f"growing{n:02}.step").open("a") as file:
                    file.write("x" * size + (END if size == 3 else ""))

        return act

    def disturb() -> None:
        for n in range(10):
            (scene.folder / f"moved{n}.step").rename(scene.folder / f"named{n}.step")
            (scene.folder / f"gone{n}.step").unlink()

    def let_in() -> None:
        opened.update(shut)
        for name in shut:
            (scene.folder / name).chmod(0o600 if (scene.folder / name).stat().st_mode & 0o077 else 0o644)

    done = scene.play(drop, grow(1), disturb, grow(2), grow(3), wait=10)
    expected = [f"part{n:03}.step" for n in range(COUNT)] + [f"growing{n:02}.step" for n in range(20)]
    expected += [f"named{n}.step" for n in range(10)]
    assert Counter(done) == Counter(expected), "each once"
    rows = {r["file"]: r["status"] for r in csv.DictReader((scene.out / "summary.csv").open())}
    assert rows == dict.fromkeys(expected, "ok") | dict.fromkeys(shut, "failed")
    assert Counter(scene.play(let_in, wait=8)) == Counter([*expected, *shut]), "now they can be read"


def test_a_file_that_goes_while_it_is_read_is_no_row(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    real = dispatch.sha256_of

    def treacherous(path: Path) -> str:
        if path.name == "gone.step":
            path.unlink()
        return real(path)

    monkeypatch.setattr(dispatch, "sha256_of", treacherous)
    assert scene.play(scene.put("gone.step", END), scene.put("a.step", END), wait=6) == ["a.step"]
    assert "gone" not in (scene.out / "summary.csv").read_text()


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals there")
def test_a_watch_under_load_ends_cleanly_and_the_next_one_goes_on(tmp_path: Path) -> None:
    folder, out = tmp_path / "in", tmp_path / "out"
    folder.mkdir()
    for n in range(12):
        block(folder / f"block{n:02}.step", 10 + n)
    words = ("watch", folder, "-o", out, "--settled", 0.3, "--no-cache", "--workers", 2)
    running = start(*words)
    until(lambda: len(records(out)) >= 3)
    (folder / "block11.step").rename(folder / "renamed.step")
    (folder / "block10.step").unlink()
    running.send_signal(signal.SIGTERM)
    _, wrong = running.communicate(timeout=30)
    assert running.returncode == 128 + signal.SIGTERM
    assert "Traceback" not in wrong
    assert hidden(out) == []
    done = run(*words, "--once")
    assert done.returncode == 0, done.stderr
    expected = {f"block{n:02}.step" for n in range(10)} | {"renamed.step"}
    routed = Counter(r["name"] for r in records(out) if r["status"] == "ok")
    assert expected <= routed.keys() <= expected | {"block10.step", "block11.step"}
    assert set(routed.values()) == {1}, "nothing twice"


@pytest.mark.skipif(sys.platform != "linux", reason="a small disk is made as Linux makes it")
def test_a_batch_on_a_full_disk_says_so_and_goes_on_when_there_is_room(tmp_path: Path) -> None:
    models = tmp_path / "in"
    models.mkdir()
    for n in range(3):
        block(models / f"block{n}.step", 10 + n)
    with _small_disk(tmp_path / "disk", "3m") as disk:
        (disk / "filler").write_bytes(bytes(2_900_000))
        words = ("batch", models, "-o", disk / "out", "--workers", 1, "--no-cache")
        full = run(*words)
        assert full.returncode in (1, 2), full.stderr
        assert "Traceback" not in full.stderr
        assert "No space left on device" in full.stdout + full.stderr
        (disk / "filler").unlink()
        done = run(*words)
        assert done.returncode == 0, done.stdout + done.stderr
        assert {r["name"] for r in records(disk / "out") if r["status"] == "ok"} == {
            f"block{n}.step" for n in range(3)
        }


def test_a_ledger_that_cannot_be_written_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(_handle: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with Ledger(tmp_path) as ledger:
        ledger.add(Record("a.step", "a-route", "k", Status.OK))
        monkeypatch.setattr(os, "fsync", failing)
        with pytest.raises(OutputError, match="No space left on device"):
            ledger.add(Record("b.step", "b-route", "k", Status.OK))


def test_a_thousand_faces_over_the_limit_of_memory(tmp_path: Path) -> None:
    """The one file is stopped and told; docs/speed.md has what such an insert takes, some 800 MB."""
    models, out = tmp_path / "models", tmp_path / "out"
    models.mkdir()
    block(models / "block.step", 30)
    write_step(insert(1000).solid, models / "thousand.step", name="thousand")
    run_long("batch", models, "-o", out, "--workers", 1, "--no-cache", "--memory-limit", 400)
    ends = {record["name"]: Status(record["status"]) for record in records(out)}
    assert ends == {"block.step": Status.OK, "thousand.step": Status.OUT_OF_MEMORY}
    assert not hidden(out)


def test_a_soak_in_small() -> None:
    """The curve itself is a matter of hundreds of jobs: ``python -m tests.benchmarks.soak``."""
    found = soak(6, every=2)
    assert found.failed == []
    assert len(found.server_mb) == len(found.worker_mb) == 3
    assert 20 < found.server_mb[-1] < 400
    assert found.server_mb[-1] - found.server_mb[0] < 30

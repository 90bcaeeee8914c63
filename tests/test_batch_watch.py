"""A watched folder: files being copied wait, renamed ones are new, deleted ones are forgotten."""

from __future__ import annotations

import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from support.batches import block, hidden, records, start, until

from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs.batch import watch as module
from routing.jobs.batch.dispatch import Dispatcher
from routing.jobs.batch.ledger import Ledger, Record, Status
from routing.jobs.batch.task import FileTask
from routing.jobs.batch.watch import Patience, watch
from routing.jobs.workers.pool import Limits, Outcome

END = "END-ISO-10303-21;\n"


class Instant:
    """An executor that has done a task as soon as it is asked, or fails where the file is gone."""

    size = 1

    def __init__(self) -> None:
        self.done: list[str] = []
        self._ready: list[FileTask] = []

    @property
    def backlog(self) -> int:
        return len(self._ready)

    def busy(self) -> list[str]:
        return []

    def submit(self, task: Any) -> None:
        self._ready.append(task)

    def finished(self, _timeout_s: float) -> list[Outcome]:
        ready, self._ready = self._ready, []
        return [self._outcome(task) for task in ready]

    def _outcome(self, task: FileTask) -> Outcome:
        self.done.append(task.name)
        task.out_dir.mkdir(parents=True, exist_ok=True)
        return Outcome(task, Record(task.name, task.folder, task.key, Status.OK), None, 0.0, 0.0)


class Scene:
    """A watched folder in which a second passes at every look."""

    def __init__(self, tmp_path: Path) -> None:
        self.folder, self.out = tmp_path / "in", tmp_path / "out"
        self.folder.mkdir()
        self.executor = Instant()

    def play(self, *acts: Any, wait: int = 0) -> list[str]:
        """Each act happens before a look; then ``wait`` more looks. What was done, in order."""
        clock = 0.0
        left = iter([*acts, *[lambda: None] * wait])

        def look() -> None:
            nonlocal clock
            clock += 1
            act = next(left, None)
            if act is None:
                raise KeyboardInterrupt
            act()

        shop = load_shop()
        with Ledger(self.out) as ledger, pytest.raises(KeyboardInterrupt):
            dispatcher = Dispatcher(self.out, lambda p: Choices(), shop, ledger, self.executor, Limits())
            watch(dispatcher, self.folder, patience=Patience(2, 10), idle=look, now=lambda: clock)
        return self.executor.done

    def put(self, name: str, text: str) -> Any:
        return lambda: (self.folder / name).write_text(text)


@pytest.fixture
def scene(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Scene]:
    return Scene(tmp_path)


def test_a_file_that_is_all_there_is_done_once(scene: Scene) -> None:
    assert scene.play(scene.put("a.step", END), wait=8) == ["a.step"]
    assert "a.step" in (scene.out / "summary.csv").read_text()
    assert scene.play(wait=8) == ["a.step"], "the next watch knows it"


def test_a_file_being_copied_waits(scene: Scene) -> None:
    grow = [scene.put("a.step", "x" * n) for n in range(1, 8)]
    assert scene.play(*grow) == []
    assert scene.play(*grow, wait=6) == [], "it stands still, but its end has not come"
    assert scene.play(*grow, scene.put("a.step", END), wait=1) == []
    assert scene.play(*grow, scene.put("a.step", END), wait=4) == ["a.step"]


def test_a_truncated_file_has_its_turn_in_the_end(scene: Scene) -> None:
    assert scene.play(scene.put("a.step", "no end"), wait=8) == []
    assert scene.play(scene.put("a.step", "no end"), wait=14) == ["a.step"]


def test_a_file_that_changes_is_done_again_and_so_with_its_choices(scene: Scene) -> None:
    still = [lambda: None] * 5
    acts = [scene.put("a.step", END), *still, scene.put("a.step", " " + END)]
    assert scene.play(*acts, wait=5) == ["a.step", "a.step"]


def test_the_choices_file_counts(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    monkeypatch.setattr(Dispatcher, "offer", lambda self, name, path: asked.append(name))
    still = [lambda: None] * 5
    scene.play(scene.put("a.step", END), *still, scene.put("a.choices.toml", "strict = true"), *still)
    assert asked == ["a.step", "a.step"]


def test_a_renamed_file_is_new_and_a_deleted_one_forgotten(scene: Scene) -> None:
    def rename() -> None:
        (scene.folder / "b.part").rename(scene.folder / "b.step")

    acts = [scene.put("b.part", END), scene.put("gone.step", END), (scene.folder / "gone.step").unlink]
    assert scene.play(*acts, rename, wait=6) == ["b.step"]
    assert "gone" not in (scene.out / "summary.csv").read_text()


def test_deleted_between_being_listed_and_read(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    real = module._all_there

    def treacherous(path: Path, *args: Any) -> bool:
        there = real(path, *args)
        if there:
            path.unlink()
        return there

    monkeypatch.setattr(module, "_all_there", treacherous)
    assert scene.play(scene.put("a.step", END), wait=6) == []
    assert "a.step" not in (scene.out / "summary.csv").read_text()


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals there")
def test_the_command_waits_for_a_slow_copy_and_ends_on_interrupt(tmp_path: Path) -> None:
    folder, out = tmp_path / "in", tmp_path / "out"
    folder.mkdir()
    text = block(tmp_path / "whole.step", 11).read_text()
    running = start("watch", folder, "-o", out, "--settled", 1, "--no-cache", "--workers", 1)
    with (folder / "a.step").open("w") as file:
        for n in range(4):
            file.write(text[n * len(text) // 4 : (n + 1) * len(text) // 4])
            file.flush()
            time.sleep(0.4)
            assert records(out) == []
    until(lambda: records(out))
    assert records(out)[0]["status"] == "ok"
    until(lambda: "a.step" in (out / "summary.csv").read_text())
    running.send_signal(signal.SIGINT)
    said, wrong = running.communicate(timeout=30)
    assert running.returncode == 130, wrong
    assert "ok  a.step" in said
    assert hidden(out) == []


def test_once_ends_when_all_is_done(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    block(folder / "a.step", 11)
    words = ("watch", folder, "-o", tmp_path / "out", "--settled", 0.5, "--once", "--no-cache")
    running = start(*words)
    said, wrong = running.communicate(timeout=100)
    assert running.returncode == 0, wrong
    assert said == "ok  a.step\n"

"""A child process that crashes, hangs or fails becomes one clear error."""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox
from support.transforms import write_step

from featurize.errors import Code, StepError
from featurize.isolate import report, run_apart, run_isolated
from featurize.step import kernel
from featurize.step.read import read_step
from featurize.system import CAN_FORK

pytestmark = pytest.mark.elsewhere


def add(a: int, b: int) -> int:
    return a + b


def chatter() -> str:
    print("chatter")
    os.write(1, b"kernel chatter")
    return "answer"


def count_up(n: int) -> int:
    for i in range(n):
        report(i)
    return n


def abort() -> None:
    os.abort()


def leave() -> None:
    os._exit(7)


def hang() -> None:
    report("started")
    while True:
        time.sleep(0.01)


def be_killed() -> None:
    os.kill(os.getpid(), 9)


def take_all() -> None:
    raise MemoryError("no room")


def refuse() -> None:
    raise StepError(Code.EMPTY, "nothing\nin it")


def stumble() -> None:
    raise ZeroDivisionError("stumbled")


def unpicklable() -> object:
    return lambda: None


def big() -> bytes:
    return bytes(5_000_000)  # more than a pipe holds


def test_result_comes_back() -> None:
    assert run_isolated(add, 2, 3, time_limit_s=60) == 5
    assert len(run_isolated(big, time_limit_s=60)) == 5_000_000


def test_progress_arrives_in_order() -> None:
    seen: list[int] = []
    assert run_isolated(count_up, 5, time_limit_s=60, progress=seen.append) == 5
    assert seen == [0, 1, 2, 3, 4]


def test_report_outside_a_child_does_nothing() -> None:
    report("nobody listens")


def test_terminal_stays_clean(capfd: pytest.CaptureFixture[str]) -> None:
    assert run_isolated(chatter, time_limit_s=60) == "answer"
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize(
    ("function", "how"),
    [(abort, "signal 6" if os.name == "posix" else "exit status"), (leave, "exit status 7")],
)
def test_dead_child(function: object, how: str) -> None:
    with pytest.raises(StepError, match=how) as caught:
        run_isolated(function, time_limit_s=60)  # type: ignore[arg-type]
    assert caught.value.code is Code.CRASHED


def test_endless_child_is_stopped() -> None:
    start = time.monotonic()
    with pytest.raises(StepError) as caught:
        run_isolated(hang, time_limit_s=1.5)
    assert caught.value.code is Code.TIMED_OUT
    assert time.monotonic() - start < 10
    assert not multiprocessing.active_children()


def test_the_childs_own_error_is_raised() -> None:
    with pytest.raises(StepError) as caught:
        run_isolated(refuse, time_limit_s=60)
    assert caught.value.code is Code.EMPTY
    assert str(caught.value) == "nothing in it"  # one line


def test_a_bug_in_the_child_keeps_its_traceback() -> None:
    with pytest.raises(ZeroDivisionError) as caught:
        run_isolated(stumble, time_limit_s=60)
    assert "in stumble" in "".join(caught.value.__notes__)


def test_unpicklable_answer_is_said() -> None:
    with pytest.raises(RuntimeError, match="could not be sent"):
        run_isolated(unpicklable, time_limit_s=60)


def test_a_child_that_cannot_start_is_no_crash_of_the_kernel() -> None:
    # A program read from standard input cannot be imported by its child.
    program = "from featurize.isolate import run_isolated\nrun_isolated(abs, -1, time_limit_s=60)\n"
    root = Path(__file__).resolve().parents[1]
    done = subprocess.run(
        [sys.executable, "-"], check=False, input=program, cwd=root, capture_output=True, text=True
    )
    assert "StartError: worker processes do not start" in done.stderr


def test_interrupt_kills_the_child() -> None:
    def interrupt(_: object) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_isolated(hang, time_limit_s=60, progress=interrupt)
    assert not multiprocessing.active_children()


def _apart(function: str, time_limit_s: float) -> object:
    """What ``run_apart`` gives in a child that may be forked."""
    return run_apart(globals()[function], time_limit_s=time_limit_s)


def answer_in_another_process() -> int:
    return os.getpid()


needs_fork = pytest.mark.skipif(not CAN_FORK, reason="processes are forked on Linux only")


@needs_fork
def test_a_fork_answers_and_its_end_stays_its_own() -> None:
    assert run_isolated(_own_and_forked, time_limit_s=60) is True
    for function, code in (("abort", Code.CRASHED), ("leave", Code.CRASHED), ("hang", Code.TIMED_OUT)):
        with pytest.raises(StepError) as caught:
            run_isolated(_apart, function, 0.5 if function == "hang" else 30.0, time_limit_s=60)
        assert caught.value.code is code


def _own_and_forked() -> bool:
    return run_apart(answer_in_another_process, time_limit_s=30) != os.getpid()


@needs_fork
def test_an_error_in_a_fork_is_the_callers() -> None:
    with pytest.raises(ZeroDivisionError) as caught:
        run_isolated(_apart, "stumble", 30.0, time_limit_s=60)
    assert "in stumble" in "".join(caught.value.__notes__)
    with pytest.raises(RuntimeError, match="could not be sent"):
        run_isolated(_apart, "unpicklable", 30.0, time_limit_s=60)


def test_elsewhere_it_runs_here() -> None:
    assert run_apart(answer_in_another_process, time_limit_s=1) == os.getpid()


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals there")
@pytest.mark.parametrize("function", [be_killed, take_all])
def test_a_machine_short_of_memory_does_not_blame_the_file(function: Callable[[], None]) -> None:
    """SIGKILL is what Linux sends (kernel documentation, admin-guide/mm/concepts, "OOM killer")."""
    with pytest.raises(
        StepError, match=r"memory runs out; the file need not be at fault: .*more memory"
    ) as caught:
        run_isolated(function, time_limit_s=60)
    assert caught.value.code is Code.OUT_OF_MEMORY
    assert "export" not in str(caught.value)


def test_a_kernel_short_of_memory_does_not_blame_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise MemoryError

    path = write_step(BRepPrimAPI_MakeBox(1, 2, 3).Solid(), tmp_path / "box.step")
    monkeypatch.setattr(kernel, "_full_products", full)
    with pytest.raises(MemoryError):
        read_step(path, isolate=False)

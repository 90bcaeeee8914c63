"""Workers that crash, hang, eat memory or are killed: the rest of the tasks never notice."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from support.batches import ROOT, until

from featurize.errors import Code, StepError
from featurize.isolate import run_apart
from featurize.system import resident_mb, try_lock
from routing.jobs.workers.pool import Limits, Outcome, Pool

needs_linux = pytest.mark.skipif(sys.platform != "linux", reason="sizes and orphans are seen on Linux only")


def work(task: Any, attempt: int, left_s: float) -> Any:
    match task:
        case ("say", words):
            return words, os.getpid()
        case ("die",):
            os.kill(os.getpid(), signal.SIGSEGV)
        case ("die once",):
            if attempt == 1:
                os.abort()
            return attempt
        case ("hang",):
            while True:
                time.sleep(0.01)
        case ("die and hang",):
            if attempt == 1:
                os.abort()
            time.sleep(60)
        case ("eat", megabytes):
            kept = [bytearray(2**20) for _ in range(megabytes)]
            for block in kept:
                block[::4096] = b"x" * len(block[::4096])
            time.sleep(60)
        case ("stumble",):
            raise ZeroDivisionError("stumbled")
        case ("mute",):
            return lambda: None
        case ("child", where):
            child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
            Path(where).write_text(str(child.pid))
            time.sleep(60)
        case ("hold", where):
            with Path(where).open("wb") as lock:
                try_lock(lock)
                run_apart(_fill_and_sleep, time_limit_s=100)
    return None


def fail_to_load() -> None:
    os._exit(9)


def all_of(pool: Pool, tasks: list[Any]) -> dict[Any, Outcome]:
    for task in tasks:
        pool.submit(task)
    done: list[Outcome] = []
    deadline = time.monotonic() + 100
    while pool.backlog:
        assert time.monotonic() < deadline
        done += pool.finished(0.5)
    assert len(done) == len(tasks)
    return {outcome.task: outcome for outcome in done}


def how(outcome: Outcome) -> Code:
    assert isinstance(outcome.error, StepError), outcome
    assert "\n" not in str(outcome.error)
    return outcome.error.code


def gone(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


@pytest.mark.elsewhere
def test_a_worker_stays_warm() -> None:
    with Pool(1, work, Limits(60)) as pool:
        done = all_of(pool, [("say", n) for n in range(20)])
    assert [done[("say", n)].value[0] for n in range(20)] == list(range(20))
    assert len({outcome.value[1] for outcome in done.values()}) == 1


@pytest.mark.elsewhere
def test_what_is_deadly_is_named_and_the_rest_goes_on() -> None:
    cleaned: list[Any] = []
    good = [("say", n) for n in range(6)]
    bad = [("die",), ("die once",), ("stumble",), ("mute",)]
    with Pool(2, work, Limits(60), cleaned=cleaned.append) as pool:
        done = all_of(pool, [*good[:3], *bad, *good[3:]])
    assert all(done[task].error is None for task in good)
    assert how(done[("die",)]) is Code.CRASHED
    assert ("signal 11" if os.name == "posix" else "exit status 11") in str(done[("die",)].error)
    assert done[("die once",)].value == 2
    assert isinstance(done[("stumble",)].error, ZeroDivisionError)
    assert isinstance(done[("mute",)].error, RuntimeError)
    assert sorted(cleaned) == [("die",), ("die",), ("die once",)]


@pytest.mark.elsewhere
def test_what_is_endless_is_stopped() -> None:
    with Pool(2, work, Limits(time_s=3)) as pool:
        done = all_of(pool, [("hang",), ("die and hang",), ("say", "after")])
    assert how(done[("hang",)]) is Code.TIMED_OUT
    assert how(done[("die and hang",)]) is Code.CRASHED, "its own end names it, not what came of the retry"
    assert 2.9 < done[("hang",)].seconds < 20
    assert done[("say", "after")].error is None


@pytest.mark.elsewhere
def test_what_eats_memory_is_stopped() -> None:
    with Pool(1, work, Limits(60, memory_mb=300)) as pool:
        done = all_of(pool, [("eat", 600), ("say", "after")])
    assert how(done[("eat", 600)]) is Code.OUT_OF_MEMORY
    assert done[("eat", 600)].peak_mb > 300
    assert done[("say", "after")].error is None


_HOLD = """
import os, sys
held = b"x" * 100_000_000
if os.fork() == 0:
    print("ready", flush=True)
sys.stdin.read()
"""


@needs_linux
def test_memory_is_that_of_the_system_and_a_fork_shares_it() -> None:
    with subprocess.Popen(
        [sys.executable, "-c", _HOLD], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        assert other.stdout.read(5) == b"ready"
        held_mb = resident_mb(other.pid)
        status = Path(f"/proc/{other.pid}/status").read_text()
        assert 95 < held_mb < 1.4 * int(status.partition("VmRSS:")[2].split()[0]) / 1024
        assert len(Path(f"/proc/{other.pid}/task/{other.pid}/children").read_text().split()) == 1


@pytest.mark.elsewhere
def test_a_worker_killed_from_outside_costs_nothing(tmp_path: Path) -> None:
    with Pool(1, work, Limits(60)) as pool:
        (first,) = all_of(pool, [("say", 1)]).values()
        os.kill(first.value[1], signal.SIGKILL)  # while idle
        (second,) = all_of(pool, [("say", 2)]).values()
    assert second.value[0] == 2
    assert second.value[1] != first.value[1]


@needs_linux
@pytest.mark.parametrize("end", ["close", "limit"])
def test_the_children_of_a_worker_end_with_it(tmp_path: Path, end: str) -> None:
    note = tmp_path / "pid"
    with Pool(1, work, Limits(3 if end == "limit" else 60)) as pool:
        pool.submit(("child", str(note)))
        until(lambda: pool.finished(0.1) or (note.exists() and note.read_text()))
        if end == "limit":
            until(lambda: not pool.backlog or pool.finished(0.1))
    until(lambda: gone(int(note.read_text())), 10)


@pytest.mark.elsewhere
def test_no_orphan_when_the_parent_is_killed(tmp_path: Path) -> None:
    script = tmp_path / "parent.py"
    script.write_text(
        "import sys\n"
        f"sys.path[:0] = [{str(ROOT)!r}, {str(ROOT / 'tests')!r}]\n"
        "if __name__ == '__main__':\n"
        "    from test_batch_pool import Limits, Pool, work\n"
        "    pool = Pool(2, work, Limits(60))\n"
        "    pool.submit(('hang',)); pool.submit(('hang',))\n"
        "    while True:\n"
        "        pool.finished(0.1)\n"
        "        print(*pool.pids, flush=True)\n"
    )
    parent = subprocess.Popen([sys.executable, script], stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None
    until(lambda: len(parent.stdout.readline().split()) == 2)  # type: ignore[union-attr]
    pids = [int(w) for w in parent.stdout.readline().split()]
    parent.kill()
    parent.wait()
    assert len(pids) == 2
    until(lambda: all(map(gone, pids)), 10)


@pytest.mark.elsewhere
def test_workers_that_cannot_start_are_a_fault_of_the_program() -> None:
    with (
        pytest.raises(RuntimeError, match="do not start"),
        Pool(1, work, Limits(60), warm_up=fail_to_load) as pool,
    ):
        all_of(pool, [("say", 1)])


@pytest.mark.elsewhere
def test_an_interrupt_leaves_no_worker() -> None:
    with pytest.raises(KeyboardInterrupt), Pool(1, work, Limits(60)) as pool:
        pool.submit(("hang",))
        until(lambda: pool.finished(0.1) or pool._workers[0].task)
        pid = pool.pids[0]
        raise KeyboardInterrupt
    assert gone(pid)


def test_a_worker_has_loaded_what_jobs_need(tmp_path: Path) -> None:
    """So that no job's time goes into imports. The demo mills, wires, erodes and drills."""
    script = f"""
import sys
from pathlib import Path
from routing.jobs.batch import task
from routing.inputs.choices import Choices
from routing.jobs.job import run_job
from routing.inputs.shop import load_shop
task.load_all()
before = set(sys.modules)
run_job(Path("demo_models/corner_cavity.step"), Path({str(tmp_path / "out")!r}), Choices(), load_shop())
libraries = ("OCP", "ezdxf", "featurize", "reportlab", "routing", "scipy")
print([m for m in sorted(set(sys.modules) - before) if m.split(".")[0] in libraries])
"""
    ran = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=ROOT)
    assert ran.stdout.strip() == "[]"


def _fill_and_sleep() -> None:
    kept = bytearray(b"x") * 2**30  # takes its time to be gone
    time.sleep(60 + kept[0])


def _is_free(where: Path) -> bool:
    with where.open("wb") as lock:
        return try_lock(lock) is True


@needs_linux
def test_what_a_fork_holds_is_free_when_its_worker_is_cleaned_up_after(tmp_path: Path) -> None:
    where, free = tmp_path / "lock", []
    with Pool(1, work, Limits(2.5), cleaned=lambda task: free.append(_is_free(where))) as pool:
        done = all_of(pool, [("hold", str(where))])
    assert how(done[("hold", str(where))]) is Code.TIMED_OUT
    assert free == [True]

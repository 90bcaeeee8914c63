"""`dieroute serve` as a process: faults at start, a full disk, a kill in mid-job, its terminal."""

from __future__ import annotations

import http.client
import json
import os
import shutil
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from starlette.testclient import TestClient
from support.batches import block, command, many_blocks, run, until
from support.serving import serving

from routing.web.app import make_app
from routing.web.guard import KEY_HEADER, Rules
from routing.web.jobs import JobQueue
from routing.web.records import State
from routing.web.store import Store

needs_posix = pytest.mark.skipif(sys.platform == "win32", reason="no such signals or limits there")


def _broken(folder: Path) -> list[str]:
    folder.mkdir()
    (folder / "jobs.sqlite3").write_bytes(b"no database at all " * 100)
    return []


def _torn(folder: Path) -> list[str]:
    store = Store(folder)
    for n in range(60):
        (store.incoming / "x").write_bytes(b"x")
        store.add(store.incoming / "x", f"{n}.step", "0" * 64, {})
    store.close()
    content = bytearray((folder / "jobs.sqlite3").read_bytes())
    content[4096:] = bytes(len(content) - 4096)
    (folder / "jobs.sqlite3").write_bytes(content)
    return []


def _later(folder: Path) -> list[str]:
    Store(folder).close()
    with sqlite3.connect(folder / "jobs.sqlite3") as db:
        db.execute("PRAGMA user_version = 99")
    return []


def _file_above(folder: Path) -> list[str]:
    folder.write_text("")
    return ["--folder", str(folder / "jobs")]


AT_START: dict[str, tuple[Callable[[Path], list[str]], str]] = {
    "broken": (_broken, "holds no list of jobs that can be used (file is not a database): name another"),
    "torn": (_torn, "holds no list of jobs that can be used"),
    "later": (_later, "of a later version"),
    "file above": (_file_above, "cannot be used for jobs"),
    "short token": (lambda folder: ["--token", "short"], "--token is no safe one: write at least 16"),
    "empty token": (lambda folder: ["--token", ""], "--token is no safe one"),
    "blank token": (lambda folder: ["--token", " " * 30], "--token is no safe one"),
    "no such host": (lambda folder: ["--open-to", "no.such.host.invalid"], "cannot be opened"),
    "no such shop": (lambda folder: ["--shop", str(folder / "no.toml")], "no.toml cannot be read"),
}
if sys.platform == "linux":
    AT_START["read-only"] = (lambda folder: ["--folder", "/sys/dieroute"], "cannot be used for jobs")


def _refused(words: list[object], expected: str, **env: str) -> None:
    done = subprocess.run(
        command("serve", *words),
        capture_output=True,
        text=True,
        timeout=60,
        env=os.environ | env,
        check=False,
    )
    assert done.returncode == 2, done.stderr
    assert expected in done.stderr
    assert done.stderr.startswith("dieroute: ")
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""


@pytest.mark.parametrize("fault", AT_START)
def test_a_fault_at_start_is_one_line_and_status_2(tmp_path: Path, fault: str) -> None:
    make, expected = AT_START[fault]
    _refused(["--port", 0, "--folder", tmp_path / "jobs", *make(tmp_path / "jobs")], expected)


def test_a_port_or_folder_in_use_and_an_empty_token_in_the_environment(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        _refused(["--port", port, "--folder", tmp_path / "jobs"], f"port {port} cannot be opened")
    store = Store(tmp_path / "jobs")
    _refused(["--port", 0, "--folder", tmp_path / "jobs"], "is in use by another `dieroute serve`")
    store.close()
    _refused(["--port", 0, "--folder", tmp_path / "jobs"], "--token is no safe one", DIEROUTE_TOKEN="")


def test_no_rules_with_an_empty_token() -> None:
    with pytest.raises(ValueError, match="empty token"):
        Rules(token="")


@pytest.mark.parametrize("debug", [False, True])
def test_a_fault_of_ours_is_one_line_in_the_terminal(tmp_path: Path, debug: bool) -> None:
    with serving(tmp_path / "jobs", *(["--debug"] if debug else []), stderr=subprocess.PIPE) as server:
        shutil.rmtree(tmp_path / "jobs" / "incoming")
        status, text = server.ask("POST", "/api/jobs?name=a.step", b"x")
        assert status == 500
        assert text.startswith("dieroute: a fault of the program, not of the file: FileNotFoundError")
        assert text.count("\n") == 1
        assert server.ask("GET", "/api/jobs")[0] == 200
        server.process.terminate()
        _, wrong = server.process.communicate(timeout=20)
    *trace, last = wrong.splitlines()
    assert "FileNotFoundError" in last
    assert last.startswith("dieroute: ")
    assert bool(trace) == debug
    assert ("Traceback" in wrong) == debug


@needs_posix
def test_a_server_that_ends_while_a_page_is_open_says_nothing_of_it(tmp_path: Path) -> None:
    with serving(tmp_path / "jobs", stderr=subprocess.PIPE) as server:
        address = urlsplit(server.url)
        line = http.client.HTTPConnection(str(address.hostname), address.port, timeout=20)
        line.request("GET", "/api/events")
        assert line.getresponse().readline() == b"retry: 1000\n"
        server.process.terminate()
        _, wrong = server.process.communicate(timeout=20)
        line.close()
    assert wrong == ""


@contextmanager
def _largest_file(size: int) -> Iterator[None]:
    """No file of this process may grow over this, as on a full disk."""
    import resource

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@contextmanager
def _small_disk(folder: Path, size: str) -> Iterator[Path]:
    folder.mkdir(exist_ok=True)
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", folder], capture_output=True, check=False
    )
    if made.returncode:
        pytest.skip("no disk can be mounted here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


def _client(folder: Path) -> TestClient:
    rules = Rules()
    return TestClient(
        make_app(Store(folder), rules), base_url="http://127.0.0.1", headers={KEY_HEADER: rules.key}
    )


@needs_posix
def test_a_full_disk_is_told_to_whoever_hands_in_a_file(tmp_path: Path) -> None:
    with _client(tmp_path) as client:
        with _largest_file(300_000):
            answer = client.post("/api/jobs", params={"name": "a.step"}, content=bytes(1_000_000))
        assert (answer.status_code, answer.text.count("\n")) == (507, 1)
        assert "disk of the server is full: make room" in answer.text
        assert client.get("/api/jobs").json()["jobs"] == []
        assert list((tmp_path / "incoming").iterdir()) == []
        assert client.post("/api/jobs", params={"name": "a.step"}, content=b"x").status_code == 201


@pytest.mark.skipif(sys.platform != "linux", reason="a small disk is made as Linux makes it")
def test_a_really_full_disk(tmp_path: Path) -> None:
    log = tmp_path / "log"
    with (
        _small_disk(tmp_path / "disk", "1m") as disk,
        log.open("w") as terminal,
        serving(disk / "jobs", stderr=terminal.fileno()) as server,
    ):
        status, text = server.ask("POST", "/api/jobs?name=a.step", bytes(2_000_000))
        assert status == 507
        assert "disk of the server is full" in text
        model = block(tmp_path / "b.step", 12).read_bytes()
        (disk / "filler").write_bytes(bytes(shutil.disk_usage(disk).free - 200_000))
        status, text = server.ask("POST", "/api/jobs?name=b.step", model)
        if status == 201:  # then its job finds no room
            job = json.loads(text)["id"]
            # What it came to may have no room either.
            until(lambda: log.stat().st_size or _state(server, job) not in ("waiting", "running"))
            (disk / "filler").unlink()
            until(lambda: _state(server, job) not in ("waiting", "running"))
            error = json.loads(server.ask("GET", f"/api/jobs/{job}")[1])["revisions"][0]["error"]
            assert "the disk of the server is full" in error or "No space left on device" in error
        assert server.ask("GET", "/api/jobs")[0] == 200
        server.process.terminate()
        server.process.wait(20)


@pytest.mark.skipif(sys.platform != "linux", reason="a small disk is made as Linux makes it")
def test_a_full_disk_costs_no_earlier_result(tmp_path: Path) -> None:
    model = block(tmp_path / "a.step", 12)
    with _small_disk(tmp_path / "disk", "2m") as disk:
        assert run("route", model, "-o", disk / "out").returncode == 0
        before = _files(disk / "out")
        (disk / "filler").write_bytes(bytes(shutil.disk_usage(disk).free - 30_000))
        done = run("route", model, "-o", disk / "out", "--material", "carbide-12")
        assert (done.returncode, done.stderr.count("\n")) == (2, 1)
        assert "No space left on device): make room or choose another -o" in done.stderr
        assert _files(disk / "out") == before
        assert sorted(p.name for p in disk.iterdir()) == ["filler", "out"]


def _files(folder: Path) -> dict[Path, bytes]:
    return {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def _state(server: Any, job: str) -> str:
    return str(json.loads(server.ask("GET", f"/api/jobs/{job}")[1])["revisions"][0]["state"])


@needs_posix
def test_a_job_that_a_kill_interrupted_goes_on_by_itself(tmp_path: Path) -> None:
    model = many_blocks(tmp_path / "a.step", 4)
    with serving(tmp_path / "jobs") as server:
        job = json.loads(server.ask("POST", "/api/jobs?name=a.step", model.read_bytes())[1])["id"]
        until(lambda: _state(server, job) == "running")
        server.kill()
    with serving(tmp_path / "jobs") as server:
        until(lambda: _state(server, job) == "done")


def _hand_in(store: Store) -> str:
    (store.incoming / "upload").write_bytes(b"x")
    return store.add(store.incoming / "upload", "a.step", "0" * 64, {}).id


def test_what_was_at_work_at_two_kills_is_left_alone(tmp_path: Path) -> None:
    store = Store(tmp_path)
    job = _hand_in(store)
    for starts, state in ((1, State.WAITING), (2, State.INTERRUPTED)):
        store.update(job, 1, state=State.RUNNING, starts=starts)
        store.close()
        store = Store(tmp_path)
        assert store.revision(job, 1).state is state
    assert "run again" in store.revision(job, 1).error
    store.close()


def test_a_list_of_jobs_of_an_earlier_version_is_brought_up(tmp_path: Path) -> None:
    store = Store(tmp_path)
    job = _hand_in(store)
    store.close()
    with sqlite3.connect(tmp_path / "jobs.sqlite3") as db:
        db.execute("ALTER TABLE revision DROP COLUMN starts")
        db.execute("PRAGMA user_version = 0")
    store = Store(tmp_path)
    assert store.revision(job, 1).starts == 0
    store.close()


@needs_posix
def test_a_server_that_is_ended_in_mid_job_goes_on_with_it(tmp_path: Path) -> None:
    store = Store(tmp_path / "jobs")
    upload = many_blocks(store.incoming / "upload", 60)
    job = store.add(upload, "a.step", "0" * 64, {}).id
    jobs = JobQueue(store)
    until(lambda: store.revision(job, 1).state is State.RUNNING and store.revision(job, 1).share > 0.1)
    jobs.close()
    revision = store.revision(job, 1)
    assert (revision.state, revision.starts, revision.error) == (State.WAITING, 0, "")
    store.close()


def test_a_queue_outlives_a_list_of_jobs_that_cannot_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on a full disk: the outcome is written as soon as there is room."""
    store = Store(tmp_path)
    real, refused = Store.update, []

    def full(self: Store, job: str, number: int, **changes: Any) -> Any:
        if changes.get("state") is State.FAILED and len(refused) < 2:
            refused.append(job)
            raise sqlite3.OperationalError("database or disk is full")
        return real(self, job, number, **changes)

    monkeypatch.setattr(Store, "update", full)
    monkeypatch.setattr("routing.web.jobs._RETRY_S", 0.1)
    jobs = JobQueue(store)
    job = _hand_in(store)
    jobs.submit(job, 1)
    until(lambda: store.revision(job, 1).state is State.FAILED)
    assert len(refused) == 2
    time.sleep(0.2)
    jobs.close()
    store.close()

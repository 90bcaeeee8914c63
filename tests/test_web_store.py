"""Jobs on disk: what is found again, and what a killed server leaves."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
from pathlib import Path

import pytest

from routing.web.records import State
from routing.web.store import MODEL, Store, StoreError

pytestmark = pytest.mark.elsewhere


def _add(store: Store, name: str = "insert.step") -> str:
    upload = store.incoming / "upload"
    upload.write_bytes(b"ISO-10303-21;")
    return store.add(upload, name, "00" * 32, {"material": "carbide-12"}).id


def test_a_job_is_found_after_a_restart(tmp_path):
    store = Store(tmp_path)
    job = _add(store)
    store.name_parts(job, [{"name": "FI-3140", "count": 2}])
    store.update(job, 1, state=State.DONE, summary={"parts": []}, seconds=1.5)
    store.revise(job, {"material": "steel-60hrc"})
    store.close()
    store = Store(tmp_path)
    found = store.job(job)
    assert (found.name, found.parts[0]["name"]) == ("insert.step", "FI-3140")
    assert [r.state for r in found.revisions] == [State.DONE, State.WAITING]
    assert found.revisions[0].choices == {"material": "carbide-12"}
    assert [r.number for r in store.waiting()] == [2]
    assert (store.place(job) / MODEL).read_bytes() == b"ISO-10303-21;"


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ("insert", 2),
        ("INSERT", 2),
        ("punch", 1),
        ("FI-3140", 1),
        ("insert punch", 0),
        ("100%", 1),
        ("_", 0),
        ("'; DROP", 0),
    ],
)
def test_search_is_by_every_word_and_its_signs_are_only_signs(tmp_path, words, found):
    store = Store(tmp_path)
    store.name_parts(_add(store, "insert one.step"), [{"name": "FI-3140", "count": 1}])
    _add(store, "insert two 100%.step")
    _add(store, "punch.step")
    assert len(store.find(words)) == found


def test_half_made_things_are_swept_and_the_running_waits_again(tmp_path):
    store = Store(tmp_path)
    job = _add(store)
    store.update(job, 1, state=State.RUNNING, starts=1, share=0.5)
    (store.place(job) / ".r1-half").mkdir()
    (store.incoming / "half").write_bytes(b"x")
    (store.jobs_folder / "0123456789ab").mkdir()  # its row was never written
    store.close()
    store = Store(tmp_path)
    assert [(r.state, r.share) for r in store.waiting()] == [(State.WAITING, 0.0)]
    assert [p.name for p in store.jobs_folder.iterdir()] == [job]
    assert [p.name for p in store.place(job).iterdir()] == [MODEL]
    assert not list(store.incoming.iterdir())


def _write_and_die(folder: str) -> None:
    store = Store(Path(folder))
    for n in range(20):
        job = _add(store, f"insert {n}.step")
        store.update(job, 1, state=State.DONE)
    os.kill(os.getpid(), signal.SIGKILL)


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals there")
def test_what_is_written_outlives_kill_9(tmp_path):
    child = multiprocessing.get_context("spawn").Process(target=_write_and_die, args=(str(tmp_path),))
    child.start()
    child.join()
    assert child.exitcode == -signal.SIGKILL
    assert [j.revisions[0].state for j in Store(tmp_path).find()] == [State.DONE] * 20


def test_a_second_server_on_the_same_folder_is_refused(tmp_path):
    store = Store(tmp_path)
    with pytest.raises(StoreError, match="in use"):
        Store(tmp_path)
    store.close()
    Store(tmp_path).close()


@pytest.mark.parametrize("job", ["..", "../../etc", "0123456789AB", "", "0123456789ab/..", "0123456789abc"])
def test_what_is_no_id_names_no_folder(tmp_path, job):
    with pytest.raises(KeyError):
        Store(tmp_path).place(job)


def test_a_removed_job_leaves_nothing(tmp_path):
    store = Store(tmp_path)
    job = _add(store)
    store.remove(job)
    assert store.find() == []
    assert not list(store.jobs_folder.iterdir())

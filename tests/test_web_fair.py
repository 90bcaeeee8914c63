"""Who is next, and that what a person waits for waits for no job."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

import pytest
from starlette.testclient import TestClient
from support.batches import block, many_blocks, until

from routing.web.app import make_app
from routing.web.guard import KEY_HEADER, Rules
from routing.web.line import WaitingLine
from routing.web.store import Store

RULES = Rules()


def _all(line: WaitingLine) -> list[str]:
    order = []
    while (found := line.take(lambda _: True)) is not None:
        order.append(found.turn[0])
    return order


def test_a_short_job_overtakes_long_ones_and_equals_keep_their_order():
    line = WaitingLine()
    for name, cost_s in (("long", 60.0), ("longer", 90.0), ("short", 2.0), ("as short", 2.0)):
        line.put((name, 1), cost_s)
    assert [job for job, _ in line.order()] == ["short", "as short", "long", "longer"]
    line.drop(("as short", 1))
    assert _all(line) == ["short", "long", "longer"]


def test_no_job_is_overtaken_for_ever():
    """Self-clocked fair queueing: what is overtaken costs at most its own length in short jobs."""
    line, overtaken = WaitingLine(), 0
    line.put(("long", 1), 60.0)
    for n in range(1000):
        line.put((f"short {n}", 1), 2.0)
        found = line.take(lambda _: True)
        assert found is not None
        if found.turn[0] == "long":
            break
        overtaken += 1
    assert overtaken == 60 / 2 - 1 or overtaken == 60 / 2


def test_one_that_does_not_fit_yet_keeps_its_place():
    line = WaitingLine()
    line.put(("first", 1), 1.0)
    line.put(("second", 1), 2.0)
    found = line.take(lambda w: w.turn[0] != "first")
    assert found is not None
    assert found.turn == ("second", 1)
    assert line.order() == [("first", 1)]


@pytest.fixture(scope="module")
def client(tmp_path_factory) -> Iterator[TestClient]:
    app = make_app(Store(tmp_path_factory.mktemp("jobs")), RULES)
    with TestClient(app, base_url="http://127.0.0.1", headers={KEY_HEADER: RULES.key}) as opened:
        yield opened


def _state(client: TestClient, job: str, number: int = 1) -> str:
    return str(client.get(f"/api/jobs/{job}/{number}").json()["revision"]["state"])


def test_a_long_job_holds_up_neither_a_short_one_nor_a_first_view_nor_a_comparison(client, tmp_path):
    def hand_in(path: Any, name: str) -> str:
        content = path.read_bytes()
        return str(client.post("/api/jobs", params={"name": name}, content=content).json()["id"])

    small = block(tmp_path / "a.step", 30)
    done = hand_in(small, "first.step")
    until(lambda: _state(client, done) == "done")
    long = [hand_in(many_blocks(tmp_path / f"{n}.step", 60 + n), f"long {n}.step") for n in range(3)]
    until(lambda: "running" in [_state(client, job) for job in long])
    waiting = client.get("/api/list").json()["jobs"]
    places = sorted(j["ahead"] for j in waiting if j["ahead"] is not None)
    assert places == list(range(len(places)))
    assert places
    short = hand_in(block(tmp_path / "b.step", 31), "short.step")
    until(lambda: client.get(f"/api/jobs/{short}/view/preview").status_code == 200)
    until(lambda: all(client.get(f"/api/jobs/{job}/view/preview").status_code == 200 for job in long))
    start = time.monotonic()
    answer = client.get("/api/compare", params={"old": f"{done}.1", "new": f"{done}.1"})
    assert answer.json()["same"]
    measured = client.get(f"/api/jobs/{done}/1/0/measure", params={"first": "f0", "second": "f1"})
    assert measured.json()["exact"]
    assert time.monotonic() - start < 60
    until(lambda: _state(client, short) == "done")
    assert "done" not in [_state(client, job) for job in long]
    for job in long:
        assert client.delete(f"/api/jobs/{job}").status_code == 204

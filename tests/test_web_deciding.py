"""Many answers in one revision, dropped revisions, and what changed, over the page's requests."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from routing.web.app import make_app
from routing.web.changed import what_changed
from routing.web.guard import KEY_HEADER, Rules
from routing.web.store import Store

DEMOS = Path(__file__).resolve().parents[1] / "demo_models"
RULES = Rules(body_limit=2_000_000)


@pytest.fixture(scope="module")
def client(tmp_path_factory) -> Iterator[TestClient]:
    app = make_app(Store(tmp_path_factory.mktemp("jobs")), RULES)
    with TestClient(app, base_url="http://127.0.0.1", headers={KEY_HEADER: RULES.key}) as opened:
        yield opened


def _ended(client: TestClient, job: str, number: int) -> dict[str, Any]:
    deadline = time.monotonic() + 120
    while time.monotonic() < deadline:
        revision = client.get(f"/api/jobs/{job}/{number}").json()["revision"]
        if revision["state"] not in ("waiting", "running"):
            return revision
        time.sleep(0.05)
    raise AssertionError("the job did not end")


@pytest.fixture(scope="module")
def job(client) -> str:
    content = (DEMOS / "wear_plate.step").read_bytes()
    job = client.post("/api/jobs", params={"name": "plate.step"}, content=content).json()["id"]
    assert _ended(client, job, 1)["state"] == "done"
    return job


def test_a_newer_answer_drops_what_it_builds_on_and_the_worker_stays(client, job):
    (part,) = client.get(f"/api/jobs/{job}/1").json()["parts"]
    first, second, *_ = [f["id"] for f in part["route"]["features"] if f["kind"] != "outside face"]
    pid = client.app.jobs.worker_pid

    def decide(base: int, *features: str) -> int:
        decisions = [{"features": list(features), "answers": {"edge": "must break"}}]
        asked = {"from": base, "shown": 1, "part": 0, "decisions": decisions, "ask": True}
        answer = client.post(f"/api/jobs/{job}/revisions", json=asked)
        assert answer.status_code == 201, answer.text
        return int(answer.json()["number"])

    two = decide(1, first)
    three = decide(two, second)
    done = _ended(client, job, three)
    assert done["state"] == "done"
    assert len(done["choices"]["settle"]) == 2
    assert _ended(client, job, two)["state"] == "superseded"
    assert client.app.jobs.worker_pid == pid
    told = client.get(f"/api/jobs/{job}/{three}/0/changes").json()
    assert told["base"] == 1, "against the last one that was worked out"
    assert told["side"] is None
    (after,) = client.get(f"/api/jobs/{job}/{three}").json()["parts"]
    again = what_changed(part["route"], after["route"])
    assert told == {"base": 1, "choices": {}, **again}
    assert [a - b for a, b in [told["minutes"]]] == pytest.approx(
        [part["route"]["estimate"]["minutes"] - after["route"]["estimate"]["minutes"]]
    )


@pytest.mark.parametrize(
    "decisions",
    [7, [{}], [{"features": "F01", "answers": {}}], [{"features": ["F01"], "answers": {"wish": "x"}}]],
)
def test_decisions_that_are_none_are_refused(client, job, decisions):
    before = len(client.get(f"/api/jobs/{job}").json()["revisions"])
    asked = {"from": 1, "part": 0, "decisions": decisions}
    answer = client.post(f"/api/jobs/{job}/revisions", json=asked)
    assert answer.status_code == 422, answer.text
    assert len(client.get(f"/api/jobs/{job}").json()["revisions"]) == before


def test_only_what_is_held_waits_for_a_yes(client, job):
    answer = client.post(f"/api/jobs/{job}/1/turned", json={"count": True})
    assert answer.status_code == 409


def _route(flags: list[tuple[str, str]], features: dict[str, tuple[str, int]]) -> dict[str, Any]:
    """Features by name: their kind and their only face."""
    return {
        "part": {"working_side": "+z"},
        "features": [
            {"id": key, "kind": kind, "process": "mill", "thread": None, "faces": [{"index": face}]}
            for key, (kind, face) in features.items()
        ],
        "flags": [{"code": code, "feature": key, "severity": "note", "message": ""} for code, key in flags],
        "doubts": [],
        "setups": [],
        "estimate": None,
    }


def test_features_and_flags_are_known_by_their_faces_whatever_they_are_called():
    old = _route([("thin", "F1"), ("deep", "F2")], {"F1": ("hole", 4), "F2": ("slot", 7)})
    new = _route([("thin", "F2"), ("deep", "F2")], {"F1": ("pocket", 7), "F2": ("hole", 4)})
    found = what_changed(old, new)
    assert found["kinds"] == [{"feature": "F1", "was": "slot", "now": "pocket"}]
    assert [f["code"] for f in found["flags_gone"]] == ["deep"]
    assert [f["code"] for f in found["flags_new"]] == ["deep"]
    assert found["features"] is None

"""A job's drawings and the decisions carried from one to the next; people who answer at the same time."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from routing.web.app import make_app
from routing.web.guard import KEY_HEADER, Rules
from routing.web.kin import kin_of, stem_of
from routing.web.people import PeopleError, load_people
from routing.web.store import Job, JobRevision, State, Store

ANNA, OTTO = "x9Tq-2mRv-77LbePz", "hG4k-wW81-0sJnMdq"
RULES = Rules(people={ANNA: "Anna", OTTO: "Otto"})


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("insert.step", "insert"),
        ("Insert_rev_B.STP", "insert"),
        ("insert-revC.step", "insert"),
        ("insert v2.stp", "insert"),
        ("insert (1).step", "insert"),
        ("insert_2026-11-27.step", "insert"),
        ("insert r2 final.step", "insert"),
        ("insert_2.step", "insert_2"),  # a number alone may be another part of a set
        ("river.step", "river"),
        ("v2.step", "v2"),
    ],
)
def test_a_name_is_known_without_its_issue(name, stem):
    assert stem_of(name) == stem


def _job(
    number: int, name: str, box: tuple[float, ...], volume: float, faces: int = 20, sha: str = ""
) -> Job:
    shape = {"box_mm": sorted(box), "volume_mm3": volume, "faces": faces}
    done = JobRevision("", 1, State.DONE, "", 1.0, "", {}, "", 1.0, {}, 0)
    parts = ({"name": name, "count": 1, "shape": shape},)
    return Job(f"{number:012x}", name, sha or str(number), 1, f"2026-01-{number:02}", parts, (done,))


@pytest.mark.parametrize(
    ("name", "box", "volume", "sha", "why"),
    [
        ("insert_rev_B.step", (64, 40, 18), 40_000, "", "name and shape"),
        ("other.step", (60.5, 40, 18), 38_500, "", "shape"),
        ("other.step", (64, 40, 18), 40_000, "", None),
        ("insert_rev_B.step", (164, 40, 18), 140_000, "", None),
        ("insert copy.step", (60, 40, 18), 38_000, "1", "file"),
    ],
)
def test_a_next_drawing_is_proposed_by_name_and_shape(name, box, volume, sha, why):
    old, unlike = _job(1, "insert.step", (60, 40, 18), 38_000), _job(2, "punch.step", (8, 8, 70), 4_000)
    found = kin_of(_job(3, name, box, volume, sha=sha), [unlike, old])
    assert found.get("why") == why
    if why:
        assert (found["job"], found["number"]) == (old.id, 1)
    waiting = replace(old, revisions=(replace(old.revisions[0], state=State.WAITING),))
    assert kin_of(_job(3, name, box, volume, sha=sha), [waiting]) == {}


def test_a_file_of_people_is_read_or_refused(tmp_path):
    path = tmp_path / "people.toml"
    path.write_text(f'Anna = "{ANNA}"\n"B. Otto" = "{OTTO}"\n')
    assert load_people(path) == {ANNA: "Anna", OTTO: "B. Otto"}
    for text, said in (
        ('Anna = "short"', "no safe token"),
        (f'Anna = "{ANNA}"\nOtto = "{ANNA}"', "has the token of Anna"),
        ("", "names nobody"),
        ("Anna", "cannot be read"),
    ):
        path.write_text(text)
        with pytest.raises(PeopleError, match=said):
            load_people(path)


def _plate(path: Path, long_mm: float) -> bytes:
    """A step above, and two equal blind bores of M5's tap drill (4.2 mm, ISO 2306) 10 mm from one end."""
    cq = pytest.importorskip("cadquery")
    work = cq.Workplane().box(long_mm, 40, 18, centered=False)
    work = work.cut(cq.Workplane(origin=(0, 0, 13)).rect(3 * long_mm, 18).extrude(10))
    for y in (16, 33):
        work = work.cut(cq.Workplane(origin=(10, y, 0)).circle(2.1).extrude(12))
    cq.exporters.export(work, str(path))
    return path.read_bytes()


@pytest.fixture(scope="module")
def client(tmp_path_factory) -> Iterator[TestClient]:
    app = make_app(Store(tmp_path_factory.mktemp("jobs")), RULES)
    headers = {KEY_HEADER: RULES.key, "authorization": f"Bearer {ANNA}"}
    with TestClient(app, base_url="http://127.0.0.1", headers=headers) as opened:
        yield opened


def _ended(client: TestClient, job: str, number: int) -> dict[str, Any]:
    deadline = time.monotonic() + 120
    while time.monotonic() < deadline:
        told = client.get(f"/api/jobs/{job}/{number}").json()
        if told["revision"]["state"] not in ("waiting", "running"):
            assert told["revision"]["state"] == "done", told["revision"]["error"]
            return told
        time.sleep(0.05)
    raise AssertionError("the job did not end")


def _threads(told: dict[str, Any]) -> list[str]:
    return [f["thread"]["designation"] for f in told["parts"][0]["route"]["features"] if f.get("thread")]


def test_decisions_outlive_a_drawing_that_grew_and_two_people_never_fork_unknowing(client, tmp_path):
    job = client.post(
        "/api/jobs",
        params={"name": "plate.step", "pieces": "4", "margin_percent": "10", "material": "steel-58hrc"},
        content=_plate(tmp_path / "a.step", 60),
    ).json()["id"]
    told = _ended(client, job, 1)
    (doubt,) = told["parts"][0]["route"]["doubts"]
    decisions = [{"features": doubt["features"], "answers": {"thread": "M5"}}]
    asked = {"from": 1, "part": 0, "decisions": decisions, "latest": 1}
    assert client.post(f"/api/jobs/{job}/revisions", json=asked).status_code == 201
    otto = {"authorization": f"Bearer {OTTO}"}
    refused = client.post(f"/api/jobs/{job}/revisions", json=asked, headers=otto)
    assert (refused.status_code, refused.headers["x-dieroute-meanwhile"]) == (409, "2")
    assert "Anna answered meanwhile" in refused.text
    assert _threads(_ended(client, job, 2)) == ["M5", "M5"]

    # The customer's next file is 8 mm longer at the far end: every place in its box moves by 4 mm.
    newer = _plate(tmp_path / "b.step", 68)
    stray = client.post("/api/jobs", params={"name": "plate_rev_B.step"}, content=newer).json()["id"]
    deadline = time.monotonic() + 60
    while not (kin := client.get(f"/api/jobs/{stray}").json()["kin"]):
        assert time.monotonic() < deadline
        time.sleep(0.05)
    assert (kin["job"], kin["why"]) == (job, "name and shape")
    made = client.post(f"/api/jobs/{stray}/kin", json={"join": True}, headers=otto).json()["revision"]
    assert (made["job"], made["number"], made["drawing"], made["who"]) == (job, 3, 2, "Otto")
    assert client.get(f"/api/jobs/{stray}").status_code == 404
    told = _ended(client, job, 3)
    assert _threads(told) == ["M5", "M5"]
    assert told["parts"][0]["route"]["doubts"] == []
    assert told["revision"]["choices"]["material"] == "steel-58hrc"
    assert not [f for f in told["parts"][0]["route"]["flags"] if f["code"] == "settle-unmatched"]

    now = client.get(f"/api/jobs/{job}").json()
    assert [d["name"] for d in now["drawings"]] == ["plate.step", "plate_rev_B.step"]
    views = [client.get(f"/api/jobs/{job}/view/0", params={"drawing": n}).json()["high"][0] for n in (1, 2)]
    assert views == pytest.approx([60, 68])
    differs = client.get("/api/compare", params={"old": f"{job}.2", "new": f"{job}.3"}).json()
    assert any("68" in c["detail"] for c in differs["features"])
    assert client.get(f"/api/jobs/{job}/3/0/changes").json() == {"base": None}

    log = client.get("/api/log", params={"job": job}).json()["log"]
    assert [(e["who"], e["what"], e["number"]) for e in log] == [
        ("Otto", "drawing", 3),
        ("Anna", "decided", 2),
        ("Anna", "handed in", 1),
    ]
    assert [e["thread"] for e in log[1]["after"]["settle"]] == ["M5", "M5"]

    # Of four pieces each takes a quarter of what is set up once; the estimate tells lots of 1 and 25.
    (row,) = (j for j in client.get("/api/list").json()["jobs"] if j["id"] == job)
    lots = {q["pieces"]: q["cost"] for q in told["parts"][0]["route"]["estimate"]["quantities"]}
    once = (lots[1] - lots[25]) / (1 - 1 / 25)
    assert row["price"] == pytest.approx(1.1 * 4 * (lots[1] - once + once / 4))
    each = lots[1] - once + once / 5
    assert each == pytest.approx(lots[5], rel=1e-3), "a lot that the estimate tells itself"


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"pieces": "0"}, "pieces: "),
        ({"pieces": "²"}, "pieces: "),
        ({"margin_percent": "nan"}, "margin_percent: "),
        ({"material": "wood"}, "material"),
    ],
)
def test_what_files_have_in_common_is_refused_where_it_is_wrong(client, asked, said):
    answer = client.post("/api/jobs", params={"name": "a.step", **asked}, content=b"x")
    assert answer.status_code == 422
    assert said in answer.text


def test_a_stranger_and_a_proposal_that_is_none_are_refused(client):
    assert client.get("/api/list", headers={"authorization": "Bearer " + "x" * 20}).status_code == 401
    job = client.post("/api/jobs", params={"name": "x.step"}, content=b"x").json()["id"]
    assert client.post(f"/api/jobs/{job}/kin", json={"join": True}).status_code == 409
    assert client.post(f"/api/jobs/{job}/kin", json={"join": 1}).status_code == 400
    answer = client.post(f"/api/jobs/{job}/drawings", params={"name": "y.step", "from": "9"}, content=b"x")
    assert answer.status_code == 404

"""A job's drawings and the decisions carried from one to the next; people who answer at the same time."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from starlette.testclient import TestClient

from routing.inputs.choices import EDGE
from routing.web.app import make_app
from routing.web.guard import KEY_HEADER, Rules
from routing.web.people import PeopleError, load_people
from routing.web.records import Job, JobRevision, State
from routing.web.similar import similar_to, stem_of
from routing.web.store import Store

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
    found = similar_to(_job(3, name, box, volume, sha=sha), [unlike, old])
    assert found.get("why") == why
    if why:
        assert (found["job"], found["number"]) == (old.id, 1)
    waiting = replace(old, revisions=(replace(old.revisions[0], state=State.WAITING),))
    assert similar_to(_job(3, name, box, volume, sha=sha), [waiting]) == {}


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
    """A step above, and two equal blind bores of M5's tap drill (4.2 mm, ISO 2306) 50 mm from the far end."""
    cq = pytest.importorskip("cadquery")
    work = cq.Workplane().box(long_mm, 40, 18, centered=False)
    work = work.cut(cq.Workplane(origin=(0, 0, 13)).rect(3 * long_mm, 18).extrude(10))
    for y in (16, 33):
        work = work.cut(cq.Workplane(origin=(long_mm - 50, y, 0)).circle(2.1).extrude(12))
    cq.exporters.export(work, str(path))
    return path.read_bytes()


@pytest.fixture(scope="module")
def client(tmp_path_factory) -> Iterator[TestClient]:
    app = make_app(Store(tmp_path_factory.mktemp("jobs")), RULES)
    headers = {KEY_HEADER: RULES.key, "authorization": f"Bearer {ANNA}"}
    with TestClient(app, base_url="http://127.0.0.1", headers=headers) as opened:
        yield opened


def test_decisions_find_their_places_in_a_part_that_grew_at_one_end(tmp_path):
    """8 mm longer at the end from which places count: all of them move. What is gone is told."""
    from routing.jobs.recognising import recognise_parts
    from routing.web.carrying import carried_over, places_of
    from routing.web.records import Source
    from routing.web.tasks import inputs_of, read

    def recognised(source: Source) -> list[Any]:
        inputs = inputs_of(source, None)
        found = recognise_parts(read(source, inputs), inputs, lambda text, share: None)
        return [settled.recognition for settled in found]

    sources = []
    for name, long_mm in (("a", 60), ("b", 68)):
        content = _plate(tmp_path / f"{name}.step", long_mm)
        digest = hashlib.sha256(content).hexdigest()
        sources.append(Source(str(tmp_path / f"{name}.step"), digest, f"{name}.step", 0, {}))
    old, new = sources
    (before,) = recognised(old)
    holes = [p for p in places_of(before) if p["kind"] == "hole"]
    rim = next(p for p in places_of(before) if p["kind"] == EDGE and p["size_mm"] == 60)
    entries = [{k: p[k] for k in ("at", "kind", "size_mm")} | {"thread": "M5"} for p in holes]
    entries.append({k: rim[k] for k in ("at", "kind", "size_mm")} | {"edge": "keep sharp"})
    entries.append({"at": [1.0, 2.0, 3.0], "kind": "hole", "size_mm": 9.0, "process": "mill"})
    choices = {"material": "carbide-12", "threads": {holes[0]["id"]: "M5"}, "settle": entries}
    table, lost = carried_over(replace(old, choices=choices), new, recognised)
    assert table["material"] == "carbide-12"
    (after,) = recognised(replace(new, choices=table))
    threads = [f.thread.designation for f in after.features if f.thread]
    assert threads == ["M5", "M5"]
    moved = [np.subtract(e["at"], w["at"]) for e, w in zip(table["settle"], entries, strict=False)]
    for away in moved[:2]:
        assert np.abs(away).max() == pytest.approx(8.0, abs=1e-6)
    (edge,) = (e for e in table["settle"] if "edge" in e)
    assert edge["size_mm"] == pytest.approx(68)
    assert len(lost) == 1
    assert "hole of 9 mm at [1, 2, 3]: process mill" in lost[0]


_PART = {
    "folder": ".", "count": 1, "name": "part", "flags": {}, "features": 1, "operations": 1, "doubts": 0,
    "minutes": 60.0, "cost": 100.0, "currency": "EUR", "material": "steel-60hrc", "setups": 1,
    "lots": [{"pieces": 1, "cost": 100.0}, {"pieces": 5, "cost": 60.0}],
}  # fmt: skip
SUMMARY = {"parts": [_PART]}


def _done(client: TestClient, name: str = "plate.step") -> str:
    """A job whose first revision is done, without any work."""
    store = client.app.jobs.store
    upload = store.incoming / "upload"
    upload.write_bytes(name.encode())
    job = store.add(upload, name, hashlib.sha256(name.encode()).hexdigest(), {}, who="Anna").id
    store.name_parts(job, [{"name": "part", "count": 1}])
    store.update(job, 1, state=State.DONE, summary=SUMMARY)
    return str(job)


OTTOS = {"authorization": f"Bearer {OTTO}"}


def test_two_people_never_fork_unknowing(client):
    job, store = _done(client), client.app.jobs.store
    choices = {"material": "carbide-12"}
    made = store.revise(job, choices, base=1, latest=1, who="Anna")
    assert (made.number, made.who) == (2, "Anna")
    asked = {"from": 1, "choices": {"material": "steel-58hrc"}, "latest": 1}
    for state in (State.WAITING, State.RUNNING, State.DONE, State.HELD):
        store.update(job, 2, state=state)
        refused = client.post(f"/api/jobs/{job}/revisions", json=asked, headers=OTTOS)
        assert (refused.status_code, refused.headers["x-dieroute-meanwhile"]) == (409, "2")
        assert "Anna answered meanwhile and made r2" in refused.text
    assert len(client.get(f"/api/jobs/{job}").json()["revisions"]) == 2
    store.update(job, 2, state=State.FAILED)  # which nobody needs to go on from
    made = client.post(f"/api/jobs/{job}/revisions", json=asked, headers=OTTOS).json()
    assert (made["number"], made["who"], made["base"]) == (3, "Otto", 1)
    del asked["latest"]  # who says nothing of what they know goes their own way, and is kept apart
    assert client.post(f"/api/jobs/{job}/revisions", json=asked).json()["number"] == 4
    log = client.get("/api/log", params={"job": job}).json()["log"]
    assert [(e["who"], e["what"], e["number"]) for e in log] == [
        ("Anna", "decided", 4),
        ("Otto", "decided", 3),
    ]
    assert (log[1]["before"], log[1]["after"]) == ({}, {"material": "steel-58hrc"})


def test_a_file_becomes_the_next_drawing_handed_in_or_joined(client):
    job, store = _done(client), client.app.jobs.store
    made = client.post(
        f"/api/jobs/{job}/drawings", params={"name": "plate_b.step"}, content=b"b", headers=OTTOS
    )
    assert (made.json()["number"], made.json()["drawing"], made.json()["who"]) == (2, 2, "Otto")
    stray = _done(client, "plate_c.step")
    store.propose(stray, {"job": job, "name": "plate.step", "number": 1, "why": "name"})
    made = client.post(f"/api/jobs/{stray}/similar", json={"join": True}).json()["revision"]
    assert (made["job"], made["number"], made["drawing"]) == (job, 3, 3)
    assert client.get(f"/api/jobs/{stray}").status_code == 404
    now = client.get(f"/api/jobs/{job}").json()
    assert [d["name"] for d in now["drawings"]] == ["plate.step", "plate_b.step", "plate_c.step"]
    assert now["name"] == "plate_c.step"
    assert [store.model(job, n).read_bytes() for n in (1, 2, 3)] == [b"plate.step", b"b", b"plate_c.step"]
    assert client.get(f"/api/jobs/{job}/view/0", params={"drawing": 9}).status_code == 404
    other = _done(client, "other.step")
    store.propose(other, {"job": job, "name": "plate.step", "number": 1, "why": "shape"})
    assert client.post(f"/api/jobs/{other}/similar", json={"join": False}).json() == {"revision": None}
    assert client.get(f"/api/jobs/{other}").json()["similar"] == {}


def test_a_price_is_that_of_the_lots_with_the_margin(client):
    """Set up once for 50, each piece 50 more: of four one takes 50 + 50 / 4, of five 60 as the lot tells."""
    job = _done(client, "lots.step")
    for pieces, price in ((1, 100.0), (4, 4 * 62.5), (5, 300.0)):
        told = {"note": "", "standing": "quoted", "pieces": pieces, "margin_percent": 10}
        assert client.post(f"/api/jobs/{job}/standing", json=told).status_code == 204
        (row,) = (j for j in client.get("/api/list").json()["jobs"] if j["id"] == job)
        assert row["price"] == pytest.approx(1.1 * price)
    (last, *_) = client.get("/api/log", params={"job": job}).json()["log"]
    assert (last["what"], last["before"]["pieces"], last["after"]["pieces"]) == ("standing", 4, 5)


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
    assert client.post(f"/api/jobs/{job}/similar", json={"join": True}).status_code == 409
    assert client.post(f"/api/jobs/{job}/similar", json={"join": 1}).status_code == 400
    answer = client.post(f"/api/jobs/{job}/drawings", params={"name": "y.step", "from": "9"}, content=b"x")
    assert answer.status_code == 404

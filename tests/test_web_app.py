"""The page's requests over a worker of its own: a job from the file to the zip, and all that may go wrong."""

from __future__ import annotations

import io
import json
import os
import signal
import time
import tomllib
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from routing.inputs.choices import Choices, load_choices
from routing.inputs.shop import load_shop
from routing.web.app import make_app
from routing.web.guard import KEY_HEADER, Rules
from routing.web.store import Store
from routing.web.uploads import shown_name

DEMOS = Path(__file__).resolve().parents[1] / "demo_models"
MODEL = (DEMOS / "thread_trial.step").read_bytes()
RULES = Rules(body_limit=2_000_000)
LONGEST_S = 120


def _open(folder: Path, **options: Any) -> TestClient:
    app = make_app(Store(folder), RULES, **options)
    return TestClient(app, base_url="http://127.0.0.1", headers={KEY_HEADER: RULES.key})


@pytest.fixture(scope="module")
def client(tmp_path_factory) -> Iterator[TestClient]:
    with _open(tmp_path_factory.mktemp("jobs")) as opened:
        yield opened


def _hand_in(client: TestClient, content: bytes, name: str = "insert.step") -> dict[str, Any]:
    answer = client.post("/api/jobs", params={"name": name}, content=content)
    assert answer.status_code == 201
    return answer.json()


def _ended(client: TestClient, job: str, number: int = 1) -> dict[str, Any]:
    deadline = time.monotonic() + LONGEST_S
    while time.monotonic() < deadline:
        revision = client.get(f"/api/jobs/{job}/{number}").json()["revision"]
        if revision["state"] not in ("waiting", "running"):
            return revision
        time.sleep(0.1)
    raise AssertionError("the job did not end")


@pytest.fixture(scope="module")
def job(client) -> str:
    """A finished job of one revision."""
    job = _hand_in(client, MODEL, "thread_trial.step")["id"]
    revision = _ended(client, job)
    assert revision["state"] == "done", revision["error"]
    return job


def test_the_result_is_that_of_the_command_line(client, tmp_path):
    from routing.jobs.job import run_job

    job = _hand_in(client, (DEMOS / "wear_plate.step").read_bytes(), "wear_plate.step")["id"]
    assert _ended(client, job)["state"] == "done"
    (part,) = client.get(f"/api/jobs/{job}/1").json()["parts"]
    expected = run_job(DEMOS / "wear_plate.step", tmp_path / "out", Choices(), load_shop()).parts[0].route
    assert part["route"] == json.loads(json.dumps(expected))


def test_the_plan_is_shown_while_its_papers_are_made(client):
    job = _hand_in(client, (DEMOS / "wear_plate.step").read_bytes(), "plate.step")["id"]
    early, deadline = [], time.monotonic() + LONGEST_S
    while time.monotonic() < deadline:
        told = client.get(f"/api/jobs/{job}/1").json()
        if told["revision"]["state"] not in ("waiting", "running"):
            break
        early += told["parts"]
        time.sleep(0.02)
    (late,) = told["parts"]
    assert early, "nothing was shown before the end"
    assert not early[0]["files"]
    for key in ("features", "operations", "estimate"):
        assert early[0]["route"][key] == late["route"][key]


def test_the_mesh_names_faces_as_the_route_does(client, job):
    import base64

    import numpy as np

    told = client.get(f"/api/jobs/{job}/view/0").json()
    drawn = set(np.frombuffer(base64.b64decode(told["face_of_triangle"]), "<u4").tolist())
    (part,) = client.get(f"/api/jobs/{job}/1").json()["parts"]
    assert drawn == {face["index"] for f in part["route"]["features"] for face in f["faces"]}


def test_stock_bodies_have_the_volume_that_the_route_tells(client, job):
    import base64

    import numpy as np

    (part,) = client.get(f"/api/jobs/{job}/1").json()["parts"]
    for n, stage in enumerate(part["route"]["stock"]["stages"]):
        told = client.get(f"/api/jobs/{job}/1/0/stage/{n}").json()
        corners = np.frombuffer(base64.b64decode(told["positions"]), "<f4").astype(float).reshape(-1, 3, 3)
        volume = np.sum(corners[:, 0] * np.cross(corners[:, 1], corners[:, 2])) / 6  # divergence theorem
        assert volume == pytest.approx(stage["volume_mm3"], rel=2e-3)
    assert client.get(f"/api/jobs/{job}/1/0/stage/99").status_code == 404


def test_a_block_of_stl_has_the_twelve_edges_of_a_block(tmp_path):
    import trimesh

    from routing.web.bodies import body_of_stl

    trimesh.creation.box((3, 4, 5)).export(tmp_path / "block.stl")
    told = body_of_stl(tmp_path / "block.stl")
    assert len(told["edges"]) == 12
    assert (told["low"], told["high"]) == ([-1.5, -2, -2.5], [1.5, 2, 2.5])
    (tmp_path / "text.stl").write_text("solid block")
    with pytest.raises(ValueError, match="not a binary STL"):
        body_of_stl(tmp_path / "text.stl")


def test_answers_in_quick_succession_add_up(client, job):
    """The second is given while the first is being worked out: its feature is named by what is shown."""
    numbers = [1]
    for feature, answers in (("F13", {"edge": "may break"}), ("F12", {"edge": "keep sharp"})):
        asked = {"from": numbers[-1], "shown": 1, "part": 0, "feature": feature, "answers": answers}
        made = client.post(f"/api/jobs/{job}/revisions", json=asked)
        assert made.status_code == 201, made.text
        numbers.append(made.json()["number"])
    revision = _ended(client, job, numbers[-1])
    assert revision["state"] == "done", revision["error"]
    assert sorted(e["edge"] for e in revision["choices"]["settle"]) == ["keep sharp", "may break"]
    asked = {"from": 1, "shown": 99, "part": 0, "feature": "F13", "answers": {"edge": "may break"}}
    assert client.post(f"/api/jobs/{job}/revisions", json=asked).status_code == 404


@pytest.fixture(scope="module")
def blanks(tmp_path_factory) -> dict[str, bytes]:
    """A block that holds the part of 86 x 62 x 22 mm in its place, and one that does not."""
    import cadquery as cq

    from featurize.step.read import read_step
    from tests.support.transforms import write_step

    folder = tmp_path_factory.mktemp("blanks")
    box = cq.Shape.cast(read_step(DEMOS / "thread_trial.step", isolate=False).parts[0].solid).BoundingBox()
    middle = tuple(float(c) for c in box.center.toTuple())
    found = {}
    for name, more in (("large", 4.0), ("small", -4.0)):
        sides = (box.xlen + more, box.ylen + more, box.zlen + more)
        path = write_step(cq.Workplane().box(*sides).translate(middle).val().wrapped, folder / f"{name}.step")
        found[name] = path.read_bytes()
    return found


@pytest.mark.thorough  # the browser hands one in in every run
def test_a_blank_handed_in_beside_the_model_is_kept_with_the_job(client, job, blanks, tmp_path):
    sent = client.post(
        f"/api/jobs/{job}/blanks", params={"name": "../../saw <b>cut<i>.step"}, content=blanks["large"]
    )
    assert sent.status_code == 201
    assert sent.json()["name"] == "saw <b>cut<i>.step"  # shown as text, its path dropped
    file = sent.json()["file"]
    made = client.post(f"/api/jobs/{job}/revisions", json={"from": 1, "choices": {"blank": file}}).json()
    revision = _ended(client, job, made["number"])
    assert revision["state"] == "done", revision["error"]
    route = client.get(f"/api/jobs/{job}/{made['number']}").json()["parts"][0]["route"]
    # Closed form: the block's own volume.
    assert route["stock"]["blank_mm3"] == pytest.approx(90 * 66 * 26, rel=1e-6)
    assert {"file": file, "name": "saw <b>cut<i>.step", "bytes": len(blanks["large"])} in client.get(
        f"/api/jobs/{job}"
    ).json()["blanks"]
    packed = zipfile.ZipFile(io.BytesIO(client.get(f"/api/jobs/{job}/{made['number']}/all.zip").content))
    packed.extractall(tmp_path)
    (choices,) = tmp_path.rglob("*.choices.toml")
    assert Path(load_choices(choices).blank).read_bytes() == blanks["large"]
    newer = client.post(
        "/api/jobs", params={"name": "b.step", "like": f"{job}.{made['number']}"}, content=MODEL
    )
    assert _ended(client, newer.json()["id"])["state"] == "done"
    assert newer.json()["blanks"][0]["file"] == file
    client.delete(f"/api/jobs/{newer.json()['id']}")


def test_a_blank_that_cannot_be_used_is_told_by_its_own_name(client, job, blanks):
    for name, content, why in (
        ("short.step", blanks["small"], "outside this blank"),
        ("photo.step", b"PK\x03\x04 and so on", "not a readable STEP file"),
    ):
        file = client.post(f"/api/jobs/{job}/blanks", params={"name": name}, content=content).json()["file"]
        made = client.post(f"/api/jobs/{job}/revisions", json={"from": 1, "choices": {"blank": file}}).json()
        revision = _ended(client, job, made["number"])
        assert revision["state"] == "failed"
        assert revision["error"].startswith(f"blank cannot be used: {name}: ")
        assert why in revision["error"]
        assert "blank_" not in revision["error"]


@pytest.mark.parametrize(
    "blank",
    ["blank_0123456789abcdef.step", "../model.step", "model.step", "blank_../../../x.step", "/etc/passwd"],
)
def test_a_blank_that_was_not_handed_in_is_refused(client, job, blank):
    made = client.post(f"/api/jobs/{job}/revisions", json={"from": 1, "choices": {"blank": blank}})
    assert made.status_code == 422
    assert made.text.startswith("dieroute: blank")
    toml = client.post(f"/api/jobs/{job}/revisions", json={"from": 1, "toml": f'blank = "{blank}"'})
    assert toml.status_code == 422


def test_a_blank_over_the_limit_or_for_no_job_is_refused(client, job):
    assert client.post(f"/api/jobs/{job}/blanks", content=b"x" * (RULES.body_limit + 1)).status_code == 413
    assert client.post("/api/jobs/0123456789ab/blanks", content=b"x").status_code == 404
    assert (
        client.post(f"/api/jobs/{job}/blanks", content=b"x", headers={KEY_HEADER: "wrong"}).status_code == 403
    )
    assert list(client.app.jobs.store.incoming.iterdir()) == []


def test_an_answer_makes_a_revision_and_only_what_depends_on_it_is_worked_out(client, job, tmp_path):
    asked = {"from": 1, "part": 0, "feature": "F13", "answers": {"thread": "M6"}}
    made = client.post(f"/api/jobs/{job}/revisions", json=asked)
    assert made.status_code == 201
    number = made.json()["number"]
    revision = _ended(client, job, number)
    assert revision["state"] == "done", revision["error"]
    how = {t["step"]: t["kept"] for t in revision["summary"]["took"]}
    assert how["reading"]
    assert how["building the part"]
    assert how["grinding the stock"]
    assert not how["routing"]
    (part,) = client.get(f"/api/jobs/{job}/{number}").json()["parts"]
    found = next(f for f in part["route"]["features"] if f["id"] == "F13")
    assert (found["kind"], found["thread"]["designation"]) == ("threaded hole", "M6")
    path = tmp_path / "insert.choices.toml"
    path.write_bytes(client.get(f"/api/jobs/{job}/{number}/choices.toml").content)
    assert load_choices(path).settle[0].thread == "M6"
    differs = client.get("/api/compare", params={"old": f"{job}.1.0", "new": f"{job}.{number}.0"}).json()
    assert not differs["same"]
    assert [c["new"] for c in differs["features"]] == ["F13"]
    assert client.get("/api/compare", params={"old": f"{job}.1", "new": f"{job}.1"}).json()["same"]


@pytest.mark.thorough
def test_a_newer_file_takes_the_choices_over(client, job):
    revised = client.post(
        f"/api/jobs/{job}/revisions", json={"from": 1, "choices": {"material": "carbide-12"}}
    )
    number = revised.json()["number"]
    _ended(client, job, number)
    newer = client.post(
        "/api/jobs", params={"name": "b.step", "like": f"{job}.{number}"}, content=b"x"
    ).json()
    assert newer["revisions"][0]["choices"] == {"material": "carbide-12"}
    _ended(client, newer["id"])


def test_the_zip_holds_the_model_the_choices_and_every_file(client, job):
    answer = client.get(f"/api/jobs/{job}/1/all.zip")
    with zipfile.ZipFile(io.BytesIO(answer.content)) as packed:
        assert packed.testzip() is None
        names = {n.removeprefix("thread_trial-r1/") for n in packed.namelist()}
        assert packed.read("thread_trial-r1/thread_trial.step") == MODEL
        assert tomllib.loads(packed.read("thread_trial-r1/thread_trial.choices.toml").decode()) == {}
        route = json.loads(packed.read("thread_trial-r1/route.json"))
    (part,) = client.get(f"/api/jobs/{job}/1").json()["parts"]
    assert names == {"thread_trial.step", "thread_trial.choices.toml", *(f["name"] for f in part["files"])}
    assert route == part["route"]


@pytest.mark.parametrize(
    "path",
    [
        "/api/jobs/{job}/1/0/file/..%2F..%2Fmodel.step",
        "/api/jobs/{job}/1/0/file/%2e%2e",
        "/api/jobs/{job}/1/0/file/..%5Cmodel.step",
        "/api/jobs/{job}/1/0/file/%2Fetc%2Fpasswd",
        "/api/jobs/{job}/1/0/file/places.json",
        "/api/jobs/{job}/1/7/file/route.json",
        "/api/jobs/..%2F..%2Fetc/1",
        "/api/jobs/%2e%2e/1",
        "/api/jobs/{job}/999",
        "/pages/..%2Fapp.py",
        "/pages/%2e%2e%2fapp.py",
        "/pages/app.py",
        "/api/compare?old=../../x.1&new={job}.1",
    ],
)
def test_no_path_leads_out(client, job, path):
    answer = client.get(path.format(job=job))
    assert answer.status_code == 404
    assert answer.text.startswith(("dieroute: ", "Not Found"))


def test_files_made_are_saved_or_shown_without_rights(client, job):
    saved = client.get(f"/api/jobs/{job}/1/0/file/roughing.svg")
    assert saved.headers["content-disposition"].startswith("attachment")
    shown = client.get(f"/api/jobs/{job}/1/0/file/roughing.svg?show")
    assert shown.headers["content-security-policy"].startswith("sandbox")
    assert "allow-same-origin" not in shown.headers["content-security-policy"]


def _zip_bomb() -> bytes:
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("insert.step", b"\0" * 200_000_000)
    return content.getvalue()


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (_zip_bomb, "is not a STEP file (no ISO-10303-21 at its start): it is a zip archive"),
        (lambda: b"", "is empty"),
        (lambda: b"hello", "is not a STEP file"),
        (lambda: MODEL[: len(MODEL) // 2], "is cut short"),
    ],
)
def test_a_bad_file_gets_the_one_line(client, make, said):
    job = _hand_in(client, make(), "bad <b>.step")["id"]
    revision = _ended(client, job)
    assert revision["state"] == "failed"
    assert said in revision["error"]
    assert revision["error"].startswith("bad <b>.step")
    assert "\n" not in revision["error"]


def test_a_file_over_the_limit_leaves_nothing(client):
    before = len(client.get("/api/jobs").json()["jobs"])
    answer = client.post("/api/jobs", params={"name": "big.step"}, content=b"x" * 2_000_001)
    assert answer.status_code == 413
    assert len(client.get("/api/jobs").json()["jobs"]) == before


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\models\\insert.step", "insert.step"),
        ("<img src=x onerror=alert(1)>.step", "<img src=x onerror=alert(1)>.step"),
        ("a\0b\nc.step", "abc.step"),
        ("\u202egpj.step", "gpj.step"),
        ("", "model.step"),
        ("x" * 500, "x" * 120),
    ],
)
def test_names_are_only_shown(given, shown):
    assert shown_name(given) == shown


def test_a_wild_name_is_never_a_path(client):
    job = _hand_in(client, b"x", "../../../tmp/<script>alert(1)<／script>.step")
    assert "/" not in job["name"]
    _ended(client, job["id"])
    saved = client.get(f"/api/jobs/{job['id']}/1/choices.toml").headers["content-disposition"]
    assert saved == "attachment; filename*=UTF-8''script_alert_1_script.choices.toml"


@pytest.mark.parametrize(
    ("asked", "status"),
    [
        ({"from": 1, "choices": {"material": "wood"}}, 422),
        ({"from": 1, "choices": {"blank": "/etc/passwd"}}, 422),
        ({"from": 99, "choices": {}}, 404),
        ({"from": 1, "part": 0, "feature": "F99", "answers": {}}, 404),
        ({"from": 1, "part": -1, "feature": "F13", "answers": {}}, 404),
        ({"from": 1, "part": 0, "feature": "F13", "answers": {"thread": "M7x"}}, 422),
        ({"from": 1, "toml": "material = "}, 422),
        ({"from": 1, "toml": "blank = '/etc/passwd'"}, 422),
        ([], 400),
    ],
)
def test_wrong_wishes_are_refused_in_one_line(client, job, asked, status):
    answer = client.post(f"/api/jobs/{job}/revisions", json=asked)
    assert answer.status_code == status
    assert answer.text.startswith("dieroute: ")
    assert answer.text.count("\n") == 1


def test_a_search_finds_by_the_part(client, job):
    assert [j["id"] for j in client.get("/api/jobs", params={"q": "tt-5003"}).json()["jobs"]] == [job]


def test_a_kernel_that_dies_or_hangs_costs_one_job_and_not_the_server(tmp_path):
    app = make_app(Store(tmp_path), RULES, time_limit_s=60)
    with TestClient(app, base_url="http://127.0.0.1", headers={KEY_HEADER: RULES.key}) as client:
        for blow, said in ((signal.SIGSEGV, "crashed"), (signal.SIGSTOP, "stopped after 3 s")):
            if blow is signal.SIGSTOP:
                app.jobs.time_limit_s = 3.0
            job = _hand_in(client, MODEL)["id"]
            deadline = time.monotonic() + 60
            while client.get(f"/api/jobs/{job}").json()["revisions"][0]["state"] != "running":
                assert time.monotonic() < deadline
                time.sleep(0.02)
            hit: set[int] = set()
            while (now := client.get(f"/api/jobs/{job}").json()["revisions"][0])["state"] == "running":
                pid = app.jobs.worker_pid  # a crash is tried again with less read: hit each worker
                if pid is not None and pid not in hit:
                    hit.add(pid)
                    os.kill(pid, blow)
                time.sleep(0.02)
                assert time.monotonic() < deadline
            assert now["state"] == "failed"
            assert said in now["error"]
        app.jobs.time_limit_s = 600.0
        assert client.post(f"/api/jobs/{job}/1/again").status_code == 200
        assert _ended(client, job)["state"] == "done"


def test_a_job_can_be_stopped_and_run_again_and_removed(tmp_path):
    with _open(tmp_path) as client:
        first, second = (_hand_in(client, MODEL)["id"] for _ in range(2))
        for job in (second, first):
            assert client.post(f"/api/jobs/{job}/1/stop").status_code == 204
        for job in (first, second):
            revision = _ended(client, job)
            assert revision["state"] == "interrupted"
            assert "run again" in revision["error"]
        assert client.delete(f"/api/jobs/{first}").status_code == 204
        assert client.get(f"/api/jobs/{first}").status_code == 404
        client.post(f"/api/jobs/{second}/1/again")
        assert _ended(client, second)["state"] == "done"
        assert client.post(f"/api/jobs/{second}/1/again").status_code == 409

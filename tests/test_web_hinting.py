"""What would make a part cheaper, asked of the server: tried once, told by an event, kept with the files."""

from __future__ import annotations

from pathlib import Path

from starlette.testclient import TestClient
from support.batches import until

from routing.web.app import make_app
from routing.web.guard import KEY_HEADER, Rules
from routing.web.store import Store

WEAR_PLATE = Path(__file__).parents[1] / "demo_models" / "wear_plate.step"


def test_page_has_changes_tried_and_keeps_the_letter_with_the_files(tmp_path: Path) -> None:
    rules = Rules()
    app = make_app(Store(tmp_path / "jobs"), rules, workers=1)
    told = []
    with TestClient(app, base_url="http://127.0.0.1", headers={KEY_HEADER: rules.key}) as client:
        sent = app.jobs.notify
        app.jobs.notify = lambda message: (told.append(message), sent(message))
        job = client.post("/api/jobs", content=WEAR_PLATE.read_bytes()).json()["id"]
        path = f"/api/jobs/{job}/1/0/cheaper"
        assert client.post(path).status_code == 409  # nothing is routed yet
        until(lambda: client.get(f"/api/jobs/{job}").json()["revisions"][0]["state"] == "done")
        assert client.get(path).json() == {"trying": False, "error": "", "found": None}
        asked = [client.post(path) for _ in range(2)]  # twice: it is tried once
        assert [a.status_code for a in asked] == [202, 202]
        assert asked[0].json()["trying"]
        until(lambda: not client.get(path).json()["trying"])
        assert [m for m in told if "cheaper" in m] == [{"cheaper": 0, "job": job, "number": 1}]
        answer = client.get(path).json()
        assert answer["error"] == ""
        assert [h["kind"] for h in answer["found"]["hints"]] == ["edge break left out"]
        made = {f["name"] for f in client.get(f"/api/jobs/{job}/1").json()["parts"][0]["files"]}
        assert {"cheaper.json", "letter.txt", "letter.html"} <= made
        assert client.get(f"/api/jobs/{job}/1/0/file/letter.html?show").status_code == 200
        assert client.get(f"/api/jobs/{job}/1/7/cheaper").status_code == 404
        assert client.get(f"/api/jobs/{job}/9/0/cheaper").status_code == 404

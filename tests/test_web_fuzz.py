"""The page's interface asked for everything that its description allows, and for much that it does not.

The requests are made by schemathesis from /openapi.json (OpenAPI 3.1), in this process: no answer is a fault
of the server, and each has a status, a type, headers and content that the description names.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator
from typing import Any

import jsonschema
import lxml.html
import pytest
import referencing
import schemathesis
import schemathesis.engine
from referencing.jsonschema import DRAFT202012
from schemathesis.config import SchemathesisConfig
from schemathesis.engine import events
from schemathesis.python.asgi import HOST
from starlette.testclient import TestClient
from support.batches import block, until

from routing.web.app import App, make_app
from routing.web.guard import KEY_HEADER, Rules
from routing.web.store import Store

RULES = Rules(names=Rules().names | {HOST}, body_limit=1_000_000)
KEY = {KEY_HEADER: RULES.key}


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[App]:
    app = make_app(Store(tmp_path_factory.mktemp("jobs")), RULES)
    with TestClient(app, base_url="http://127.0.0.1", headers=KEY):
        yield app


@pytest.fixture(scope="module")
def known(app: App, tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Any]]:
    """Values of parameters and bodies that lead somewhere: a finished job and what it has."""
    client = TestClient(app, base_url="http://127.0.0.1", headers=KEY)
    model = block(tmp_path_factory.mktemp("model") / "block.step", 30)
    job = client.post("/api/jobs", content=model.read_bytes()).json()["id"]
    until(lambda: client.get(f"/api/jobs/{job}").json()["revisions"][0]["state"] == "done")
    (part,) = client.get(f"/api/jobs/{job}/1").json()["parts"]
    return {
        "job": [job],
        "number": [1],
        "part": [0],
        "stage": [0],
        "from": [1],
        "name": ["app.js"],
        "file": [file["name"] for file in part["files"]],
        "feature": [feature["id"] for feature in part["route"]["features"]],
        "like": [f"{job}.1"],
        "old": [f"{job}.1"],
        "new": [f"{job}.1.0"],
    }


def _leading(told: Any, known: dict[str, list[Any]]) -> Any:
    """The description, where what is known is as likely as anything else that it allows."""
    if isinstance(told, list):
        return [_leading(inner, known) for inner in told]
    if not isinstance(told, dict):
        return told
    made = {key: _leading(inner, known) for key, inner in told.items()}
    if told.get("in") in ("path", "query") and told["name"] in known:
        made["schema"] = {"anyOf": [{"enum": known[told["name"]]}, told["schema"]]}
    if "delete" in made:  # what is known is to stay
        made["delete"] = told["delete"]
    if "from" in (named := told.get("properties", {})):
        for name in set(named) & set(known):
            made["properties"][name] = {"anyOf": [{"enum": known[name]}, named[name]]}
    return made


@pytest.mark.parametrize("examples", [5, pytest.param(100, marks=pytest.mark.thorough)])
def test_every_answer_is_as_described(app: App, known: dict[str, list[Any]], examples: int) -> None:
    """The boundary values of everything, then so many random requests of each kind, then chains of them."""
    client = TestClient(app, base_url="http://127.0.0.1")
    told = _leading(client.get("/openapi.json").json(), known)
    schema = schemathesis.openapi.from_dict(told, config=SchemathesisConfig.from_dict(_settings(examples)))
    schema.app = _requests_of(app)
    if examples == 5:  # each look at the stream of events takes seconds: it has no end
        schema = schema.exclude(path="/api/events")
    asked: Counter[str] = Counter()
    failures: list[str] = []
    for event in schemathesis.engine.from_schema(schema).execute():
        if isinstance(event, events.NonFatalError | events.FatalError):
            failures.append(str(event))
        elif isinstance(event, events.ScenarioFinished):
            asked[event.phase.value] += len(event.recorder.cases)
            checks = (check for made in event.recorder.checks.values() for check in made)
            failures += [f"{c.name}: {c.failure_info.failure}" for c in checks if c.failure_info]
    assert not failures, "\n\n".join(failures)
    assert asked["coverage"] > 500
    assert asked["fuzzing"] > 15 * examples
    assert asked["stateful"] > 10


def _requests_of(app: App) -> Any:
    """The application without its beginning and end, which are the fixture's."""

    async def asked(scope: Any, receive: Any, send: Any) -> None:
        assert scope["type"] == "http"
        await app(scope, receive, send)

    return asked


def _settings(examples: int) -> dict[str, Any]:
    return {
        "generation": {"max-examples": examples, "deterministic": True},
        "headers": KEY,
        "request-timeout": 60.0,  # a busy machine is no fault of the page
        "checks": {
            # Grammar cannot tell whether a choice can be followed: 422 says why not.
            "positive_data_acceptance": {"expected-statuses": ["2xx", 404, 409, 422]},
            # A job has a mesh and a result when it has been worked on, not when it is there.
            "ensure_resource_availability": {"enabled": False},
        },
    }


DIGITS = "9" * 5000  # more than Python makes a number of
WILD = {
    "digits": '{"choices": {}, "from": ' + DIGITS + "}",
    "digits in a choice": '{"from": 1, "choices": {"blank_margin_mm": ' + DIGITS + "}}",
    "digits in a file": json.dumps({"from": 1, "toml": f"blank_margin_mm = {DIGITS}"}),
    "a deep list": "[" * 100_000,
    "a deep choice": '{"from": 1, "choices": {"settle": ' + "[" * 900 + "]" * 900 + "}}",
    "a deep file": json.dumps({"from": 1, "toml": "a = " + "[" * 5000 + "]" * 5000}),
    "a deep key": json.dumps({"from": 1, "toml": ".".join("a" * 20_000) + " = 1"}),
    "half a character": r'{"from": 1, "choices": {"threads": {"\ud800": "M5"}}}',
    "half a character in a file": r'{"from": 1, "toml": "material = \"\ud800\""}',
    "not a number": '{"from": 1, "choices": {"blank_margin_mm": NaN}}',
    "without end": '{"from": 1, "choices": {"blank_margin_mm": 1e999}}',
    "yes for one": '{"from": true, "choices": {}}',
    "yes for a part": '{"from": 1, "part": false, "feature": "F01", "answers": {}}',
    "two forms": '{"from": 1, "choices": {}, "toml": ""}',
    "no form": '{"from": 1}',
    "a number for a file": '{"from": 1, "toml": 5}',
    "no text": b"\xff\xfe",
}


@pytest.mark.parametrize("what", WILD)
def test_what_no_description_allows_is_refused_in_one_line(
    app: App, known: dict[str, list[Any]], what: str
) -> None:
    client = TestClient(app, base_url="http://127.0.0.1", headers=KEY, raise_server_exceptions=False)
    answer = client.post(f"/api/jobs/{known['job'][0]}/revisions", content=WILD[what])
    assert answer.status_code in (400, 404, 422), answer.text
    assert answer.text.startswith("dieroute: ")
    assert answer.text.count("\n") == 1
    assert len(answer.text) < 1000


@pytest.mark.parametrize(
    "path", ["/api/jobs/{job}/{n}", "/api/jobs/{job}/view/{n}", "/api/jobs/{job}/1/{n}/stage/0"]
)
def test_a_number_of_many_digits_leads_nowhere(app: App, known: dict[str, list[Any]], path: str) -> None:
    client = TestClient(app, base_url="http://127.0.0.1", raise_server_exceptions=False)
    assert client.get(path.format(job=known["job"][0], n=DIGITS)).status_code == 404


def test_the_description_is_shown_to_people(app: App) -> None:
    client = TestClient(app, base_url="http://127.0.0.1")
    told, page = client.get("/openapi.json").json(), client.get("/api")
    assert page.headers["content-type"].startswith("text/html")
    root = lxml.html.fromstring(page.text)
    shown = {tuple(h.text_content().split()) for h in root.iter("h3")}
    assert {(m.upper(), path) for path, methods in told["paths"].items() for m in methods} <= shown
    assert set(told["components"]["schemas"]) <= {name for (name, *_) in shown}
    ids = {element.get("id") for element in root.iter() if element.get("id")}
    links = [a.get("href") for a in root.iter("a")]
    assert {link[1:] for link in links if link.startswith("#")} <= ids
    for link in {*links, *(e.get("href") for e in root.iter("link"))}:
        assert link.startswith(("#", "data:")) or client.get(link).status_code == 200
    assert not list(root.iter("script", "style"))


def test_the_description_is_one_by_the_standard(app: App) -> None:
    """Schemas of it are JSON Schema, and every reference has its place."""
    told = TestClient(app, base_url="http://127.0.0.1").get("/openapi.json").json()
    registry = referencing.Registry().with_resource("", DRAFT202012.create_resource(told))
    for place in re.findall(r'"\$ref": "([^"]+)"', json.dumps(told)):
        registry.resolver().lookup(place)
    for schema in told["components"]["schemas"].values():
        jsonschema.Draft202012Validator.check_schema(schema)
    for path, methods in told["paths"].items():
        for operation in methods.values():
            named = {p["name"] for p in operation["parameters"] if p["in"] == "path"}
            assert named == set(re.findall(r"\{(\w+)\}", path))
            assert operation["summary"]

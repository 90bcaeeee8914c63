"""Who gets past the guard: hosts, sites, keys, tokens, sizes (headers of Fetch Metadata and RFC 6454)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route
from starlette.testclient import TestClient

from routing.web.guard import KEY_HEADER, Guard, Rules

KEY, TOKEN = "k" * 24, "t" * 24


async def _echo(request: Request) -> Response:
    return PlainTextResponse(str(len(await request.body())))


def _client(**rules: object) -> TestClient:
    inner = Starlette(routes=[Route("/", _echo), Route("/api/jobs", _echo, methods=["GET", "POST"])])
    guarded = Guard(inner, Rules(key=KEY, **rules))
    return TestClient(guarded, base_url="http://127.0.0.1:8470", follow_redirects=False)


@pytest.mark.parametrize(
    "host", ["127.0.0.1:8470", "localhost:8470", "[::1]:8470", "localhost", "LOCALHOST:1"]
)
def test_own_names_are_answered(host):
    assert _client().get("/", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:8470",
        "127.0.0.1.evil.example",
        "localhost.evil.example",
        "evil.example@127.0.0.1",
        "127.0.0.1:8470/evil",
        "127.0.0.1:port",
        "192.168.0.7:8470",
        "",
    ],
)
def test_foreign_host_names_are_refused(host):
    """DNS rebinding: a foreign name that points at this machine still says itself in Host."""
    assert _client().get("/api/jobs", headers={"host": host}).status_code == 421


def test_two_host_headers_are_refused():
    headers = [("host", "127.0.0.1:8470"), ("host", "evil.example")]
    assert _client().get("/", headers=headers).status_code == 421


def test_open_to_the_net_an_address_is_answered_but_no_foreign_name():
    client = _client(open_to_net=True, names=frozenset({"shopfloor"}))
    assert client.get("/", headers={"host": "192.168.0.7:8470"}).status_code == 200
    assert client.get("/", headers={"host": "shopfloor"}).status_code == 200
    assert client.get("/", headers={"host": "evil.example"}).status_code == 421


def test_a_change_needs_the_key():
    client = _client()
    assert client.post("/api/jobs", content=b"x").status_code == 403
    assert client.post("/api/jobs", content=b"x", headers={KEY_HEADER: "wrong"}).status_code == 403
    assert client.post("/api/jobs", content=b"x", headers={KEY_HEADER: KEY}).text == "1"


@pytest.mark.parametrize(
    "foreign",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9999"},
        {"origin": "http://localhost:8470"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_posts_from_other_sites_are_refused_even_with_the_key(foreign):
    headers = {KEY_HEADER: KEY, **foreign}
    assert _client().post("/api/jobs", content=b"x", headers=headers).status_code == 403


def test_other_sites_may_link_to_the_page_but_read_nothing():
    client = _client()
    assert client.get("/", headers={"sec-fetch-site": "cross-site"}).status_code == 200
    assert client.get("/api/jobs", headers={"sec-fetch-site": "cross-site"}).status_code == 403


def test_own_page_may_post():
    headers = {KEY_HEADER: KEY, "origin": "http://127.0.0.1:8470", "sec-fetch-site": "same-origin"}
    assert _client().post("/api/jobs", content=b"abc", headers=headers).text == "3"


def test_a_body_over_the_limit_is_refused_by_its_length_and_by_its_bytes():
    client = _client(body_limit=1000)
    headers = {KEY_HEADER: KEY}
    answer = client.post("/api/jobs", content=b"x" * 1001, headers=headers)
    assert answer.status_code == 413
    assert answer.text.count("\n") == 1

    def chunks() -> Iterator[bytes]:  # no length is said
        for _ in range(11):
            yield b"x" * 100

    assert client.post("/api/jobs", content=chunks(), headers=headers).status_code == 413
    assert client.post("/api/jobs", content=b"x" * 1000, headers=headers).status_code == 200


def test_a_length_that_is_none_is_refused():
    headers = {KEY_HEADER: KEY, "content-length": "-5"}
    assert _client().post("/api/jobs", content=b"", headers=headers).status_code == 400


def test_token_is_asked_of_everything_and_kept_in_a_cookie():
    client = _client(token=TOKEN)
    assert client.get("/").status_code == 401
    assert client.get("/api/jobs").status_code == 401
    assert client.get("/?token=wrong").status_code == 401
    assert client.get("/api/jobs", headers={"authorization": f"Bearer {TOKEN}"}).status_code == 200
    welcome = client.get(f"/?token={TOKEN}")
    assert (welcome.status_code, welcome.headers["location"]) == (303, "/")
    cookie = welcome.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert client.get("/api/jobs").status_code == 200


def test_every_answer_carries_a_strict_policy():
    for answer in (_client().get("/"), _client().get("/", headers={"host": "evil.example"})):
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"


def test_pages_hold_no_script_or_style_in_line_and_nothing_from_elsewhere():
    from routing.web import app

    pages = Path(app.__file__).parent / "pages"
    html = (pages / "index.html").read_text()
    assert "<script type=" in html
    assert all("src=" in tag.partition(">")[0] for tag in html.split("<script")[1:])
    assert "<style" not in html
    assert " style=" not in html
    assert " onclick" not in html
    for page in pages.iterdir():
        text = page.read_text()
        foreign = text.replace("http://www.w3.org/2000/svg", "")  # a name, not an address
        assert "http://" not in foreign
        assert "https://" not in foreign
        assert "innerHTML" not in text
        assert "insertAdjacentHTML" not in text


def test_everyone_has_a_token_of_their_own():
    anna, otto = "a" * 20, "o" * 20
    client = _client(people={anna: "Anna", otto: "Otto"})
    assert client.get("/api/jobs").status_code == 401
    for token in (anna, otto):
        assert client.get("/api/jobs", headers={"authorization": f"Bearer {token}"}).status_code == 200
        assert token in client.get(f"/?token={token}").headers["set-cookie"]
    client.cookies.clear()
    for wrong in ("a" * 19, anna + otto, "Anna", ""):
        assert client.get("/api/jobs", headers={"authorization": f"Bearer {wrong}"}).status_code == 401
    assert client.get("/?token=" + "x" * 20).status_code == 401


@pytest.mark.parametrize(
    ("host", "origin", "status"),
    [
        ("quotes.example:8443", "https://quotes.example:8443", 200),
        ("127.0.0.1:8470", "https://quotes.example:8443", 200),  # a proxy that keeps the name to itself
        ("quotes.example:8443", "https://quotes.example", 403),
        ("127.0.0.1:8470", "https://quotes.example.evil.example:8443", 403),
        ("other.example", "https://other.example", 421),
    ],
)
def test_the_address_before_a_proxy_is_one_of_ours(host, origin, status):
    client = _client(address="https://quotes.example:8443")
    headers = {"host": host, "origin": origin, KEY_HEADER: KEY}
    assert client.post("/api/jobs", headers=headers).status_code == status

"""The description of the interface as a page for people: plain HTML, no script."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from html import escape
from typing import Any

_HEAD = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>dieroute: interface</title>
<link rel="icon" href="data:,">
<link rel="stylesheet" href="/pages/reference.css">
</head>
<body>
<main>
"""


def reference_page(described: Mapping[str, Any]) -> str:
    """HTML of an OpenAPI document: its requests in their order, then the tables they take and give."""
    return _HEAD + "\n".join(_lines(described)) + "\n</main>\n</body>\n</html>\n"


def _lines(described: Mapping[str, Any]) -> Iterator[str]:
    info, parts = described["info"], described["components"]
    yield f"<h1>The interface of {escape(info['title'])} {escape(info['version'])}</h1>"
    yield f"<p>{escape(info['description'])}</p>"
    yield '<p><a href="/">The page</a> · <a href="/openapi.json">the same for machines, OpenAPI</a></p>'
    yield "<h2>Requests</h2>"
    for path, methods in described["paths"].items():
        for method, told in methods.items():
            yield from _request(method.upper(), path, told, parts["responses"])
    yield "<h2>Tables</h2>"
    for name, schema in parts["schemas"].items():
        yield f'<section id="{escape(name)}"><h3>{escape(name)}</h3>'
        yield f"<pre>{escape(json.dumps(schema, indent=2))}</pre></section>"


def _request(method: str, path: str, told: Mapping[str, Any], refusals: Mapping[str, Any]) -> Iterator[str]:
    yield f'<section id="{escape(told["operationId"])}"><h3><b>{method}</b> <code>{escape(path)}</code></h3>'
    yield f"<p>{escape(told['summary'])}</p>"
    if more := told.get("description"):
        yield f"<p>{escape(more)}</p>"
    yield "<dl>"
    for given in told["parameters"]:
        need = "" if given["required"] else ", may be left out"
        where = f"{given['name']} ({given['in']}{need})"
        yield f"<dt>{escape(where)}<dd>{escape(given['description'])}; {_kind(given['schema'])}"
    for kind, content in told.get("requestBody", {}).get("content", {}).items():
        yield f"<dt>is sent<dd>{_kind(content['schema'])} as {escape(kind)}"
    for status, answer in told["responses"].items():
        if "$ref" in answer:
            answer = refusals[status]
            yield f"<dt>{status}<dd>{escape(answer['description'])}"
            continue
        content = "".join(
            f": {_kind(c['schema'])} as {escape(k)}" for k, c in answer.get("content", {}).items()
        )
        yield f"<dt>{status}<dd>{escape(answer['description'])}{content}"
    yield "</dl></section>"


def _kind(schema: Mapping[str, Any]) -> str:
    """A schema in a word, or a link to its table."""
    if place := schema.get("$ref"):
        name = escape(place.rpartition("/")[2])
        return f'<a href="#{name}">{name}</a>'
    return escape(str(schema.get("type", "anything")) + (f" {p}" if (p := schema.get("pattern")) else ""))

"""The report as one HTML file that needs nothing else: words, tables, drawings and the 3-D view."""

from __future__ import annotations

import json
from collections.abc import Mapping
from html import escape
from importlib.resources import files
from typing import Any

from routing.export.report.blocks import Block, Facts, Pictures, Report, Section, Table, Text
from routing.export.viewer import script

# Nothing may be fetched, whatever a name in the model tries.
_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'unsafe-inline'"


def page(report: Report, view: Mapping[str, Any] | None) -> str:
    """``view`` is what ``page.js`` shows in 3-D: model, axes, colours, edges, explode, names, bodies; None
    for a page without it."""
    head = "".join(f"<div><dt>{escape(k)}</dt><dd><bdi>{escape(v)}</bdi></dd></div>" for k, v in report.head)
    anchors = "".join(
        f'<li><a href="#s{n}">{escape(s.title)}</a></li>' for n, s in enumerate(report.sections)
    )
    first, *rest = (_section(n, s) for n, s in enumerate(report.sections))
    shown = "" if view is None else _VIEW
    body = "".join([first, shown, *rest])  # the flags come first, even before the part itself
    script_ = (
        ""
        if view is None
        else f'<script type="application/json" id="view">{_data(view)}</script>\n'
        f'<script type="module">\n{script()}\n{_asset("page.js")}</script>'
    )
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(report.title)}: {escape(report.what.lower())}</title>"
        f"<style>{_asset('page.css')}</style></head>\n"
        f"<body><header><p>{escape(report.what)}</p><h1><bdi>{escape(report.title)}</bdi></h1>\n"
        f"<dl>{head}</dl></header>\n"
        f'<nav aria-label="Sections"><ul>{anchors}</ul></nav>\n<main>{body}</main>\n'
        f"{script_}</body></html>\n"
    )


_VIEW = """<section class="view" aria-label="The part in 3-D"><canvas></canvas>
<p class="tools"><span role="group" aria-label="View"></span>
<label>section <select><option value="">none</option><option value="0">along x</option>
<option value="1">along y</option><option value="2">along z</option></select></label>
<label>at <input type="range" min="0" max="1" step="0.005" value="0.5" disabled></label>
<button type="button" id="apart" aria-pressed="false">take apart</button>
<label>stock <select id="stock"><option value="">none</option></select></label></p>
<p class="picked" role="status">Click a face, or a row of the feature list.</p></section>
"""


def _asset(name: str) -> str:
    return files("routing.export.report").joinpath(name).read_text(encoding="utf-8")


def _data(value: Any) -> str:
    """JSON that cannot end the script it stands in."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _section(n: int, section: Section) -> str:
    fresh = ' class="fresh"' if section.new_page else ""
    inner = "".join(map(_block, section.blocks))
    return f'<section id="s{n}"{fresh}><h2>{escape(section.title)}</h2>{inner}</section>\n'


def _block(block: Block) -> str:
    if isinstance(block, Text):
        return f'<p class="{block.look}"><bdi>{escape(block.words)}</bdi></p>'
    if isinstance(block, Facts):
        return _facts(block)
    if isinstance(block, Table):
        return _table(block)
    assert isinstance(block, Pictures)
    figures = "".join(
        f"<figure>{d.svg}{f'<figcaption>{escape(text)}</figcaption>' if text else ''}</figure>"
        for d, text in block.drawings
    )
    return f'<div class="pictures of{block.columns}">{figures}</div>'


def _facts(facts: Facts) -> str:
    rows = "".join(f"<div><dt>{escape(k)}</dt><dd><bdi>{escape(v)}</bdi></dd></div>" for k, v in facts.rows)
    return f"<dl{' class=wide' if facts.wide else ''}>{rows}</dl>"


def _table(table: Table) -> str:
    whole = sum(table.widths)
    columns = "".join(f'<col style="width:{w / whole:.1%}">' for w in table.widths)
    head = "".join(f'<th scope="col">{escape(h)}</th>' for h in table.head)
    rows = "".join(
        f"<tr{' class=lead' if n in table.leads else ''}>"
        + "".join(f"<td><bdi>{escape(c)}</bdi></td>" for c in row)
        + "</tr>"
        for n, row in enumerate(table.rows)
    )
    tall = ' class="tall"' if table.tall else ""
    return (
        f"<table{tall}><colgroup>{columns}</colgroup><thead><tr>{head}</tr></thead>"
        f"<tbody>{rows}</tbody></table>"
    )

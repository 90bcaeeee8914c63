"""The shop file as a person meets it: keys found in the text, errors at the line, every value explained."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from routing.cli.app import app
from routing.inputs.shop import ShopError, load_shop
from routing.inputs.shop.explain import explain, meaning_of
from routing.inputs.shop.load import default_text
from routing.inputs.shop.places import nearest, places_of

TEXT = '''# a [false] header = 1
title = "x # no comment" # said
"quoted key".'dotted' = 1
long = """
[not.a.table]
k = 1 \\""" ""
"""
raw = \'\'\'
# none\'\'\'
list = [ # open
    1, # one
    [2, 3],
    "]",
]
inline = { a = 1, b = { c = "}" }, d = [{ e = 2 }] }

# over the tools
# kind: what
[[tool]] # first
kind = 1
[tool.part]
size = 2
[[tool]]
kind = 3
[[tool.bit]]
x = 1
[[tool.bit]]
x = 2
[ a . "b c" ] # header
d.e = 1979-05-27 07:32:00
'''


def test_every_way_to_write_a_key_is_found_at_its_line() -> None:
    # Forms of TOML 1.0.0 (toml.io): quoted and dotted keys, multi-line strings and arrays, inline tables,
    # arrays of tables with tables in them. Lines counted by hand.
    places = places_of(TEXT)
    lines = {
        "title": 2,
        "quoted key.dotted": 3,
        "long": 4,
        "raw": 8,
        "list": 10,
        "list[0]": 11,
        "list[1][1]": 12,
        "list[2]": 13,
        "inline.b.c": 15,
        "inline.d[0].e": 15,
        "tool[0].kind": 20,
        "tool[0].part.size": 22,
        "tool[1]": 23,
        "tool[1].kind": 24,
        "tool[1].bit[0].x": 26,
        "tool[1].bit[1].x": 28,
        "a.b c.d.e": 30,
    }
    assert {key: places[key].line for key in lines} == lines
    assert places["title"].beside == "said"
    assert places["tool"].above == ("over the tools", "kind: what")
    assert places["a.b c"].beside == "header"
    assert not any("not" in key or "false" in key for key in places)


def _keys(content: object, key: str = "") -> set[str]:
    if isinstance(content, dict):
        dot = f"{key}." if key else ""
        return {key} | {k for name, item in content.items() for k in _keys(item, dot + name)}
    if isinstance(content, list):
        return {key} | {k for n, item in enumerate(content) for k in _keys(item, f"{key}[{n}]")}
    return {key}


@pytest.mark.parametrize("text", [TEXT, default_text(), TEXT.replace("\n", "\r\n")])
def test_the_scanner_finds_what_the_standard_parser_finds(text: str) -> None:
    found = {k for k in places_of(text) if k}
    wanted = {k for k in _keys(tomllib.loads(text)) if k}
    # A table that only a longer header or a dotted key implies has no line of its own.
    implied = {"quoted key", "a", "a.b c.d", "materials"}
    assert wanted - found <= implied
    assert found <= wanted


@given(st.integers(0, 30), st.sampled_from(["\n", "# x\n", "\n# [a]\n"]))
def test_an_error_stands_at_the_line_of_its_key(blank: int, filler: str) -> None:
    text = filler * blank + "[rates.wire]\nslug_min = -4\n"
    place = nearest(places_of(text), "rates.wire.slug_min")
    assert place is not None
    assert text.split("\n")[place.line - 1] == "slug_min = -4"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "\nwires = [\n {diameter_mm=0.2, gap_mm=0},\n {diameter_mm = -1, gap_mm = 0},\n]",
            "line 4: wires[1].diam",
        ),
        (
            "wires = [\n {diameter_mm = 0.2, gap_mm = 0},\n {diameter_mm = 0.1},\n]",
            "line 3: wires[1].gap_mm is miss",
        ),
        ("[[cutters]]\nform='flat'\n[[cutters]]\nform='saw'", "line 1: cutters[0].diameter_mm is missing"),
        (
            "[general]\n\nclearance_holes = 'punch'",
            "line 3: general.clearance_holes = 'punch': write wire or drill",
        ),
        ("[rates]\nlathe = 3", "line 2: rates.lathe is not known"),
        (
            "[rates.range]\nwire = {low = 1.2, high = 2}",
            "line 2: rates.range.wire.low = 1.2: write a number from 0 to 1",
        ),
        (
            "[rates.scrap_share]\n'wire' = 1",
            "line 2: rates.scrap_share.wire = 1: write a number from 0 to 0.5",
        ),
        ("[rates]\nquantities = [1,\n 2.5]", "line 3: rates.quantities[1] = 2.5: write a whole number"),
        ("[rates.wire]\npass_shares = []", "line 2: rates.wire.pass_shares must be a list"),
        ("a = \n", "line 1"),
    ],
)
def test_check_points_at_the_line_and_ends_with_status_2(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "shop.toml"
    path.write_text(text)
    result = CliRunner().invoke(app, ["shop", "check", str(path)])
    assert result.exit_code == 2
    assert said in result.stderr
    assert result.stderr.count("\n") == 1


def test_a_new_file_can_be_used_and_is_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "shop.toml"
    run = CliRunner().invoke
    assert run(app, ["shop", "new", str(path)]).exit_code == 0
    assert load_shop(path) == load_shop()
    assert run(app, ["shop", "check", str(path)]).exit_code == 0
    path.write_text("# mine\n")
    again = run(app, ["shop", "new", str(path)])
    assert again.exit_code == 2
    assert "--replace" in again.stderr
    assert path.read_text() == "# mine\n"
    assert run(app, ["shop", "new", "--replace", str(path)]).exit_code == 0
    assert path.read_text() == default_text()
    assert run(app, ["shop", "new", str(tmp_path / "none" / "shop.toml")]).exit_code == 2


def test_every_value_is_explained() -> None:
    found = explain()
    assert len(found) > 150
    assert [e.key for e in found if not e.meaning] == []
    # A size says its unit; words, counts and shares have none.
    sizes = ("_mm", "_min", "_deg", "_ratio", "_kg", "_cm3", "_mm2", "_mm3")
    assert [e.key for e in found if e.key.endswith(sizes) and not e.unit] == []
    assert meaning_of("rates.wire.slug_min")[1] == "common practice, no source"
    assert "rule of mixtures" in meaning_of("materials.hard_carbide.density_g_per_cm3")[1]


def test_explain_tells_the_shop_s_value_beside_the_default(tmp_path: Path) -> None:
    path = tmp_path / "shop.toml"
    path.write_text("[rates.wire]\nslug_min = 7\n")
    run = CliRunner().invoke
    said = run(app, ["shop", "explain", "rates.wire.slug_min", "--shop", str(path)]).stdout
    assert "rates.wire.slug_min = 7 min (default 4 min)" in said
    assert "slug" in said
    as_json = json.loads(run(app, ["shop", "explain", "rates.wire", "--json"]).stdout)
    assert {e["key"] for e in as_json} >= {"rates.wire.slug_min", "rates.wire.pass_shares"}
    assert run(app, ["shop", "explain", "rates.lathe"]).exit_code == 2
    with pytest.raises(ShopError, match="is not a key"):
        explain("rates.w")

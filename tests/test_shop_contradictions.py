"""Shop and choices files that cannot be meant: each ends in one short line that names the key."""

from __future__ import annotations

import json
import math
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from routing.inputs.choices import Choices, ChoicesError, load_choices
from routing.inputs.shop import ShopError, load_shop
from routing.inputs.shop.load import content_of, default_text
from routing.processes.mill.shop import MillShop
from routing.processes.rooms import Room, Sign, added
from routing.processes.wire.shop import WireShop

CONTRADICTIONS = {
    "a ball's corner is half its diameter": (
        "cutters = [{form='ball', diameter_mm=1, corner_radius_mm=0.02, neck_mm=5}]",
        "cutters[0].corner_radius_mm",
    ),
    "a flat cutter's corner is no larger than its radius": (
        "cutters = [{form='flat', diameter_mm=2, corner_radius_mm=5, neck_mm=5}]",
        "cutters[0].corner_radius_mm",
    ),
    "a bull's corner is smaller than a ball's": (
        "cutters = [{form='bull', diameter_mm=2, corner_radius_mm=1, neck_mm=5}]",
        "cutters[0].corner_radius_mm",
    ),
    "a bull has a corner": (
        "cutters = [{form='bull', diameter_mm=2, corner_radius_mm=0, neck_mm=5}]",
        "cutters[0].corner_radius_mm",
    ),
    "no wire is a metre thick": ("wires = [{diameter_mm=1e300, gap_mm=0.02}]", "wires[0].diameter_mm"),
    "nor two millimetres": ("wires = [{diameter_mm=2, gap_mm=0.02}]", "wires[0].diameter_mm"),
    "a gap is smaller than its wire": ("wires = [{diameter_mm=0.2, gap_mm=0.3}]", "wires[0].gap_mm"),
    "a wheel's corners leave it a rim": (
        "wheels = [{width_mm=1, diameter_mm=200, corner_radius_mm=0.6, depth_mm=4}]",
        "wheels[0].corner_radius_mm",
    ),
    "a wheel clears less than its radius": (
        "wheels = [{width_mm=1, diameter_mm=200, corner_radius_mm=0, depth_mm=100}]",
        "wheels[0].depth_mm",
    ),
    "a neck is thinner than its head": (
        "side_cutters = [{kind='t-slot', head_mm=3, width_mm=1, neck_mm=3, reach_mm=5}]",
        "side_cutters[0].neck_mm",
    ),
    "a t-slot cutter is square": (
        "side_cutters = [{kind='t-slot', head_mm=3, width_mm=1, neck_mm=1, reach_mm=5, angle_deg=60}]",
        "side_cutters[0].angle_deg",
    ),
    "a dovetail leans": (
        "side_cutters = [{kind='dovetail', head_mm=6, width_mm=1, neck_mm=3, reach_mm=5}]",
        "side_cutters[0].angle_deg",
    ),
    "a dovetail's top carries its neck": (
        "side_cutters = [{kind='dovetail', head_mm=6, width_mm=3, neck_mm=3, reach_mm=5, angle_deg=45}]",
        "side_cutters[0].neck_mm",
    ),
    "the smallest drill is no larger than the largest": (
        "[drilling]\ndrill_min_mm = 30",
        "drilling.drill_min_mm",
    ),
    "no start hole is smaller than the smallest": (
        "[wire_machine]\nstart_hole_min_mm = 5",
        "wire_machine.start_hole_min_mm",
    ),
    "roughing sparks farther": ("[electrodes]\nrough_gap_mm = 0.01", "electrodes.rough_gap_mm"),
    "the last passes take less": ("[rates.grind]\nfine_infeed_mm = 0.1", "rates.grind.fine_infeed_mm"),
    "a jaw grips less than the vise opens": ("[workholding]\nvise_grip_mm = 200", "workholding.vise_grip_mm"),
    "one hardness, one material": (
        "[materials.mine]\n" + default_text().partition("[materials.steel]\n")[2].partition("\n\n")[0],
        "materials.mine.hardness_hrc",
    ),
    "an unknown machine has no rate": ("[rates.per_hour]\nlaser = 70", "rates.per_hour.laser"),
    "nor a set-up": ("[rates.setup_min]\n'surface-grind' = 70", "rates.setup_min.surface-grind"),
    "nor a range": ("[rates.range]\nlaser = {low = 0.5, high = 2}", "rates.range.laser"),
    "nor scrap": ("[rates.scrap_share]\nlaser = 0.1", "rates.scrap_share.laser"),
    "nor a way to be held": ("[workholding.order]\nlaser = ['vise']", "workholding.order.laser"),
    "nor a force": ("[workholding.force_n]\nlaser = 10", "workholding.force_n.laser"),
    "not a number": ("[rates.wire]\nslug_min = nan", "rates.wire.slug_min"),
    "without end": ("[rates.wire]\nslug_min = inf", "rates.wire.slug_min"),
    "of 400 digits": (f"[rates.wire]\nslug_min = {10**400}", "rates.wire.slug_min"),
    "too hard": ("[materials.steel]\nhardness_hrc = 99", "materials.steel.hardness_hrc"),
}


@pytest.mark.parametrize("what", CONTRADICTIONS)
def test_a_contradiction_is_refused_by_its_key(what: str, tmp_path: Path) -> None:
    text, key = CONTRADICTIONS[what]
    path = tmp_path / "shop.toml"
    path.write_text(text)
    with pytest.raises(ShopError) as caught:
        load_shop(path)
    assert caught.value.key == key
    check_line(str(caught.value))
    assert key in str(caught.value)


def check_line(said: str) -> None:
    assert said.isprintable()
    assert len(said) < 500


def test_the_defaults_contradict_nothing(tmp_path: Path) -> None:
    shop = load_shop()
    assert len(shop[MillShop].cutters) > 20
    assert shop[WireShop].wires
    path = tmp_path / "shop.toml"
    path.write_text(default_text())
    assert load_shop(path) == shop


@dataclass(frozen=True)
class Bare:
    """What a shop has for a process that owns nothing."""


def test_a_process_without_its_rate_is_missed(tmp_path: Path) -> None:
    (tmp_path / "bare.toml").write_text("")
    laser = Room(99, Sign("laser", "L", "#123456"), Bare, tmp_path / "bare.toml", "nowhere:Laser")
    with added(laser), pytest.raises(ShopError, match=r"^[a-z_.]+\.laser is missing"):
        load_shop()


DEEP = {
    "lists": "a = " + "[" * 5000 + "]" * 5000,
    "tables": "a = " + "{a=" * 5000 + "1" + "}" * 5000,
    "a dotted key": ".".join(["a"] * 50_000) + " = 1",
    "a header": f"[{'.'.join(['a'] * 50_000)}]\nb = 1",
    "many digits": f"blank_margin_mm = 1{'0' * 6000}\n",
    "a surrogate": 'material = "\\ud800"',
    "a line end in a key": '"a\\nb" = 1',
    "a control character in a key": '"a\\u001b[31m" = 1',
    "a megabyte in a key": '"' + "a" * 900_000 + '" = 1',
    "a megabyte in a word": 'material = "' + "a" * 900_000 + '"\n[toolroom]\nname = 1',
    "a megabyte in a list": "settle = [" + "1," * 400_000 + "]\nwires = [" + "1," * 40_000 + "]",
    "two megabytes": "# " + "a" * 2_000_000,
    "bytes": b"\xff\xfe\x00",
    "a NUL": "material = 'a\x00b'",
}


@pytest.mark.parametrize("what", DEEP)
@pytest.mark.parametrize("load", [load_shop, load_choices])
def test_what_nobody_writes_ends_in_one_line(what: str, load: Any, tmp_path: Path) -> None:
    text = DEEP[what]
    path = tmp_path / "x.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises((ShopError, ChoicesError)) as caught:
        load(path)
    check_line(str(caught.value))


@pytest.mark.parametrize("load", [load_shop, load_choices])
def test_a_folder_is_no_file(load: Any, tmp_path: Path) -> None:
    with pytest.raises((ShopError, ChoicesError), match="is not a file"):
        load(tmp_path)


# Anything anywhere


ODD = st.one_of(
    st.sampled_from(
        [None, True, "", "flat", "\ud800", "a\nb", "\x1b[2J", "x" * 10**6, 10**400, -1, 0, 1e300]
    ),
    st.sampled_from([math.nan, math.inf, -0.0, [], {}, [[]], {"a": {}}, [1, "a"], 10**5000, 1979]),
    st.floats(),
    st.integers(),
    st.text(max_size=20),
)


def _leaves(content: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    inner = (
        content.items()
        if isinstance(content, dict)
        else enumerate(content)
        if isinstance(content, list)
        else ()
    )
    return [path, *(leaf for key, item in inner for leaf in _leaves(item, (*path, key)))]


_PLACES = [place for place in _leaves(content_of()) if place]


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(place=st.sampled_from(_PLACES), value=ODD)
@example(place=("cutter_kinds", 3, "name"), value="x" * 1000)
def test_any_value_anywhere_is_a_shop_or_one_line(
    place: tuple[Any, ...], value: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    content = content_of()
    inner: Any = content
    for key in place[:-1]:
        inner = inner[key]
    inner[place[-1]] = value
    monkeypatch.setattr("routing.inputs.shop.load.content_of", lambda path=None: content)
    try:
        load_shop()
    except ShopError as error:
        check_line(str(error))


_CHOICES = tomllib.loads(
    """
material = "carbide-12"
working_side = "+z"
blank = "auto"
blank_margin_mm = 0.5
allowance_floor_mm = 0.01
allowance_wall_mm = 0.0
strict = false
present = ["F01"]
supplied = "soft"
threads = {"4.2" = "M5"}
thread_colours = {"#ff8000" = "thread"}
processes = {F07 = "mill"}
allowances = {F03 = [0.02, 0.005]}
edges = {E12 = "may break"}
settle = [{at = [38.0, 20.0, 0.0], kind = "hole", size_mm = 5.0, thread = "M6"}]
"""
)


@settings(max_examples=200, deadline=None)
@given(place=st.sampled_from([p for p in _leaves(_CHOICES) if p]), value=ODD)
def test_any_choice_is_a_choice_or_one_line(place: tuple[Any, ...], value: Any) -> None:
    """As the page sends them too, where no parser has looked first."""
    content = json.loads(json.dumps(_CHOICES))
    inner: Any = content
    for key in place[:-1]:
        inner = inner[key]
    inner[place[-1]] = value
    try:
        Choices(**content)
    except ChoicesError as error:
        check_line(str(error))


@pytest.mark.parametrize(
    "given",
    [
        {"threads": {"4.2": "M5", "4.20": "M6"}},
        {"processes": {"blind-slot": "mill", "blind slot": "sink-erode"}},
        {"thread_colours": {"#FF8000": "M5", "#ff8000": "plain"}},
        {"edges": {"edge-round": "may break", "edge round": "keep sharp"}},
    ],
)
def test_two_answers_to_one_question_are_refused(given: dict[str, Any]) -> None:
    with pytest.raises(ChoicesError, match="answered twice"):
        Choices(**given)


def test_the_command_line_wins_however_it_is_written() -> None:
    chosen = Choices(threads={"4.20": "M5"}, processes={"blind slot": "mill"})
    changed = chosen.but(threads={"4.2": "M6"}, processes={"blind-slot": "sink-erode"})
    assert changed.threads == {"4.2": "M6"}
    assert changed.processes == {"blind slot": "sink-erode"}

"""The hole table against the solid it was read from: drilled again from the table, the part comes out."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cadquery as cq
import jsonschema
import numpy as np
import pytest

from featurize.brep.build import build_part
from featurize.recognise import recognise
from routing.export.exporters import hole_table, setups
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.plan.make import make_plan
from tests.support.routed import STEEL, UP


def work_of(solid: cq.Workplane, threads: dict[str, str] | None = None) -> Any:
    found = recognise(build_part(solid.val().wrapped), working_side=UP, threads=threads or {"all": "plain"})
    plan = make_plan(found, load_shop(), Choices(material=STEEL))
    return SimpleNamespace(part=found.part, plan=plan)


def zeros(work: Any) -> dict[str, dict[str, Any]]:
    """The zero of each setup, as the route file has it, by the table's own number for it."""
    return {str(s["number"]): s["zero"] for s in setups.planned(work)["setups"]}


def drilled(told: dict[str, dict[str, Any]], rows: list[dict[str, str]], blank: cq.Workplane) -> cq.Workplane:
    """The blank with every row cut out of it from its setup, by what the table and the zeros say."""
    for row in rows:
        zero = told[row["setup"]]
        x, y, z = (np.array(zero[k]) for k in "xyz")
        assert np.cross(x, y) == pytest.approx(z, abs=1e-9)
        at, low, high = (
            np.array([float(row[k]) for k in ("x_mm", "y_mm", "mouth_z_mm")]),
            *(float(row[k]) for k in ("from_mm", "to_mm")),
        )
        mouth = np.array(zero["origin_mm"]) + at @ np.array([x, y, z])
        wide = float(row["diameter_mm"]) / 2
        narrow = float(row["end_diameter_mm"] or row["diameter_mm"]) / 2
        profile = [(0, low), (wide, low), (narrow, high), (0, high)]
        if row["bottom"].startswith("point "):
            profile[3] = (0, high + wide / np.tan(np.radians(float(row["bottom"].split()[1]) / 2)))
        plane = cq.Plane(tuple(mouth), tuple(x), tuple(np.cross(x, -z)))  # its own y goes down
        assert tuple(plane.yDir.toTuple()) == pytest.approx(tuple(-z))
        body = cq.Workplane(plane).polyline(profile).close().revolve(360, (0, 0), (0, 1))
        blank = blank.cut(body)
    return blank


def trial() -> tuple[cq.Workplane, cq.Workplane]:
    """A blank off the origin, and the same with holes from four sides, counterbored, through and slanted."""
    blank = cq.Workplane().box(60, 40, 24, centered=False).translate((7, -3, 11))
    solid = (
        blank.faces(">Z").workplane(origin=(17, 7, 35)).hole(6.0)
        .faces(">Z").workplane(origin=(27, 27, 35)).hole(4.0, 9.0)
        .faces(">Z").workplane(origin=(37, 9, 35)).cboreHole(5.5, 10.0, 5.5)
        .faces("<Z").workplane(origin=(57, 27, 11)).hole(3.0, 7.0)
        .faces("<Z").workplane(origin=(57, 7, 11)).hole(3.0, 7.0)
        .faces(">Y").workplane(origin=(47, 37, 23)).hole(4.5, 8.0)
        .faces("<X").workplane(origin=(7, 17, 21)).hole(3.5, 6.0)
    )  # fmt: skip
    return blank, solid


def test_the_part_can_be_drilled_from_the_table(tmp_path: Path) -> None:
    """Every tool's own row: drills with their points, floors, counterbores and the wired bore."""
    blank, solid = trial()
    work = work_of(solid)
    told = hole_table.write(work, tmp_path)["holes"]
    rows = list(csv.DictReader((tmp_path / "holes.csv").open(newline="", encoding="utf-8")))
    assert len({r["feature"] for r in rows}) == 7
    schema = json.loads((Path(__file__).parents[1] / "docs" / "route.schema.json").read_text())["properties"]
    jsonschema.validate(json.loads(json.dumps(told)), schema["holes"])
    again = drilled(zeros(work), rows, blank)
    # Sizes in the table are rounded to 1e-4 mm: a drill's point of 7.8 mm is that much too deep at most.
    assert again.cut(solid).val().Volume() + solid.cut(again).val().Volume() == pytest.approx(0, abs=1e-6)


def test_no_row_cuts_into_the_part(tmp_path: Path) -> None:
    """Each alone takes nothing of the part, and what a drill leaves its floor's row takes."""
    _, solid = trial()
    work = work_of(solid)
    hole_table.write(work, tmp_path)
    rows = list(csv.DictReader((tmp_path / "holes.csv").open(newline="", encoding="utf-8")))
    for row in rows:
        assert solid.cut(drilled(zeros(work), [row], solid)).val() is None or solid.cut(
            drilled(zeros(work), [row], solid)
        ).val().Volume() == pytest.approx(0, abs=1e-3), row


def test_each_setup_counts_from_its_zero_and_says_it_once(tmp_path: Path) -> None:
    _, solid = trial()
    work = work_of(solid)
    told = hole_table.write(work, tmp_path)["holes"]["rows"]
    # The box is 7..67, -3..37, 11..35; zero is the corner that is low in X and Y of each setup.
    corners = {"+z": (7, -3, 35), "-z": (7, 37, 11), "+y": (7, 37, 35), "-x": (7, -3, 35)}
    at = zeros(work)
    for row in told:
        assert at[str(row["setup"])]["origin_mm"] == pytest.approx(corners[row["side"]]), row
    place = {
        (r["feature"], r["side"]): (r["x_mm"], r["y_mm"], r["mouth_z_mm"], r["diameter_mm"])
        for r in told
        if r["what"] == "drill"
    }
    assert sorted(v for (_, side), v in place.items() if side == "-z") == [(50, 10, 0, 3), (50, 30, 0, 3)]
    assert [v for (_, side), v in place.items() if side == "-x"] == [(20, 14, 0, 3.5)]  # along +y and -z
    assert [v for (_, side), v in place.items() if side == "+y"] == [(40, 12, 0, 4.5)]  # along +x and -z
    assert {r["count"] for r in told if r["side"] == "-z"} == {2}
    assert {r["count"] for r in told if r["side"] != "-z"} == {1}
    words = {n: s["words"] for n, s in at.items()}
    for number in {r["setup"] for r in told}:
        said = [r["zero"] for r in told if r["setup"] == number]
        assert said == [words[str(number)], *[""] * (len(said) - 1)]


def test_bottoms_and_through(tmp_path: Path) -> None:
    _, solid = trial()
    point = cq.Workplane("XZ").polyline(
        [(0, 35), (2.1, 35), (2.1, 25), (0, 25 - 2.1 / np.tan(np.radians(59)))]
    )
    solid = solid.cut(point.close().revolve(360, (0, 0), (0, 1)).translate((60, 17, 0)))
    rows = hole_table.write(work_of(solid), tmp_path)["holes"]["rows"]
    last = {r["diameter_mm"]: r for r in rows}  # the last tool that is sent there
    assert last[6.0]["bottom"] == last[5.5]["bottom"] == "through"
    assert last[4.0]["bottom"] == "flat"
    assert last[4.0]["to_mm"] == pytest.approx(9)
    (pointed,) = [
        r for r in rows if r["diameter_mm"] == 4.2
    ]  # a drill leaves its point, nothing is to flatten
    assert (pointed["tool_kind"], pointed["tool_mm"], pointed["bottom"]) == ("drill", 4.2, "point 118")
    assert pointed["to_mm"] == pytest.approx(10)


def test_a_thread_has_its_drill_relief_and_full_depth(tmp_path: Path) -> None:
    solid = cq.Workplane().box(40, 30, 20).faces(">Z").workplane().cboreHole(4.2, 5.3, 1.4, depth=14)
    rows = {r["what"]: r for r in hole_table.write(work_of(solid, {"4.2": "M5"}), tmp_path)["holes"]["rows"]}
    assert list(rows) == ["drill", "floor", "relief", "mouth", "thread"]
    thread, drill, relief = rows["thread"], rows["drill"], rows["relief"]
    assert (thread["thread"], thread["hand"], thread["pitch_mm"]) == ("M5", "right", 0.8)  # ISO 261
    assert thread["diameter_mm"] == 5
    assert drill["tool_mm"] == drill["diameter_mm"] == 4.2  # ISO 2306, from memory
    # Its point, of 118 deg, ends on the bore's floor.
    assert drill["to_mm"] == pytest.approx(14 - 2.1 / math.tan(math.radians(59)), abs=1e-4)
    assert (rows["floor"]["to_mm"], rows["floor"]["bottom"]) == (14, "flat")
    assert (relief["diameter_mm"], relief["from_mm"], relief["to_mm"]) == (5.3, 0, 1.4)
    assert (thread["from_mm"], thread["to_mm"]) == (1.4, 14)
    # Blind: bore of 14 less the relief, less a pitch of 0.8 of run-out.
    assert thread["full_thread_mm"] == pytest.approx(14 - 1.4 - 0.8)
    assert not any(r["thread"] and r["hand"] for r in rows.values() if r is not thread)


def test_a_slanted_hole_has_a_setup_of_its_own(tmp_path: Path) -> None:
    along = cq.Plane((0, 0, 10), xDir=(0, 1, 0), normal=(np.sin(0.3), 0, np.cos(0.3)))
    solid = cq.Workplane().box(60, 40, 20).cut(cq.Workplane(along).circle(2).extrude(30, both=True))
    work = work_of(solid)
    rows, told = hole_table.write(work, tmp_path)["holes"]["rows"], zeros(work)
    assert {r["what"] for r in rows} == {"start hole", "wire"}
    for row in rows:
        zero = told[str(row["setup"])]
        assert row["side"].startswith("(")
        assert zero["z"] == pytest.approx([np.sin(0.3), 0, np.cos(0.3)])
        at = np.array(zero["origin_mm"]) + np.array(
            [row[k] for k in ("x_mm", "y_mm", "mouth_z_mm")]
        ) @ np.array([zero[k] for k in "xyz"])
        off = at - (0, 0, 10)
        assert np.linalg.norm(off - (off @ np.array(zero["z"])) * np.array(zero["z"])) < 1e-3


def test_the_table_is_the_same_again_and_harmless(tmp_path: Path) -> None:
    _, solid = trial()
    first = json.dumps(hole_table.write(work_of(solid), tmp_path))
    text = (tmp_path / "holes.csv").read_bytes()
    assert json.dumps(hole_table.write(work_of(solid), tmp_path)) == first
    assert (tmp_path / "holes.csv").read_bytes() == text
    cells = [
        c for row in csv.reader((tmp_path / "holes.csv").open(newline="", encoding="utf-8")) for c in row
    ]
    # Only numbers may begin with a sign.
    assert all(c.lstrip("-").replace(".", "").isdigit() for c in cells if c.startswith(("=", "+", "-", "@")))

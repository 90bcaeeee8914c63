"""The hole table against the solid it was read from: drilled again from the table, the part comes out."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cadquery as cq
import jsonschema
import numpy as np
import pytest

from featurize.brep.build import build_part
from featurize.recognise import recognise
from routing.export.exporters import hole_table
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.plan.make import make_plan
from tests.support.routed import STEEL, UP


def work_of(solid: cq.Workplane, threads: dict[str, str] | None = None) -> Any:
    found = recognise(build_part(solid.val().wrapped), working_side=UP, threads=threads or {"all": "plain"})
    plan = make_plan(found, load_shop(), Choices(material=STEEL))
    return SimpleNamespace(part=found.part, plan=plan)


def drilled(told: dict[str, Any], rows: list[dict[str, str]], blank: cq.Workplane) -> cq.Workplane:
    """The blank with every row's stages drilled from its setup, by what the table and its zeros say."""
    setups = {str(s["setup"]): s for s in told["setups"]}
    for row in rows:
        s = setups[row["setup"]]
        x, y, z = (np.array(s[k]) for k in "xyz")
        assert np.cross(x, y) == pytest.approx(z, abs=1e-9)
        mouth = np.array(s["zero_mm"]) + float(row["x_mm"]) * x + float(row["y_mm"]) * y
        mouth = mouth + float(row["mouth_z_mm"]) * z
        for stage in row["diameters"].split(", "):
            diameter, end = (float(word) for word in stage.split(" x "))
            blank = blank.cut(
                cq.Workplane(cq.Plane(tuple(mouth), tuple(x), tuple(-z))).circle(diameter / 2).extrude(end)
            )
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
    blank, solid = trial()
    told = hole_table.write(work_of(solid), tmp_path)["holes"]
    rows = list(csv.DictReader((tmp_path / "holes.csv").open(newline="", encoding="utf-8")))
    assert len(rows) == 7
    schema = json.loads((Path(__file__).parents[1] / "docs" / "route.schema.json").read_text())["properties"]
    jsonschema.validate(json.loads(json.dumps(told)), schema["holes"])
    again = drilled(told, rows, blank)
    assert again.cut(solid).val().Volume() + solid.cut(again).val().Volume() == pytest.approx(0, abs=1e-6)


def test_each_setup_counts_from_the_middle_of_its_side(tmp_path: Path) -> None:
    _, solid = trial()
    told = hole_table.write(work_of(solid), tmp_path)["holes"]
    # The box is 7..67, -3..37, 11..35.
    zeros = {s["side"]: s["zero_mm"] for s in told["setups"]}
    assert zeros == {"+z": [37, 17, 35], "-z": [37, 17, 11], "+y": [37, 37, 23], "-x": [7, 17, 23]}
    flat = {r["side"]: (r["x_mm"], r["y_mm"], r["mouth_z_mm"]) for r in told["rows"] if r["count"] == 1}
    assert flat["-x"] == (0.0, 2.0, 0.0)  # X along +y, Y along -z: 2 below the middle
    assert flat["+y"] == (10.0, 0.0, 0.0)
    assert {r["count"] for r in told["rows"] if r["side"] == "-z"} == {2}


def test_bottoms_and_through(tmp_path: Path) -> None:
    _, solid = trial()
    point = cq.Workplane("XZ").polyline(
        [(0, 35), (2.1, 35), (2.1, 25), (0, 25 - 2.1 / np.tan(np.radians(59)))]
    )
    solid = solid.cut(point.close().revolve(360, (0, 0), (0, 1)).translate((60, 17, 0)))
    rows = hole_table.write(work_of(solid), tmp_path)["holes"]["rows"]
    bottoms = {r["diameter_mm"]: r["bottom"] for r in rows}
    assert bottoms[6.0] == bottoms[5.5] == "through"
    assert bottoms[4.0] == "flat"
    assert bottoms[4.2] == "cone 118 deg"
    assert {r["diameter_mm"]: r["depth_mm"] for r in rows}[4.2] == pytest.approx(10)


def test_a_thread_has_its_drill_relief_and_full_depth(tmp_path: Path) -> None:
    solid = cq.Workplane().box(40, 30, 20).faces(">Z").workplane().cboreHole(4.2, 5.3, 1.4, depth=14)
    (row,) = hole_table.write(work_of(solid, {"4.2": "M5"}), tmp_path)["holes"]["rows"]
    assert (row["thread"], row["hand"]) == ("M5", "right")
    assert row["tap_drill_mm"] == 4.2  # ISO 2306, from memory
    assert (row["relief_diameter_mm"], row["relief_depth_mm"]) == (5.3, 1.4)
    # Blind: bore of 14 less the relief, less a pitch of 0.8 of run-out.
    assert row["full_thread_mm"] == pytest.approx(14 - 1.4 - 0.8)


def test_a_slanted_hole_has_a_setup_of_its_own(tmp_path: Path) -> None:
    along = cq.Plane((0, 0, 10), xDir=(0, 1, 0), normal=(np.sin(0.3), 0, np.cos(0.3)))
    solid = cq.Workplane().box(60, 40, 20).cut(cq.Workplane(along).circle(2).extrude(30, both=True))
    told = hole_table.write(work_of(solid), tmp_path)["holes"]
    (row,), (setup,) = told["rows"], told["setups"]
    assert row["setup"] == setup["setup"]
    assert row["side"].startswith("(")
    at = np.array(setup["zero_mm"]) + np.array([row[k] for k in ("x_mm", "y_mm", "mouth_z_mm")]) @ np.array(
        [setup[k] for k in "xyz"]
    )
    off = at - (0, 0, 10)
    assert np.linalg.norm(off - (off @ np.array(setup["z"])) * np.array(setup["z"])) < 1e-3


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

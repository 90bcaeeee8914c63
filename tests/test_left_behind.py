"""What stays behind, against closed forms of plane geometry and the kernel's volume of the written file."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import cadquery as cq
import jsonschema
import numpy as np
import pytest
import shapely
from OCP.STEPControl import STEPControl_Reader

from featurize.brep.planar_path import area_of
from featurize.brep.solids import is_valid, solids_of, volume_of
from featurize.feature import Kind
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs.job import run_job
from routing.processes.rest.left import Left, NoBodyError
from routing.processes.rest.plane import Reach, path_of, solid_of
from routing.processes.surface_grind.reach import run_out_mm
from routing.processes.tools import Cutter, Wheel
from tests.support.routed import asked, block, job_of, owned, shop_with, the

ROOT = Path(__file__).resolve().parents[1]
# A square corner keeps (1 - pi/4) r^2 of a disc: the square of side r less the quarter disc.
SQUARE = 1 - math.pi / 4


def left(solid: cq.Workplane, kind: Kind, process: str, shop: Any = None) -> Left:
    job = job_of(solid, shop)
    feature = the(job, kind)
    return job.processes[process].left(job, feature, asked(job, feature, process), forced=False)


def volume(found: Left) -> float:
    solids = found.bodies()
    assert all(map(is_valid, solids))
    return sum(map(volume_of, solids))


def pocket(depth: float = 4.0, corner: float = 0.0) -> cq.Workplane:
    tool = cq.Workplane().box(12, 8, 2 * depth)
    return block().cut((tool.edges("|Z").fillet(corner) if corner else tool).translate((0, 0, 20)))


def under(wheel_mm: float, depth_mm: float) -> float:
    """Area under a wheel's rim from where it touches the floor to a wall as high as it stands deep.

    With x = sqrt(2 R h - h^2): R x - (x sqrt(R^2 - x^2) + R^2 asin(x / R)) / 2, by integration.
    """
    r, x = wheel_mm / 2, run_out_mm(wheel_mm, depth_mm)
    return r * x - (x * math.sqrt(r**2 - x**2) + r**2 * math.asin(x / r)) / 2


SMALL = shop_with(cutters=(Cutter("flat", 0.5, 0.02, 5.0),))


def test_the_square_corners_of_a_pocket_under_a_cutter() -> None:
    found = left(pocket(), Kind.POCKET, "mill", SMALL)
    assert "0.5 flat" in found.tool
    assert len(found.bodies()) == 4
    expected = 4 * SQUARE * 0.25**2 * 4
    assert abs(volume(found) - expected) < found.bound_mm3 < 2e-3 * expected
    assert found.whole_mm3 == pytest.approx(12 * 8 * 4)


def test_round_corners_keep_the_difference_of_two_discs() -> None:
    found = left(pocket(corner=0.2), Kind.POCKET, "mill", SMALL)
    expected = 4 * SQUARE * (0.25**2 - 0.2**2) * 4
    # The pocket's own corners are chords of a mesh here: their arcs are found again.
    assert abs(volume(found) - expected) < found.bound_mm3 < 2e-2 * expected


@pytest.mark.parametrize("sides", [3, 6, 8])
def test_corners_of_any_angle(sides: int) -> None:
    solid = block().faces(">Z").workplane().polygon(sides, 16).cutBlind(-3)
    found = left(solid, Kind.POCKET, "mill", SMALL)
    half = math.pi * (sides - 2) / sides / 2
    # The kite between the corner and the points of touch, less the disc's sector.
    expected = sides * 0.25**2 * (1 / math.tan(half) - (math.pi / 2 - half)) * 3
    assert abs(volume(found) - expected) < found.bound_mm3 + 1e-9


def test_the_square_corners_of_an_opening_under_a_wire() -> None:
    solid = block().faces(">Z").workplane().rect(12, 8).cutThruAll()
    general = replace(load_shop().general, sharp_corner_leave_mm=0.001)
    found = left(solid, Kind.THROUGH_PROFILE, "wire", shop_with(general=general))
    corner = min(w.corner_mm for w in owned("wires"))
    expected = 4 * SQUARE * corner**2 * 20
    assert abs(volume(found) - expected) < found.bound_mm3 < 2e-2 * expected


@pytest.mark.parametrize("depth", [1.0, 3.0])
def test_a_wheel_runs_out_before_a_blind_end(depth: float) -> None:
    solid = block(60).cut(cq.Workplane().box(60, 8, 2 * depth).translate((10, 0, 20)))
    wheels = (Wheel(6.0, 150.0, 0.05, 30.0),)
    found = left(solid, Kind.BLIND_SLOT, "surface grind", shop_with(wheels=wheels))
    expected = 8 * under(150.0, depth)
    assert abs(volume(found) - expected) < found.bound_mm3 < 2e-3 * expected
    ends = np.vstack([shapely.get_coordinates(p) for c in found.layers for p in c.pieces])
    assert float(np.ptp(ends[:, 0])) == pytest.approx(run_out_mm(150.0, depth), abs=2e-3)


def test_a_depth_out_of_reach_stays() -> None:
    """30 of 50 are in reach of the only cutter there is."""
    cutter = Cutter("flat", 3.0, 0.02, 30.0)
    solid = block(40, 30, 60).cut(cq.Workplane().box(8, 6, 100).translate((0, 0, 60)))
    job = job_of(solid, shop_with(cutters=(cutter,)))
    feature = the(job, Kind.POCKET)
    found = job.processes["mill"].left(job, feature, asked(job, feature, "mill"), forced=False)
    expected = 8 * 6 * (50 - 30) + 4 * SQUARE * 1.5**2 * 30
    assert abs(volume(found) - expected) < found.bound_mm3 + 1e-9
    assert [round(c.high_mm - c.low_mm, 6) for c in found.layers] == [30, 20]


def test_a_gap_as_wide_as_the_tool_lets_it_in() -> None:
    square = shapely.box(0, 0, 10, 4)
    corners = Reach(square, 2.0).left_of(square)
    assert sum(p.area for p in corners) == pytest.approx(4 * SQUARE * 4, rel=1e-3)
    assert Reach(square, 2.1).left_of(square)[0].area == pytest.approx(40)


def test_rings_get_their_arcs_back() -> None:
    disc = shapely.points(1, 2).buffer(3, quad_segs=40).union(shapely.box(1, -1, 9, 5))
    path = path_of(disc.exterior)
    assert abs(area_of(path)) == pytest.approx(9 * math.pi / 2 + 8 * 6, rel=1e-9)
    assert 4 <= len(path) <= 6


def test_a_wheel_forced_into_a_long_pocket_leaves_both_ends() -> None:
    """60 long and 3 deep: it runs out sqrt(2 R h - h^2) before each end and grinds the floor between."""
    solid = block(80).cut(cq.Workplane().box(60, 8, 6).translate((0, 0, 20)))
    found = left(solid, Kind.POCKET, "surface grind")
    wheel_mm = min(w.diameter_mm for w in owned("wheels"))
    assert 2 * run_out_mm(wheel_mm, 3) < 60
    expected = 2 * 8 * under(wheel_mm, 3)
    assert abs(volume(found) - expected) < found.bound_mm3 < 2e-3 * expected


def test_a_pocket_closed_at_both_ends_tells_how_far_a_wheel_dips() -> None:
    with pytest.raises(NoBodyError, match="dips") as told:
        left(pocket(), Kind.POCKET, "surface grind")
    r = min(w.diameter_mm for w in owned("wheels")) / 2
    assert f"{r - math.sqrt(r**2 - 12**2 / 4):.3f}" in str(told.value)


def test_nearly_all_is_no_body() -> None:
    with pytest.raises(NoBodyError, match="nearly all"):
        left(pocket(), Kind.POCKET, "wire")


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], Path]:
    """A pocket that the mill shares with erosion, and a blind slot that a person gives to the wheel."""
    folder = tmp_path_factory.mktemp("left")
    solid = pocket().cut(cq.Workplane().box(20, 4, 4).translate((20, 10, 20)))
    cq.exporters.export(solid, str(folder / "part.step"))
    choices = Choices(threads={"all": "plain"}, processes={"blind slot": "surface grind"})
    run_job(folder / "part.step", folder / "out", choices, load_shop())
    return json.loads((folder / "out" / "route.json").read_text()), folder / "out"


def test_the_file_holds_what_the_route_tells(job: tuple[dict[str, Any], Path]) -> None:
    content, folder = job
    schema = json.loads((ROOT / "docs/route.schema.json").read_text())
    jsonschema.validate(content, schema)
    told = content["left_behind"]
    entries = {(e["because"], e["process"]): e for e in told["entries"] if e["bodies"]}
    assert ("takes the bulk", "mill") in entries
    assert ("forced", "surface grind") in entries
    reader = STEPControl_Reader()
    reader.ReadFile(str(folder / told["file"]))
    reader.TransferRoots()
    solids = solids_of(reader.OneShape())
    assert all(map(is_valid, solids))
    assert len(solids) == sum(len(e["bodies"]) for e in entries.values())
    total = sum(e["volume_mm3"] for e in entries.values())
    assert sum(map(volume_of, solids)) == pytest.approx(total, abs=1e-3)
    text = (folder / told["file"]).read_text()
    assert all(name in text for e in entries.values() for name in e["bodies"])


def test_the_bulks_rest_is_that_of_the_regions(job: tuple[dict[str, Any], Path]) -> None:
    """Two ways to one figure: corners' closed form by the process, the kernel's volume of the bodies."""
    content, _ = job
    (entry,) = [e for e in content["left_behind"]["entries"] if e["because"] == "takes the bulk"]
    feature = next(f for f in content["features"] if f["id"] == entry["feature"])
    assert entry["volume_mm3"] == pytest.approx(feature["regions"][1]["volume_mm3"], abs=2e-3)


def test_a_solid_with_a_hole_keeps_it() -> None:
    from featurize.brep.silhouette import View
    from tests.support.routed import UP

    view = View.toward(np.zeros(3), UP, np.array([0.0, 1.0, 0.0]))
    ring = shapely.box(0, 0, 4, 4).difference(shapely.points(2, 2).buffer(1, quad_segs=64))
    assert volume_of(solid_of(view, ring, 0, 5)) == pytest.approx(5 * (16 - math.pi), rel=1e-9)


def test_the_pictures_show_the_same_areas(job: tuple[dict[str, Any], Path]) -> None:
    """Rings as drawn: the cutter's corners have their closed form's area, the report a picture of each."""
    content, folder = job
    told = [e for e in content["left_behind"]["entries"] if e["seen"]]
    (mill,) = [e for e in told if e["because"] == "takes the bulk"]
    corners = sum(float(shapely.Polygon(ring).area) for ring in mill["seen"]["left_mm"])
    radius = float(re.match(r"[\d.]+", mill["tool"])[0]) / 2
    assert len(mill["seen"]["left_mm"]) == 4
    assert corners == pytest.approx(4 * SQUARE * radius**2, rel=0.1)  # arcs drawn to 0.005
    page = (folder / "report.html").read_text()
    assert page.count("leaves of") == len(told) >= 2

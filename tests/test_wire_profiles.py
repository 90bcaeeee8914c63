"""The wire's papers read back: walls rebuilt from the drawing against the kernel's sections of the part,
leads, zeros; circles against shapely's, closed forms."""

from __future__ import annotations

import csv
import json
import math
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import cadquery as cq
import ezdxf
import jsonschema
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopExp import TopExp
from OCP.TopTools import TopTools_IndexedMapOfShape

from featurize.brep.build import build_part
from featurize.feature import Kind
from featurize.recognise import recognise
from featurize.step.read import read_step
from routing.processes.context import JobContext
from routing.processes.material import Material
from routing.processes.protocol import Stage
from routing.processes.wire.arcs import as_arcs
from routing.processes.wire.leads import Surroundings, lead_in
from routing.processes.wire.outline import Outline, outline_of
from routing.processes.wire.profiles import cuts, wire_view
from routing.processes.wire.slugs import Fall, density_g_cm3, slug
from routing.processes.wire.start_holes import Circle, largest_circle, start_hole
from tests.support.routed import STEEL, block, job_of, owned, recognised
from tests.support.sampled import few
from tests.support.wire_files import (
    Axes,
    beyond_mm,
    heights_between,
    left_mm,
    lines_at,
    material_at,
    passes_in,
    written,
)
from tests.support.wire_openings import KINDS, insert
from tests.wire_openings import LIMIT_MM, tried

MACHINE = owned("wire_machine")

DEMOS = Path(__file__).parents[1] / "demo_models"
# Each demo with what is wired in it, by its own answer key's count.
SCHEMA = json.loads((DEMOS.parent / "docs" / "route.schema.json").read_text())["properties"]
WIRED = {"corner_cavity": 1, "crossing_block": 4, "pierce_die": 3}


@cache
def demo(name: str) -> Any:
    (solid,) = read_step(DEMOS / f"{name}.step", isolate=False).parts
    part = build_part(solid.solid, face_names=solid.face_names, source_faces=solid.source_faces)
    return recognise(part, threads={"all": "plain"} if name != "crossing_block" else {})


def walls_at(part: Any, faces: tuple[int, ...], axes: Axes, z: float) -> list[Any]:
    """The kernel's section of some faces of a part that was not healed."""
    found = TopTools_IndexedMapOfShape()
    TopExp.MapShapes_s(part.solid, TopAbs_ShapeEnum.TopAbs_FACE, found)
    places = [place for f in faces for place in part.faces[f].source]
    return [line for place in places for line in lines_at(found(place + 1), axes, z)]


@pytest.mark.parametrize("name", few(sorted(WIRED), 2))
def test_a_demos_walls_are_what_the_drawing_leaves(name: str, tmp_path: Path) -> None:
    """Both ways at many heights: nothing of the part is cut, nothing of the walls is left."""
    plan, told = written(demo(name), tmp_path)
    part = plan.job.part
    paths = passes_in(tmp_path, told)
    assert len(paths) == WIRED[name]
    for cut, (setup, path) in paths.items():
        feature = plan.job.by_id[cut]
        axes = Axes.of(told, setup)
        levels = axes.local(part.mesh.vertices)[:, 2]
        for z in heights_between(path, float(levels.min()), float(levels.max()), 0.002):
            assert beyond_mm(path, material_at(part.solid, axes, z), z) <= LIMIT_MM, (cut, z)
            if walls := walls_at(part, feature.faces, axes, z):
                assert left_mm(path, walls, z) <= LIMIT_MM, (cut, z)


@pytest.mark.parametrize("kind", few(sorted(KINDS), 3))
def test_a_random_openings_walls_are_what_the_drawing_leaves(kind: str, tmp_path: Path) -> None:
    found = tried(kind, 1, tmp_path)
    assert found.passes, kind
    assert found.beyond_mm <= LIMIT_MM
    assert found.left_mm <= LIMIT_MM


def test_a_pass_that_is_lacking_or_too_wide_is_found(tmp_path: Path) -> None:
    """The measure itself: without the lead-in its cone is left, with half a degree more the part is cut."""
    plan, told = written(recognised(insert("keyways_and_cone", 1, upright=True)), tmp_path)
    ((setup, path),) = passes_in(tmp_path, told).values()
    axes, part = Axes.of(told, setup), plan.job.part
    assert len(path) == 2
    z = path[1].upper_z - 0.01
    material = material_at(part.solid, axes, z)
    walls = [shapely.get_coordinates(r) for p in shapely.get_parts(material) for r in p.interiors]
    assert left_mm(path[:1], walls, z) > 0.1
    wide = path[1].upper.copy()
    wide[:, :2] += (wide[:, :2] - wide[:, :2].mean(axis=0)) * 0.01
    assert beyond_mm([path[0], replace(path[1], upper=wide)], material, z) > 0.02


def test_a_wall_that_a_bore_crosses_is_told_from_end_to_end() -> None:
    """A bore of 6 through 28, another of 4 across it at 18: one pass, and it makes what the other leaves."""
    body = block(40, 40, 28).cut(cq.Workplane().circle(3).extrude(60, both=True))
    job = job_of(body.cut(cq.Workplane("YZ").center(0, 18).circle(2).extrude(60, both=True)))
    part, along = job.part, job.thickness
    faces = [f.id for f in part.faces if abs(np.hypot(*f.points[0, :2]) - 3) < 1e-6]
    (cut,) = cuts(part, faces, wire_view(part, along))
    (only,) = cut.passes
    assert only.ruled.high_mm - only.ruled.low_mm == pytest.approx(28)
    assert only.area_mm2 == pytest.approx(math.pi * 6 * (28 - 4), rel=0.01)


@pytest.mark.parametrize(
    "kind", few(["keyways_and_cone", "land_and_relief", "relief_on_one_wall", "two_kinks"], 2)
)
def test_each_band_has_its_pass_and_each_pass_its_lead(kind: str, tmp_path: Path) -> None:
    """Leads are in the air, by the wire's radius and gap, at every height until they turn in."""
    plan, told = written(recognised(insert(kind, 3, upright=True)), tmp_path)
    ((setup, path),) = passes_in(tmp_path, told).values()
    made = told["wire"]["passes"]
    assert [p["makes"] for p in made] == {
        "land_and_relief": ["land", "relief"],
        "keyways_and_cone": ["land", "lead-in"],
        "relief_on_one_wall": ["land", "relief"],
        "two_kinks": ["land", "relief", "relief"],
    }[kind]
    axes, part = Axes.of(told, setup), plan.job.part
    levels = axes.local(part.mesh.vertices)[:, 2]
    for p in made:
        (high, low), lead = p["heights_mm"], p["lead"]
        assert lead["problem"] is None
        upper, lower = np.array(lead["upper_mm"]), np.array(lead["lower_mm"])
        assert len(upper) == len(lower)
        start = p["start_hole"]
        assert upper[0] == pytest.approx((start["x_mm"], start["y_mm"]))
        assert lower[0] == pytest.approx(upper[0])
        for z in np.linspace(levels.min() + 0.01, levels.max() - 0.01, 9):
            way = lower + (z - low) / (high - low) * (upper - lower)
            material = material_at(part.solid, axes, float(z))
            run = shapely.linestrings(way)
            # What is nearer the outline than the wire's radius and gap is its own way in.
            off = p["offset_mm"] + 0.01
            clear = run.difference(shapely.Point(way[-1]).buffer(off))
            assert clear.length > 0
            assert shapely.distance(run, material) > -1e-9
            assert shapely.distance(clear, material) > 0.9 * p["offset_mm"], (p["name"], z)
    first = path[0].section((path[0].upper_z + path[0].lower_z) / 2)
    bore = told["wire"]["start_holes"][0]
    hole = shapely.Point(bore["x_mm"], bore["y_mm"]).buffer(bore["diameter_mm"] / 2)
    assert shapely.covers(first, hole)


def test_outlines_are_closed_and_of_true_arcs(tmp_path: Path) -> None:
    solid = block().cut(cq.Workplane().circle(4).extrude(20))
    _, told = written(recognised(solid), tmp_path)
    document = ezdxf.readfile(tmp_path / "wire_profiles.dxf")
    assert document.header["$INSUNITS"] == 4  # millimetres
    (made,) = told["wire"]["passes"]
    for name, height in zip(made["layers"], (0.0, -20.0), strict=True):
        (entity,) = document.modelspace().query(f'LWPOLYLINE[layer=="{name}"]')
        assert entity.closed
        assert entity.dxf.elevation == pytest.approx(height)
        rows = list(entity.get_points("xyb"))
        assert [b for _, _, b in rows] == pytest.approx([1.0, 1.0])  # two half circles
        assert math.dist(rows[0][:2], rows[1][:2]) == pytest.approx(8.0)


def test_every_paper_counts_from_the_zero_of_the_setup(tmp_path: Path) -> None:
    """An opening at a known place of a block that lies turned in space; zero is a corner of its top."""
    solid = block(40, 30, 20).cut(cq.Workplane().center(7, -4).rect(10, 6).extrude(20))
    relief = cq.Workplane(origin=(7, -4, 0)).rect(10.6, 6.6).workplane(offset=14).rect(10, 6).loft()
    moved = solid.cut(relief).rotate((0, 0, 0), (1, 2, 0.5), 50).translate((11, -3, 8))
    up = np.array(cq.Workplane().add(cq.Vector(0, 0, 1)).vals()[0].toTuple())
    turn = cq.Location(cq.Vector(), cq.Vector(1, 2, 0.5), 50)
    up = np.array((turn * cq.Location(cq.Vector(*up))).toTuple()[0])
    found = recognise(build_part(moved.val().wrapped), working_side=up, threads={"all": "plain"})
    plan, told = written(found, tmp_path)
    (start,) = told["wire"]["start_holes"]
    (land, relief_told) = told["wire"]["passes"]
    zero = next(s["zero"] for s in told["setups"] if s["number"] == start["setup"])
    # In space the place is (7, -4, 20) of the block, and zero is its corner that is low in X and Y, on top.
    back = (cq.Location(cq.Vector(11, -3, 8)) * turn).inverse

    def in_block(x: float, y: float, z: float) -> tuple[float, ...]:
        at = np.array(zero["origin_mm"]) + np.array([x, y, z]) @ np.array([zero[k] for k in "xyz"])
        return (back * cq.Location(cq.Vector(*at))).toTuple()[0]

    assert in_block(start["x_mm"], start["y_mm"], 0) == pytest.approx((7, -4, 20), abs=1e-3)
    assert np.abs(in_block(0, 0, 0)) == pytest.approx((20, 15, 20), abs=1e-3)
    corners = np.array([in_block(x, y, 0) for x in (0, 1) for y in (0, 1)])
    assert (np.abs(corners[:, 0]) < 20 + 1e-3).all()  # X and Y count into the block
    assert (np.abs(corners[:, 1]) < 15 + 1e-3).all()
    assert (start["from_z_mm"], start["to_z_mm"]) == pytest.approx((0, -20))
    assert land["heights_mm"] == pytest.approx([0, -6])
    assert relief_told["heights_mm"] == pytest.approx([-6, -20])
    # Closed form: 0.3 in 14.
    assert relief_told["angle_deg"] == pytest.approx(math.degrees(math.atan(0.3 / 14)), abs=1e-3)
    (wired,) = [s for s in plan.steps if s.stage == Stage.WIRE]
    (done,) = wired.passes
    assert [(t.high_mm, t.low_mm) for t in done.tool_passes] == [
        pytest.approx(p["heights_mm"]) for p in (land, relief_told)
    ]
    (bored,) = [s for s in plan.steps if s.stage == Stage.START_HOLE]
    said = f"X {start['x_mm']:.3f} Y {start['y_mm']:.3f} Z 0.000".replace("-0.000", "0.000")
    assert any(said in note.replace("-0.000", "0.000") for note in bored.notes), bored.notes
    rows = list(csv.DictReader((tmp_path / "wire_passes.csv").open()))
    assert [float(r["upper Z"]) for r in rows] == pytest.approx([0, -6])
    assert [float(r["start X"]) for r in rows] == pytest.approx([start["x_mm"]] * 2)
    drilled = next(s["zero"] for s in told["setups"] if s["number"] == bored.setup)
    assert zero == drilled
    assert plan.setup_of(wired.number).zero.axes == pytest.approx(
        np.array([wire_view(plan.job.part, wired.approach.direction).across,
                  wire_view(plan.job.part, wired.approach.direction).up, wired.approach.direction])
    )  # fmt: skip


@pytest.mark.parametrize(
    ("material", "trims"), [(STEEL, (3, 1)), ("carbide-12", (4, 2)), ("carbide-6", (5, 2))]
)
def test_a_land_gets_more_trims_than_a_relief(material: str, trims: tuple[int, int], tmp_path: Path) -> None:
    """The shop's pass shares give three trims; a material may ask for more (its finishing passes)."""
    _, told = written(recognised(insert("land_and_relief", 3, upright=True)), tmp_path, material=material)
    land, relief = told["wire"]["passes"]
    assert (land["trims"], relief["trims"]) == trims
    assert len(land["speeds"]) == 1 + trims[0]


@settings(max_examples=15, deadline=None)
@given(st.floats(2, 60), st.floats(2, 60), st.floats(0.02, 0.98), st.floats(0, 3))
def test_the_largest_circle_is_shapelys(w: float, h: float, share: float, slant: float) -> None:
    """A slanted, rounded oblong: the circle on exact arcs against shapely's on very fine chords."""
    r = share * min(w, h) / 2
    b = math.tan(math.pi / 8)
    points = [(r, 0), (w - r, 0), (w, r), (w, h - r), (w - r, h), (r, h), (0, h - r), (0, r)]
    turned = shapely.affinity.rotate(shapely.multipoints(points), slant, origin=(0, 0), use_radians=True)
    outline = Outline(shapely.get_coordinates(turned), np.array([0, b] * 4), (0,) * 8, True)
    found = largest_circle([outline])
    assert found is not None
    spoke = shapely.maximum_inscribed_circle(outline.polygon(1e-5), tolerance=1e-5)
    assert found.radius_mm == pytest.approx(spoke.length, abs=1e-3)
    assert found.radius_mm == pytest.approx(min(w, h) / 2, abs=1e-4)
    # Rounded oblong, closed form.
    assert outline.area_mm2 == pytest.approx(w * h - (4 - math.pi) * r**2, rel=1e-9)


@pytest.mark.parametrize("taper_deg", [0.5, 2.0, 5.0])
def test_a_tapered_wall_stands_off_by_height_times_tangent(taper_deg: float) -> None:
    """Closed form: over a height h a wall that leans by a moves by h tan a."""
    tool = cq.Workplane().rect(14, 10).extrude(20, taper=taper_deg)
    job = job_of(block().cut(tool))
    (feature,) = [f for f in job.features if f.kind != Kind.OUTSIDE_FACE]
    (cut,) = cuts(job.part, feature.faces, wire_view(job.part, job.thickness))
    move = 20 * math.tan(math.radians(taper_deg))
    assert len(cut.passes) == 1
    for outline, less in ((cut.first.lower, 0.0), (cut.first.upper, move)):
        assert np.ptp(outline.points, axis=0) == pytest.approx((14 - 2 * less, 10 - 2 * less), abs=1e-6)


def test_land_and_relief_are_drawn_apart(tmp_path: Path) -> None:
    _, told = written(demo("pierce_die"), tmp_path)
    land, relief = [p for p in told["wire"]["passes"] if p["cut"] == "F05"]
    assert land["layers"] == ["F05_1_LAND_UPPER", "F05_1_LAND_LOWER"]
    # The key: 5 mm of land, 0.75 deg below, in a part 24 mm high.
    assert land["heights_mm"] == pytest.approx([0, -5])
    assert relief["heights_mm"] == pytest.approx([-5, -24])
    assert relief["angle_deg"] == pytest.approx(0.75, abs=1e-3)


def test_the_smallest_inside_corner_is_the_offset(tmp_path: Path) -> None:
    """The wire's middle runs d / 2 + gap off the walls, and a disc of that radius reaches every corner."""
    _, told = written(demo("pierce_die"), tmp_path)
    for made in told["wire"]["passes"]:
        assert made["offset_mm"] == pytest.approx(made["wire_mm"] / 2 + made["gap_mm"])
    for _, path in passes_in(tmp_path, told).values():
        for p in path:
            polygon = p.section(p.lower_z)
            offset = max(c["offset_mm"] for c in told["wire"]["cuts"])
            opened = polygon.buffer(-offset + 1e-3, quad_segs=64).buffer(offset - 1e-3, quad_segs=64)
            assert polygon.difference(opened).area < 1e-3 * polygon.length


def test_a_drawing_is_sound_and_its_leads_meet_the_outline_square(tmp_path: Path) -> None:
    for name in ("crossing_block", "pierce_die"):
        folder = tmp_path / name
        folder.mkdir()
        _, told = written(demo(name), folder)
        jsonschema.validate(told["wire"], SCHEMA["wire"])
        assert not [f for f in folder.glob("*.dxf") if ezdxf.readfile(f).audit().has_errors]
        every = {p.name: p for _, path in passes_in(folder, told).values() for p in path}
        for made in told["wire"]["passes"]:
            for which, height in (("upper_mm", made["heights_mm"][0]), ("lower_mm", made["heights_mm"][1])):
                ring = every[made["name"]].points(height)
                way = np.array(made["lead"][which])
                after = np.roll(ring, -1, axis=0)
                gaps = shapely.distance(
                    shapely.linestrings(np.stack([ring, after], axis=1)), shapely.Point(way[-1])
                )
                assert float(gaps.min()) < 1e-3
                side = (after - ring)[int(np.argmin(gaps))]
                last = way[-1] - way[-2]
                cosine = abs(last @ side) / np.linalg.norm(last) / np.linalg.norm(side)
                assert cosine < 0.01, made["name"]


def test_the_same_part_gives_the_same_bytes(tmp_path: Path) -> None:
    texts = []
    for n in "ab":
        (tmp_path / n).mkdir()
        written(demo("pierce_die"), tmp_path / n)
        texts.append([f.read_bytes() for f in sorted((tmp_path / n).iterdir())])
    assert texts[0] == texts[1]


def test_curves_become_arcs_within_the_stated_distance() -> None:
    """A quarter of an ellipse: sampled finely, no point strays; its area is pi a b / 4 within that."""

    def ellipse(t: float) -> Any:
        return np.array([8 * math.cos(t * math.pi / 2), 5 * math.sin(t * math.pi / 2)])

    (pieces,) = as_arcs([ellipse])
    outline = outline_of(pieces, (0,) * len(pieces), closed=False)
    outliers = outline.distances(np.array([ellipse(t) for t in np.linspace(0, 1, 999)]))
    assert outliers.max() < 6e-4
    assert len(outline.bulges) < 20
    closed = Outline(np.vstack([outline.points, [0, 0]]), np.append(outline.bulges, [0, 0]), (), True)
    assert closed.area_mm2 == pytest.approx(math.pi * 8 * 5 / 4, abs=6e-4 * 11)


def test_a_slot_open_at_both_ends_starts_outside_the_blank(tmp_path: Path) -> None:
    slot = cq.Workplane().box(60, 0.3, 12).translate((0, 3, 20))  # narrower than every wheel
    _, told = written(recognised(block().cut(slot)), tmp_path)
    blank = shapely.box(-15, -10, 15, 10)  # across x, from the middle of the block's end
    assert told["wire"]["passes"]
    assert not any(c["slug"] for c in told["wire"]["cuts"])
    for made in told["wire"]["passes"]:
        assert not made["closed"]
        assert made["start_hole"] is None
        ends = [made["lead"]["upper_mm"][0], made["out"]["upper_mm"][-1]]
        assert all(not blank.covers(shapely.Point(e)) for e in ends)


def test_a_part_cut_free_all_round_starts_outside_the_blank() -> None:
    """A hexagon, 12 across the corners, in a larger blank: in square to a side, never through the part."""
    job = job_of(cq.Workplane().polygon(6, 12).extrude(20))
    walls = [f.id for f in job.part.faces if abs(float(f.normals[0] @ job.thickness)) < 0.5]
    view = wire_view(job.part, job.thickness)
    (cut,) = cuts(job.part, walls, view)
    assert cut.closed
    assert not cut.opening
    assert cut.first.upper.area_mm2 == pytest.approx(-6 * 6**2 * math.sin(math.pi / 3) / 2)
    part = cut.first.upper.polygon()
    blank = part.buffer(9)
    lead = lead_in(cut, 0, None, Surroundings((0, 20), blank, part, 0.145), MACHINE)
    assert lead.problem is None
    for way in (lead.upper, lead.lower):
        assert not blank.covers(shapely.Point(way[0]))
        assert shapely.LineString(way).intersection(part).length < 1e-3
        assert cut.first.upper.distance_mm(way[-1]) < 1e-9


def cut_of(job: JobContext) -> Any:
    (feature,) = [f for f in job.features if f.kind != Kind.OUTSIDE_FACE]
    (found,) = cuts(job.part, feature.faces, wire_view(job.part, job.thickness))
    return found


def test_a_slug_is_a_prism_and_weighs_its_density() -> None:
    steel = Material.named(STEEL)
    found = slug(
        cut_of(job_of(block().cut(cq.Workplane().rect(12, 8).extrude(20)))),
        (0, 20),
        0.29,
        2.0,
        steel,
        MACHINE,
    )
    volume = ((12 - 0.58) * (8 - 0.58) - math.pi) * 20
    assert found.volume_mm3 == pytest.approx(volume, rel=1e-4)
    assert found.mass_g == pytest.approx(volume * 7.8e-3, rel=1e-4)
    assert found.width_mm == pytest.approx(8 - 0.58, abs=1e-3)
    assert found.fall == Fall.FALLS


def test_carbide_density_is_the_handbooks() -> None:
    # Usual densities of straight WC-Co in g/cm3, from memory.
    for binder, density in ((6, 14.9), (10, 14.5), (15, 14.0), (25, 13.1)):
        assert density_g_cm3(Material.named(f"carbide-{binder}")) == pytest.approx(density, rel=0.01)


def test_a_slug_falls_where_the_opening_widens_downward() -> None:
    steel = Material.named(STEEL)

    def fall(tool: cq.Workplane) -> Fall:
        return slug(cut_of(job_of(block().cut(tool))), (0, 20), 0.29, 2.0, steel, MACHINE).fall

    wide_below = cq.Workplane().rect(12, 8).extrude(20, taper=1)
    assert fall(wide_below) == Fall.FALLS
    assert fall(wide_below.rotate((0, 0, 10), (1, 0, 10), 180)) == Fall.HELD
    assert fall(cq.Workplane().rect(12, 8).workplane(offset=20).rect(11, 9).loft(ruled=True)) == Fall.LOCKED


def test_small_slugs_have_no_core_and_heavy_ones_a_tab() -> None:
    carbide = Material.named("carbide-6")
    small = cut_of(job_of(block().cut(cq.Workplane().rect(8, 0.7).extrude(20))))
    assert slug(small, (0, 20), 0.29, 0.3, carbide, MACHINE).fall == Fall.NO_CORE
    heavy = cut_of(job_of(block(80, 60).cut(cq.Workplane().rect(30, 20).extrude(20))))
    found = slug(heavy, (0, 20), 0.29, 3.0, carbide, MACHINE)
    assert found.tab
    assert "100 g: leave a tab of 2 mm" in " ".join(found.notes)
    bold = replace(MACHINE, tab_over_g=1e4)
    assert not slug(heavy, (0, 20), 0.29, 3.0, carbide, bold).tab
    assert any("magnet" in n for n in found.notes)
    # Drawer rule, 2 e friction > height with e half the length: 5 mm under 0.3 x 36 mm jams, 20 does not.
    assert not found.may_jam
    thin = cut_of(job_of(block(80, 60, 5).cut(cq.Workplane().rect(30, 20).extrude(5))))
    assert slug(thin, (0, 5), 0.29, 3.0, carbide, MACHINE).may_jam


def test_a_slug_that_the_start_hole_takes_is_said_so() -> None:
    """A bore of 3.4 with a start hole of 3: what the kerf leaves is 2.82 wide, far over the kerf of 0.29."""
    bore = cut_of(job_of(block().cut(cq.Workplane().circle(1.7).extrude(20))))
    found = slug(bore, (0, 20), 0.29, 3.0, Material.named(STEEL), MACHINE)
    assert found.fall == Fall.NO_CORE
    assert found.notes == (
        "The start hole of 3.000 takes the slug of 2.820 mm or nearly all of it: cut without a core.",
    )


def test_a_start_hole_that_does_not_fit_is_said(tmp_path: Path) -> None:
    slot = block().cut(cq.Workplane().rect(12, 0.36).extrude(20))
    _, told = written(recognised(slot), tmp_path)
    assert [f["code"] for f in told["flags"] if f["code"].startswith("start")] == ["start-hole-tight"]
    job = job_of(slot)
    circle = largest_circle([cut_of(job).first.upper])
    assert circle is not None
    none = start_hole(circle, 60.0, MACHINE, job.piercing)
    assert none.diameter_mm is None
    assert "diameters, over 60" in str(none.problem)


def test_start_holes_follow_the_shops_limits() -> None:
    job, circle = job_of(block()), Circle((0.0, 0.0), 2.0)
    assert start_hole(circle, 20.0, MACHINE, job.piercing).diameter_mm == pytest.approx(3.0)
    for machine, diameter in (
        (replace(MACHINE, start_hole_enough_mm=2.0), 2.0),
        (replace(MACHINE, start_hole_enough_mm=9.0, start_hole_clear_mm=0.25), 3.5),
    ):
        assert start_hole(circle, 20.0, machine, job.piercing).diameter_mm == pytest.approx(diameter)

"""The wire's drawings read back: areas against the kernel's, circles against shapely's, closed forms."""

from __future__ import annotations

import json
import math
import random
from dataclasses import replace
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cadquery as cq
import ezdxf
import jsonschema
import numpy as np
import pytest
import shapely
from ezdxf.path import make_path
from hypothesis import given, settings
from hypothesis import strategies as st
from OCP.BRepAlgoAPI import BRepAlgoAPI_Common
from OCP.BRepGProp import BRepGProp
from OCP.GProp import GProp_GProps

from featurize.brep.build import build_part
from featurize.feature import Kind
from featurize.recognise import recognise
from featurize.step.read import read_step
from routing.export.exporters import wire_profiles
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.processes.context import JobContext
from routing.processes.material import Material
from routing.processes.wire.outline import Outline, as_arcs, joined
from routing.processes.wire.process import WireErosion
from routing.processes.wire.profiles import cuts, wire_view
from routing.processes.wire.slugs import Fall, density_g_cm3, slug
from routing.processes.wire.start_holes import Circle, largest_circle, lead_in, start_hole
from routing.stock.blank import blank_for
from tests.support.routed import STEEL, block, job_of, owned

MACHINE = owned("wire_machine")

DEMOS = Path(__file__).parents[1] / "demo_models"
# Each demo with what is wired in it, by its own answer key's count.
WIRED = {"corner_cavity": 1, "crossing_block": 4, "pierce_die": 3}


def wired(job: JobContext, material: str = STEEL) -> Any:
    """A stand-in for the job's work: every feature that the wire makes, routed to it."""
    answers = [(f, WireErosion().judge(job, f)) for f in job.features if f.kind != Kind.OUTSIDE_FACE]
    routed = [SimpleNamespace(feature=f, process="wire", verdict=v) for f, v in answers if v.workable]
    return SimpleNamespace(
        part=job.part,
        solid=SimpleNamespace(name="trial"),
        route=SimpleNamespace(features=routed, made=[(r.feature, r.verdict) for r in routed]),
        stock=SimpleNamespace(blank=blank_for(job.part)),
        shop=job.shop,
        choices=Choices(material=material),
        content={"features": [{"id": r.feature.id, "flags": []} for r in routed]},
    )


@cache
def demo(name: str) -> JobContext:
    (solid,) = read_step(DEMOS / f"{name}.step", isolate=False).parts
    part = build_part(solid.solid, face_names=solid.face_names, source_faces=solid.source_faces)
    found = recognise(part, threads={"all": "plain"} if name != "crossing_block" else {})
    return JobContext(found.part, found.features, load_shop(), Choices(material=STEEL))


def polyline_area(entity: Any) -> float:
    """Area of a closed DXF outline by Green's formula, from the file's own numbers alone."""
    if entity.dxftype() == "CIRCLE":
        return math.pi * entity.dxf.radius**2
    assert entity.closed
    rows = list(entity.get_points("xyb"))
    total = 0.0
    for (x, y, b), (u, v, _) in zip(rows, [*rows[1:], rows[0]], strict=True):
        total += (x * v - u * y) / 2
        if b:
            a = 4 * math.atan(b)
            r = math.hypot(u - x, v - y) / (2 * math.sin(a / 2))
            total += r * r * (a - math.sin(a)) / 2
    return abs(total)


def flattened(entity: Any, chord_mm: float) -> Any:
    """The outline's points (n, 2) as the DXF library draws it."""
    return np.array([(p.x, p.y) for p in make_path(entity).flattening(chord_mm)])


def kernel_air(job: JobContext, entity: Any, cut: dict[str, Any], height_mm: float) -> float:
    """Area of air in the part's section at a height, inside a window round one outline: by the kernel."""
    x, z = np.array(cut["x"]), np.array(cut["from"])
    window = shapely.buffer(shapely.polygons(flattened(entity, 0.01)), 0.2)
    origin = job.part.frame.origin + height_mm * z
    place = cq.Plane(tuple(origin), xDir=tuple(x), normal=tuple(z))
    ring = shapely.get_coordinates(window.exterior)[:-1]
    face = cq.Face.makeFromWires(
        cq.Wire.makePolygon([place.toWorldCoords(tuple(p)) for p in ring], close=True)
    )
    solid = BRepAlgoAPI_Common(face.wrapped, job.part.solid).Shape()
    return face.Area() - _area(solid)


def _area(shape: Any) -> float:
    found = GProp_GProps()
    BRepGProp.SurfaceProperties_s(shape, found, 1e-10)
    return float(found.Mass())


def outlines_of(file: Path) -> list[Any]:
    document = ezdxf.readfile(file)
    assert document.header["$INSUNITS"] == 4  # millimetres
    marks = ("_PROFILE", "_LAND", "_TOP", "_BOTTOM")
    return [e for e in document.modelspace() if any(m in e.dxf.layer for m in marks)]


def check(job: JobContext, folder: Path) -> int:
    """Every closed outline of every drawing against the kernel's section, just inside its own height."""
    told = wire_profiles.write(wired(job), folder)
    seen = 0
    for file in sorted(folder.glob("*.dxf")):
        for entity in outlines_of(file):
            (cut,) = [
                c for c in told["wire"]["cuts"]
                if c["file"] == file.name and entity.dxf.layer in [o["layer"] for o in c["outlines"]]
            ]  # fmt: skip
            heights = {o["layer"]: o["height_mm"] for o in cut["outlines"]}
            height = heights[entity.dxf.layer]
            # A hair inside the walls, where the section is no coincidence of faces; a straight wall at the
            # height where crossing cuts let the least air in.
            down = (0.31, 2.3, 9.7, 15.1) if "_PROFILE" in entity.dxf.layer else (0.31,)
            shifts = [-d for d in down]
            if "_TOP" in entity.dxf.layer or "_BOTTOM" in entity.dxf.layer:
                shifts = [-1e-7 if "_TOP" in entity.dxf.layer else 1e-7]
            air = min(kernel_air(job, entity, cut, height + s) for s in shifts)
            assert polyline_area(entity) == pytest.approx(air, rel=1e-6), entity.dxf.layer
            seen += 1
    return seen


@pytest.mark.parametrize("name", sorted(WIRED))
def test_a_demo_drawing_encloses_the_area_of_the_section(name: str, tmp_path: Path) -> None:
    assert check(demo(name), tmp_path) >= WIRED[name]


@pytest.mark.parametrize("seed", range(8))
def test_a_random_opening_encloses_the_area_of_the_section(seed: int, tmp_path: Path) -> None:
    rng = random.Random(seed)
    n = rng.randint(3, 7)
    turns = sorted(rng.uniform(0, 2 * math.pi / n) + 2 * math.pi * k / n for k in range(n))
    ring = [(rng.uniform(4, 9) * math.cos(t), rng.uniform(4, 9) * math.sin(t)) for t in turns]
    hull = shapely.get_coordinates(shapely.convex_hull(shapely.multipoints(ring)).exterior)[:-1].tolist()
    tool = cq.Workplane(origin=(0, 0, -1)).polyline(hull).close().extrude(22, taper=rng.choice([0, 0, 1.5]))
    tool = tool.edges("not #Z").fillet(rng.uniform(0.3, 0.9)) if seed % 2 else tool
    assert check(job_of(block().cut(tool)), tmp_path) >= 1


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
    ((wall,),) = [c.walls for c in cuts(job.part, feature.faces, wire_view(job.part, job.thickness))]
    move = 20 * math.tan(math.radians(taper_deg))
    for outline, less in ((wall.bottom, 0.0), (wall.top, move)):
        assert np.ptp(outline.points, axis=0) == pytest.approx((14 - 2 * less, 10 - 2 * less), abs=1e-6)


def test_land_and_relief_are_drawn_apart(tmp_path: Path) -> None:
    told = wire_profiles.write(wired(demo("pierce_die")), tmp_path)
    names = [o["layer"] for c in told["wire"]["cuts"] for o in c["outlines"] if c["name"] == "F05"]
    assert names == ["F05_LAND", "F05_TOP", "F05_BOTTOM"]
    land, top, bottom = [o for c in told["wire"]["cuts"] if c["name"] == "F05" for o in c["outlines"]]
    assert land["height_mm"] - top["height_mm"] == pytest.approx(5.0)  # the key: 5 mm of land, 0.75 deg below
    assert land["area_mm2"] == pytest.approx(top["area_mm2"])
    # Each outward move by m adds perimeter m less the corners' share; the mean perimeter's bound is loose.
    move = 19 * math.tan(math.radians(0.75))
    grown = bottom["area_mm2"] - top["area_mm2"]
    assert grown == pytest.approx(move * (top["length_mm"] + bottom["length_mm"]) / 2, rel=0.01)


def test_the_smallest_inside_corner_is_the_offset(tmp_path: Path) -> None:
    """The wire's middle runs d / 2 + gap off the walls, and a disc of that radius reaches every corner."""
    told = wire_profiles.write(wired(demo("pierce_die")), tmp_path)
    for cut in told["wire"]["cuts"]:
        assert cut["offset_mm"] == pytest.approx(cut["wire_mm"] / 2 + cut["gap_mm"])
    for entity in outlines_of(tmp_path / "wire_profiles.dxf"):
        if entity.dxftype() == "LWPOLYLINE":
            polygon = shapely.Polygon(flattened(entity, 1e-4))
            offset = max(c["offset_mm"] for c in told["wire"]["cuts"])
            opened = polygon.buffer(-offset + 1e-3, quad_segs=64).buffer(offset - 1e-3, quad_segs=64)
            assert polygon.difference(opened).area < 1e-3 * polygon.length


def test_a_lead_meets_the_outline_square_and_stays_in_the_air(tmp_path: Path) -> None:
    for name in sorted(WIRED):
        folder = tmp_path / name
        folder.mkdir()
        told = wire_profiles.write(wired(demo(name)), folder)
        for cut in told["wire"]["cuts"]:
            drawing = ezdxf.readfile(folder / cut["file"]).modelspace()
            (entity, *_) = [e for e in drawing if e.dxf.layer == cut["outlines"][0]["layer"]]
            ring = flattened(entity, 1e-5)
            way = np.array(cut["lead_mm"])
            room = shapely.Polygon(ring)
            assert room.buffer(1e-3).covers(shapely.LineString(way))
            last = way[-1] - way[-2]
            gaps = shapely.distance(
                shapely.linestrings(np.stack([ring[:-1], ring[1:]], axis=1)), shapely.Point(way[-1])
            )
            side = np.diff(ring, axis=0)[int(np.argmin(gaps))]
            assert float(gaps.min()) < 1e-3
            cosine = abs(last @ side) / np.linalg.norm(last) / np.linalg.norm(side)
            assert cosine < 0.01, cut["name"]


def test_the_same_part_gives_the_same_bytes(tmp_path: Path) -> None:
    texts = []
    for n in "ab":
        (tmp_path / n).mkdir()
        wire_profiles.write(wired(demo("pierce_die")), tmp_path / n)
        texts.append((tmp_path / n / "wire_profiles.dxf").read_bytes())
    assert texts[0] == texts[1]


def test_a_drawing_is_sound_and_the_route_keeps_its_schema(tmp_path: Path) -> None:
    schema = json.loads((DEMOS.parent / "docs" / "route.schema.json").read_text())["properties"]
    for name in WIRED:
        told = wire_profiles.write(wired(demo(name)), tmp_path)
        jsonschema.validate(told["wire"], schema["wire"])
    for file in tmp_path.glob("*.dxf"):
        assert not ezdxf.readfile(file).audit().has_errors


def test_curves_become_arcs_within_the_stated_distance() -> None:
    """A quarter of an ellipse: sampled finely, no point strays; its area is pi a b / 4 within that."""

    def ellipse(t: float) -> Any:
        return np.array([8 * math.cos(t * math.pi / 2), 5 * math.sin(t * math.pi / 2)])

    (outline,) = joined(as_arcs(ellipse, 0))
    assert not outline.closed
    strays = [outline.distance_mm(ellipse(t)) for t in np.linspace(0, 1, 999)]
    assert max(strays) < 6e-4
    assert len(outline.bulges) < 20
    closed = Outline(np.vstack([outline.points, [0, 0]]), np.append(outline.bulges, [0, 0]), (), True)
    assert closed.area_mm2 == pytest.approx(math.pi * 8 * 5 / 4, abs=6e-4 * 11)


def test_a_slot_open_at_both_ends_starts_outside_the_blank(tmp_path: Path) -> None:
    slot = cq.Workplane().box(60, 0.3, 12).translate((0, 3, 20))  # narrower than every wheel
    job = job_of(block().cut(slot))
    told = wire_profiles.write(wired(job), tmp_path)
    blank = shapely.box(0, 0, 30, 20)
    assert told["wire"]["cuts"]
    for cut in told["wire"]["cuts"]:
        assert not cut["outlines"][0]["closed"]
        assert cut["slug"] is None
        ends = [np.array(cut["lead_mm"][0]), np.array(cut["out_mm"][-1])]
        assert all(not blank.covers(shapely.Point(e)) for e in ends)


def test_a_part_cut_free_all_round_starts_outside_the_blank() -> None:
    """A hexagon, 12 across the corners, in a larger blank: in square to a side, never through the part."""
    job = job_of(cq.Workplane().polygon(6, 12).extrude(20))
    walls = [f.id for f in job.part.faces if abs(float(f.normals[0] @ job.thickness)) < 0.5]
    view = wire_view(job.part, job.thickness)
    (cut,) = cuts(job.part, walls, view)
    assert cut.closed
    assert not cut.opening
    assert cut.walls[0].top.area_mm2 == pytest.approx(-6 * 6**2 * math.sin(math.pi / 3) / 2)
    part = cut.walls[0].top.polygon()
    blank = part.buffer(9)
    lead = lead_in(cut, None, 0.145, blank, part, MACHINE)
    assert lead.problem is None
    assert not blank.covers(shapely.Point(lead.start))
    assert shapely.LineString(lead.way).intersection(part).length < 1e-3
    assert cut.walls[0].top.distance_mm(lead.meeting) < 1e-9


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
        up=True,
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
    cut = cut_of(job_of(block().cut(cq.Workplane().rect(12, 8).extrude(20, taper=1))))  # wide below
    assert slug(cut, (0, 20), 0.29, 2.0, steel, MACHINE, up=True).fall == Fall.FALLS
    assert slug(cut, (0, 20), 0.29, 2.0, steel, MACHINE, up=False).fall == Fall.HELD
    twisted = cq.Workplane().rect(12, 8).workplane(offset=20).rect(11, 9).loft(ruled=True)
    assert (
        slug(cut_of(job_of(block().cut(twisted))), (0, 20), 0.29, 2.0, steel, MACHINE, up=True).fall
        == Fall.LOCKED
    )


def test_small_slugs_have_no_core_and_heavy_ones_a_tab() -> None:
    carbide = Material.named("carbide-6")
    small = cut_of(job_of(block().cut(cq.Workplane().rect(8, 0.7).extrude(20))))
    assert slug(small, (0, 20), 0.29, 0.3, carbide, MACHINE, up=True).fall == Fall.NO_CORE
    heavy = cut_of(job_of(block(80, 60).cut(cq.Workplane().rect(30, 20).extrude(20))))
    found = slug(heavy, (0, 20), 0.29, 3.0, carbide, MACHINE, up=True)
    assert found.tab
    assert "100 g: leave a tab of 2 mm" in " ".join(found.notes)
    bold = replace(MACHINE, tab_over_g=1e4)
    assert not slug(heavy, (0, 20), 0.29, 3.0, carbide, bold, up=True).tab
    assert any("magnet" in n for n in found.notes)
    # Drawer rule, 2 e friction > height with e half the length: 5 mm under 0.3 x 36 mm jams, 20 does not.
    assert not found.may_jam
    thin = cut_of(job_of(block(80, 60, 5).cut(cq.Workplane().rect(30, 20).extrude(5))))
    assert slug(thin, (0, 5), 0.29, 3.0, carbide, MACHINE, up=True).may_jam


def test_a_start_hole_that_does_not_fit_is_said(tmp_path: Path) -> None:
    job = job_of(block().cut(cq.Workplane().rect(12, 0.36).extrude(20)))
    told = wire_profiles.write(wired(job), tmp_path)
    assert [f["code"] for f in told["flags"] if f["code"].startswith("start")] == ["start-hole-tight"]
    circle = largest_circle(cut_of(job).outlines)
    assert circle is not None
    none = start_hole(circle, 60.0, job.shop, job.material)
    assert none.diameter_mm is None
    assert "diameters, over 60" in str(none.problem)


def test_start_holes_follow_the_shops_limits() -> None:
    job, circle = job_of(block()), Circle((0.0, 0.0), 2.0)
    assert start_hole(circle, 20.0, job.shop, job.material).diameter_mm == pytest.approx(3.0)
    for machine, diameter in (
        (replace(MACHINE, start_hole_enough_mm=2.0), 2.0),
        (replace(MACHINE, start_hole_enough_mm=9.0, start_hole_clear_mm=0.25), 3.5),
    ):
        shop = replace(job.shop, wire_machine=machine)
        assert start_hole(circle, 20.0, shop, job.material).diameter_mm == pytest.approx(diameter)

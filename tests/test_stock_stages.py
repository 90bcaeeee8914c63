"""Stock after every operation against closed forms of simple solids."""

from __future__ import annotations

import math
import zipfile
from dataclasses import replace
from functools import partial
from pathlib import Path
from xml.etree import ElementTree

import cadquery as cq
import numpy as np
import pytest
import trimesh

from featurize.brep.build import build_part
from featurize.brep.solids import cut_in_turn, facets, is_closed, is_valid, volume_of
from featurize.feature import Feature, Kind
from featurize.recognise import Recognition, recognise
from routing.export.solid_files import WriteError, write_3mf, write_step, write_stl
from routing.inputs.shop import load_shop
from routing.processes.protocol import Removal
from routing.processes.sweeps import drilled_bores, through_opening
from routing.processes.tools import Cutter
from routing.stock import blank as blanks
from routing.stock.blank import blank_for
from routing.stock.ground import tool_of
from routing.stock.stages import StockBody, StockStep, bodies
from tests.support.grinding import ground_stock

CUTTER = Cutter("flat", 4.0, 0.0, 40.0)
UP = np.array([0.0, 0.0, 1.0])
GROUND, WIRED, DRILLED, ROUGHED = "grind", "wire", "drill", "rough"


def insert() -> cq.Workplane:
    """A channel with an opening and a blind hole in its floor, and a pocket beside it."""
    return (
        cq.Workplane()
        .box(60, 40, 20)
        .cut(cq.Workplane().box(80, 12, 10).translate((0, 0, 10)))
        .cut(cq.Workplane().box(10, 6, 60).edges("|Z").fillet(1.5).translate((-15, 0, 0)))
        .cut(cq.Workplane().circle(2).extrude(20).translate((15, 0, -3)))
        .cut(cq.Workplane().box(14, 8, 8).translate((0, 13, 10)))
    )


def made(
    body: cq.Workplane, floor: float = 0.010
) -> tuple[Recognition, dict[str, StockBody], dict[str, Feature]]:
    found = recognise(build_part(body.val().wrapped), working_side=UP, threads={"all": "plain"})
    the = {
        "slot": next(f for f in found.features if f.kind == Kind.SLOT),
        "opening": next(f for f in found.features if f.kind == Kind.THROUGH_PROFILE),
        "hole": next(f for f in found.features if f.kind in (Kind.HOLE, Kind.THREADED_HOLE)),
        "pocket": next(f for f in found.features if f.kind == Kind.POCKET),
    }
    blank = blank_for(found.part)
    stock = ground_stock(found.part, [the["slot"]], blank, load_shop(), floor_allowance_mm=floor)
    corners = blank.corners
    levels = corners @ UP
    wired = Removal(partial(through_opening, found.part, the["opening"], levels.min(), levels.max()))
    drilled = Removal(partial(drilled_bores, the["hole"], corners))
    steps = [
        StockStep(1, 1, GROUND, "surface grind", UP, tools=tuple(tool_of(blank, c) for c in stock.removed)),
        StockStep(2, 2, WIRED, "wire", UP, ((the["opening"], wired),)),
        StockStep(3, 3, DRILLED, "mill", UP, ((the["hole"], drilled),)),
        StockStep(3, 4, ROUGHED, "mill", UP, ((the["pocket"], Removal()),), rough=CUTTER),
    ]
    return found, {s.name: s for s in bodies(found.part, blank, steps) if s.step}, the


def test_each_stage_takes_its_own_volume() -> None:
    # The layer of 0.010 left on the channel's floor joins all: wire and drill go through it.
    found, done, _ = made(insert())
    opening = 10 * 6 - (4 - math.pi) * 1.5**2
    assert done[GROUND].volume_mm3 - done[WIRED].volume_mm3 == pytest.approx(opening * 15.01, rel=1e-9)
    hole = math.pi * 4 * (5 + 3 + 0.01)
    assert done[WIRED].volume_mm3 - done[DRILLED].volume_mm3 == pytest.approx(hole, rel=1e-9)
    # The pocket less 0.1 on walls and floor, its corners as round as the cutter, thinned by under 0.1 more.
    wide, high = 14 - 0.2, 8 - 0.2
    area = wide * high - (4 - math.pi) * 2.0**2
    milled = done[DRILLED].volume_mm3 - done[ROUGHED].volume_mm3
    assert (area - 2 * (wide + high) * 0.1) * 3.9 < milled <= area * 3.9 + 1e-6
    for stage in done.values():
        assert is_valid(stage.solid)
        assert is_closed(stage.solid)
        assert max(stage.lost_mm3, stage.grown_mm3) < 1e-6 * found.part.volume_mm3


def test_each_stage_holds_the_next_and_all_hold_the_part() -> None:
    # By another route than the program's: cadquery's common volume.
    found, done, _ = made(insert())
    bodies = [cq.Shape.cast(s.solid) for s in done.values()] + [cq.Shape.cast(found.part.solid)]
    for outer, inner in zip(bodies, bodies[1:], strict=False):
        assert outer.intersect(inner).Volume() == pytest.approx(inner.Volume(), rel=1e-6)


def test_without_allowance_the_pieces_leave_whole() -> None:
    _, done, _ = made(insert(), floor=0.0)
    opening = 10 * 6 - (4 - math.pi) * 1.5**2
    assert done[GROUND].volume_mm3 - done[WIRED].volume_mm3 == pytest.approx(opening * 15, rel=1e-6)


def test_what_has_no_region_stays_full_and_says_so() -> None:
    found, _, the = made(insert())
    blank = blank_for(found.part)
    headless = replace(the["opening"], axis=None)
    wired = Removal(partial(through_opening, found.part, headless, -10.0, 10.0))
    done = bodies(found.part, blank, [StockStep(1, 1, WIRED, "wire", UP, ((headless, wired),))])
    assert done[1].volume_mm3 == done[0].volume_mm3
    assert any("stays full" in n for n in done[1].notes)


def test_faces_carry_names_and_colours(tmp_path: Path) -> None:
    body = cq.Workplane().box(10, 10, 10).val()
    labels = [(f"face {k}", (0.1 * k, 0.5, 0.5)) for k in range(6)]
    text = write_step(body.wrapped, tmp_path / "a.step", name="A-1", faces=labels).read_text()
    assert all(f"'face {k}'" in text for k in range(6))
    assert text.count("COLOUR_RGB") == 6


def test_only_a_file_that_differs_by_its_name_alone_is_not_read_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = []
    real = blanks.blank_from_step
    monkeypatch.setattr(blanks, "blank_from_step", lambda path: read.append(path) or real(path))
    body, other = cq.Workplane().box(10, 10, 10).val(), cq.Workplane().box(10, 10, 11).val()
    first = write_step(body.wrapped, tmp_path / "a.step", name="A-1 as ground"), "A-1 as ground"
    assert len(read) == 1
    long = "A-1 as ground, with a name so long that the lines of the file break elsewhere"
    again = write_step(body.wrapped, tmp_path / "b.step", name=long, like=first)
    assert len(read) == 1
    assert f"'{long}'" in " ".join(again.read_text().split())
    write_step(other.wrapped, tmp_path / "c.step", name="A-1 as wired", like=first)
    assert len(read) == 2


def test_a_mesh_that_does_not_close_gets_no_file(tmp_path: Path) -> None:
    body = cq.Workplane().box(10, 10, 10).val().wrapped
    whole = facets(body)
    flipped = whole.copy()
    flipped[0] = flipped[0, ::-1]
    for write, end in ((write_stl, "stl"), (write_3mf, "3mf")):
        for spoilt in (whole[1:], flipped):
            with pytest.raises(WriteError, match="does not close"):
                write(body, tmp_path / f"a.{end}", name="A-1", triangles=spoilt)
    assert list(tmp_path.iterdir()) == []


def test_3mf_states_its_unit_and_is_the_same_body(tmp_path: Path) -> None:
    _, done, _ = made(insert())
    path = write_3mf(done[DRILLED].solid, tmp_path / "a.3mf", name='A "1" <x>', deviation_mm=0.002)
    with zipfile.ZipFile(path) as package:
        root = ElementTree.fromstring(package.read("3D/3dmodel.model"))
    assert root.get("unit") == "millimeter"  # 3MF core specification: the default, here stated
    name = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
    points = [[float(v.get(k)) for k in "xyz"] for v in root.iter(f"{name}vertex")]
    sides = [[int(t.get(k)) for k in ("v1", "v2", "v3")] for t in root.iter(f"{name}triangle")]
    mesh = trimesh.Trimesh(points, sides, process=False)
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(done[DRILLED].volume_mm3, rel=1e-4)


def test_3mf_is_read_by_another_library(tmp_path: Path) -> None:
    # trimesh's own reader of 3MF (lxml, networkx): its unit, one body, closed, the solid's volume.
    _, done, _ = made(insert())
    path = write_3mf(done[GROUND].solid, tmp_path / "a.3mf", name="A-1", deviation_mm=0.002)
    scene = trimesh.load(path)
    (mesh,) = scene.geometry.values()
    assert scene.units == "millimeter" or mesh.units == "millimeter"
    assert mesh.is_watertight
    assert mesh.body_count == 1
    assert mesh.volume == pytest.approx(done[GROUND].volume_mm3, rel=1e-5)
    low, high = scene.bounds
    assert high - low == pytest.approx([60, 40, 20], abs=1e-4)


def test_tools_that_cross_are_cut_in_turn() -> None:
    """Against one boolean of tools that stand apart, and the volume of their union by hand."""
    block = cq.Workplane().box(20, 20, 10).val().wrapped
    across = [cq.Workplane().box(30, 4, 4).val().wrapped, cq.Workplane().box(4, 30, 4).val().wrapped]
    deeper = cq.Workplane().box(2, 2, 30).translate((6, 6, 0)).val().wrapped
    left = cut_in_turn(block, [*across, deeper])
    assert volume_of(left) == pytest.approx(4000 - (2 * 320 - 64) - 40, abs=1e-9)
    assert is_valid(left)
    assert volume_of(cut_in_turn(block, [])) == pytest.approx(4000)

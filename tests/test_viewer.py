"""The 3-D view: its arrays against the solid they came from, and what a browser makes of them."""

from __future__ import annotations

import base64
import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cadquery as cq
import numpy as np
import pytest

from featurize.brep.build import build_part
from routing.export.viewer import script
from routing.export.viewer.mesh import body_of, mesh_of, model_of
from tests.support.browser import chromium_page

WIDE, HIGH = 400, 300


def _block_with_bore() -> Any:
    return cq.Workplane().box(40, 30, 20).faces(">Z").workplane().hole(10).val().wrapped


def _array(text: str, kind: str, across: int) -> Any:
    return np.frombuffer(base64.b64decode(text), kind).reshape(-1, across)


def _volume_mm3(positions: Any, triangles: Any) -> float:
    """By the divergence theorem."""
    corners = positions[triangles]
    return float(np.sum(corners[:, 0] * np.cross(corners[:, 1], corners[:, 2])) / 6)


def test_the_arrays_are_the_solid():
    told = json.loads(json.dumps(model_of(_block_with_bore(), deflection_mm=0.002)))
    positions = _array(told["positions"], "<f4", 3).astype(float)
    triangles = _array(told["triangles"], "<u4", 3)
    normals = _array(told["normals"], "<f4", 3)
    # Closed form: box less cylinder; a chord of 15 degrees takes 1.1 % of the disc at most.
    exact = 40 * 30 * 20 - math.pi * 25 * 20
    assert _volume_mm3(positions, triangles) == pytest.approx(exact, rel=2e-3)
    assert np.linalg.norm(normals, axis=1) == pytest.approx(1.0, abs=1e-6)
    assert (told["low"], told["high"]) == ([-20, -15, -10], [20, 15, 10])


def test_faces_are_told_apart_and_edges_lie_between_two():
    solid = _block_with_bore()
    told = model_of(solid)
    owners = _array(told["face_of_triangle"], "<u4", 1).ravel()
    assert sorted(set(owners.tolist())) == list(range(7))
    # Euler: 12 edges of a box and the two rims of the bore; the bore's seam is no edge.
    assert len(told["edges"]) == 14
    rims = [e for e in told["edges"] if len(_array(e["points"], "<f4", 3)) > 2]
    assert len(rims) == 2
    # Places are the kernel's, as the graph of the part has them: the seam has one too, which is left out.
    part = build_part(solid)
    middles = {e.place: e.points.mean(axis=0) for e in part.edges}
    assert len({e["place"] for e in told["edges"]}) == 14
    for edge in told["edges"]:
        ends = _array(edge["points"], "<f4", 3)
        assert (ends.min(axis=0) + ends.max(axis=0)) / 2 == pytest.approx(middles[edge["place"]], abs=0.7)
    for rim in rims:
        points = _array(rim["points"], "<f4", 3)
        assert np.hypot(points[:, 0], points[:, 1]) == pytest.approx(5.0, abs=1e-5)
    # The kernel's order is the order of the faces: each facet lies in the box of the face it names.
    from featurize.brep.shapes import FACE, area_and_centre, each

    mesh = mesh_of(solid)
    for place, face in enumerate(each(solid, FACE)):
        corners = mesh.positions[mesh.triangles[mesh.face_of_triangle == place]]
        across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        assert np.linalg.norm(across, axis=1).sum() / 2 == pytest.approx(area_and_centre(face)[0], rel=0.01)


def test_faces_can_bear_their_numbers_as_read():
    told = model_of(_block_with_bore(), [("mill", "mill F01")] * 7, source_faces=[10, 11, 12, 13, 14, 15, 16])
    assert set(_array(told["face_of_triangle"], "<u4", 1).ravel().tolist()) == set(range(10, 17))
    assert all(10 <= f <= 16 for e in told["edges"] for f in e["faces"])
    assert told["labels"]["12"] == ["mill", "mill F01"]


def test_the_solid_keeps_no_mesh():
    from OCP.BRepTools import BRepTools

    solid = _block_with_bore()
    body = body_of(solid)
    assert "face_of_triangle" not in body
    assert not BRepTools.Triangulation_s(solid, 0.1)


def test_the_script_asks_for_nothing():
    assert "import " not in script()
    assert "http" not in script()
    assert len(script().splitlines()) < 640


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A page with the block, looked at from above: 40 mm along x, 30 along y."""
    told = json.dumps(model_of(_block_with_bore()))
    html = (
        f'<!doctype html><meta charset="utf-8"><style>body {{ margin: 0 }} '
        f"canvas {{ display: block; width: {WIDE}px; height: {HIGH}px }}</style><canvas></canvas>"
        f'<script type="module">{script()}\nconst model = {told};\n'
        "window.makeViewer = makeViewer;\n"
        'window.viewer = makeViewer(document.querySelector("canvas"), model);\n'
        'window.picked = []; viewer.onPick(f => picked.push(f)); viewer.setView("+z");</script>'
    )
    path = tmp_path_factory.mktemp("view") / "view.html"
    path.write_text(html, encoding="utf-8")
    with chromium_page(path, WIDE, HIGH) as opened:
        opened.wait_for_function("window.viewer !== undefined")
        yield opened


def _pixels(page: Any, tmp_path: Path) -> Any:
    from PIL import Image

    page.wait_for_timeout(250)
    page.screenshot(path=tmp_path / "shot.png")
    return np.asarray(Image.open(tmp_path / "shot.png").convert("RGB")).astype(int)


def _paint(page: Any, **colours: str) -> None:
    page.evaluate("c => viewer.setColours(new Map(c))", [[int(k[1:]), v] for k, v in colours.items()])


def test_colours_stand_where_the_faces_are(page, tmp_path):
    faces = {f"f{n}": "#0000ff" for n in range(7)}
    _paint(page, **faces)
    shot = _pixels(page, tmp_path)
    middle, beside = shot[HIGH // 2, WIDE // 2], shot[HIGH // 2, WIDE // 2 + 90]
    assert middle.tolist() == [255, 255, 255]  # one looks through the bore
    assert beside[2] > 150
    assert beside[0] < 20
    # The bore's diameter on the screen against the block's width: 10 of 40 mm.
    row = shot[HIGH // 2]
    solid = (row[:, 0] < 40) & (row[:, 2] > 120)
    wide = np.flatnonzero(solid)
    hole = np.flatnonzero(~solid[wide[0] : wide[-1] + 1])
    assert len(hole) / (wide[-1] - wide[0]) == pytest.approx(0.25, abs=0.03)


def test_a_click_tells_the_face_and_a_miss_tells_none(page):
    page.evaluate("viewer.setView('+z'); picked.length = 0")
    page.mouse.click(WIDE // 2 + 90, HIGH // 2)
    page.mouse.click(WIDE // 2, HIGH // 2)
    top, missed = page.evaluate("picked")
    solid = _block_with_bore()
    mesh = mesh_of(solid)
    high = [
        f
        for f in range(7)
        if np.ptp(mesh.positions[mesh.triangles[mesh.face_of_triangle == f]][..., 2]) < 1e-6
    ]
    tops = [f for f in high if mesh.positions[mesh.triangles[mesh.face_of_triangle == f]][..., 2].min() > 9]
    assert [top] == tops
    assert missed is None


def test_a_click_beside_an_edge_tells_the_edge(page):
    """From above: the bore's upper rim, 5 mm from the middle, and no edge 8 mm from it."""
    told = model_of(_block_with_bore())
    per_mm = min(WIDE / 40, HIGH / 30) / (2 * 0.54)
    page.evaluate(
        "viewer.setView('+z'); window.hit = []; window.leave = viewer.onPick((f, e) => hit.push(e)); 0"
    )
    page.mouse.click(WIDE // 2 + round(5 * per_mm) + 3, HIGH // 2)
    page.mouse.click(WIDE // 2 + round(8.5 * per_mm), HIGH // 2)
    rim, away = page.evaluate("leave(), hit")
    points = _array(told["edges"][rim]["points"], "<f4", 3)
    assert np.hypot(points[:, 0], points[:, 1]) == pytest.approx(5.0, abs=1e-5)
    assert points[:, 2] == pytest.approx(10.0)
    assert away is None


def test_a_section_shows_what_it_cuts_and_keys_turn_the_part(page, tmp_path):
    _paint(page, **{f"f{n}": "#0000ff" for n in range(7)})
    assert page.evaluate("viewer.range(0)") == [-20, 20]
    page.evaluate("viewer.setSection(0, 10)")
    page.focus("canvas")
    page.keyboard.press("7")  # towards +x: the cut face is grey, not blue
    cut = _pixels(page, tmp_path)[HIGH // 2, WIDE // 2]
    assert max(cut) - min(cut) < 12
    page.evaluate("viewer.setSection(null)")
    whole = _pixels(page, tmp_path)[HIGH // 2, WIDE // 2]
    assert whole[2] - whole[0] > 80
    page.keyboard.press("2")
    before = _pixels(page, tmp_path)
    page.keyboard.press("ArrowRight")
    assert np.abs(_pixels(page, tmp_path) - before).sum() > 0
    page.keyboard.press("2")


def test_a_section_opens_towards_the_eye_and_flips(page, tmp_path):
    """8 mm from the middle along x the cut misses the bore of radius 5: all of it is material."""
    _paint(page, **{f"f{n}": "#0000ff" for n in range(7)})
    for view, offset in (("+x", 8), ("-x", -8)):
        page.evaluate("v => viewer.setView(v)", view)
        page.evaluate("o => viewer.setSection(0, o)", offset)
        opened = _pixels(page, tmp_path)[HIGH // 2, WIDE // 2]
        assert max(opened) - min(opened) < 12, view  # grey: one looks into it
        page.evaluate("o => viewer.setSection(0, o, true)", offset)
        other = _pixels(page, tmp_path)[HIGH // 2, WIDE // 2]
        assert other[2] - other[0] > 80, view  # the end face of what is left nearer to the eye
    assert page.evaluate("viewer.isCut([-10, 0, 0])") is False
    assert page.evaluate("viewer.isCut([10, 0, 0])") is True
    page.evaluate("viewer.setSection(null)")


def test_hatches_and_places_on_the_page(page, tmp_path):
    """From above, the block's corner at (20, 15) is where 20 and 15 mm are from the middle."""
    page.evaluate("viewer.setView('+z')")
    _paint(page, **{f"f{n}": "#8080ff" for n in range(7)})
    plain = _pixels(page, tmp_path)
    page.evaluate("viewer.setHatch(new Map([...Array(7).keys()].map(f => [f, [90]])))")
    hatched = _pixels(page, tmp_path)[HIGH // 2 - 60, WIDE // 2 + 60 : WIDE // 2 + 140]
    dark = (hatched.sum(axis=1) < plain[HIGH // 2 - 60, WIDE // 2 + 100].sum() - 60).sum()
    assert dark == pytest.approx(80 / 9, abs=2)  # a line every 9 pixels
    page.evaluate("viewer.setHatch(new Map())")
    assert (_pixels(page, tmp_path) == plain).all()
    per_mm = min(WIDE / 40, HIGH / 30) / (2 * 0.54)
    x, y = page.evaluate("viewer.project([20, 15, 10])")
    assert (x - WIDE / 2, HIGH / 2 - y) == pytest.approx((20 * per_mm, 15 * per_mm), abs=1.5)
    top, none = page.evaluate("p => viewer.facesAt(p)", [[WIDE // 2 + 90, HIGH // 2], [WIDE // 2, HIGH // 2]])
    assert top is not None
    assert none is None


def test_exploded_faces_move_and_come_back(page, tmp_path):
    page.evaluate("viewer.setView('-y')")
    before = _pixels(page, tmp_path)
    page.evaluate("viewer.setExplode(new Map([[0, [-30, 0, 0]], [1, [0, 0, 25]]]))")
    assert np.abs(_pixels(page, tmp_path) - before).sum() > 0
    page.evaluate("viewer.setExplode(new Map())")
    assert np.abs(_pixels(page, tmp_path) - before).sum() == 0


def test_a_stock_body_veils_or_replaces_the_part(page, tmp_path):
    page.evaluate("viewer.setView('+z')")
    told = body_of(cq.Workplane().box(44, 34, 20).val().wrapped)
    page.evaluate("b => viewer.setBody('blank', b)", told)
    veiled = _pixels(page, tmp_path)[HIGH // 2, WIDE // 2]
    assert veiled.tolist() != [255, 255, 255]  # the blank has no bore
    page.evaluate("b => viewer.setBody('blank', b, false)", told)
    assert max(_pixels(page, tmp_path)[HIGH // 2, WIDE // 2 + 90]) < 230
    page.evaluate("viewer.setBody(null)")
    assert _pixels(page, tmp_path)[HIGH // 2, WIDE // 2].tolist() == [255, 255, 255]


def _red(shot: Any) -> int:
    return int(((shot[..., 0] > 110) & (shot[..., 1] < 70) & (shot[..., 2] < 100)).sum())


def test_sharp_edges_are_drawn_apart(page, tmp_path):
    page.evaluate("viewer.setView('+z'); viewer.setEdges(new Map())")
    _paint(page, **{f"f{n}": "#ffffff" for n in range(7)})
    assert _red(_pixels(page, tmp_path)) == 0
    page.evaluate("viewer.setEdges(new Map([...Array(14).keys()].map(i => [i, 'sharp'])))")
    # What is seen from above: the outline of the block and the rim of the bore, 3.8 pixels wide. The
    # block's 40 mm take 1 / (2 * 0.54) of the width where the width is what limits the view.
    per_mm = min(WIDE / 40, HIGH / 30) / (2 * 0.54)
    length = (2 * (40 + 30) + math.pi * 10) * per_mm
    assert _red(_pixels(page, tmp_path)) == pytest.approx(3.8 * length, rel=0.25)


def test_the_picture_is_one_and_the_canvas_can_be_reached(page):
    assert page.evaluate("viewer.picture()").startswith("data:image/png;base64,")
    canvas = page.locator("canvas")
    assert canvas.get_attribute("tabindex") == "0"
    assert "Arrow keys" in (canvas.get_attribute("aria-label") or "")
    assert canvas.get_attribute("role") == "application"


def test_without_webgl_a_sentence_stands_there(page):
    said = page.evaluate(
        """() => {
          const canvas = document.createElement("canvas");
          canvas.getContext = () => null;
          document.body.append(canvas);
          const idle = makeViewer(canvas, null);
          idle.setView("iso"); idle.setColours(new Map()); idle.onPick(() => {});
          const p = document.querySelector('[role="alert"]');
          const text = p.textContent;
          p.remove();
          return text;
        }"""
    )
    assert "WebGL 2" in said

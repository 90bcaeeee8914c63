"""Lettering and logos are one feature, whatever is cut beside them; small pockets are none.

Sizes are those drawn, boxes the kernel's own of the drawn text. What counts as lettering is common practice,
no source.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cadquery as cq
import pytest
from support.transforms import as_bsplines, mirrored, moved, write_step

from featurize.brep.build import build_part
from featurize.feature import Feature, Kind
from featurize.recognise import Recognition, recognise
from featurize.step.read import read_step

Work = cq.Workplane
_DEEP = 0.3


def plate(x: float = 80, y: float = 50, z: float = 10) -> Work:
    return Work().box(x, y, z, centered=(True, True, False))


def at(x: float, y: float, z: float = 10 - _DEEP) -> Work:
    return Work(origin=(x, y, z))


def words(text: str, size: float, x: float = 0, y: float = 0, z: float = 10 - _DEEP) -> Work:
    return at(x, y, z).text(text, size, 1.0)


def in_dress(dress: str, work: Work, folder: Path) -> Any:
    shape = work.val().Solids()[0].wrapped  # type: ignore[union-attr]
    if dress == "inches":
        (only,) = read_step(write_step(shape, folder / "inches.step", unit="INCH"), isolate=False).parts
        return only.solid
    turned = ((1.0, 2.0, 3.0), 33.0, (7.0, -5.0, 11.0))
    made: dict[str, Callable[[], Any]] = {
        "drawn": lambda: shape,
        "turned": lambda: moved(shape, *turned),
        "mirrored": lambda: mirrored(shape),
        "B-splines": lambda: as_bsplines(shape),
    }
    return made[dress]()


def read(work: Work, dress: str, folder: Path) -> tuple[Recognition, list[Feature]]:
    found = recognise(build_part(in_dress(dress, work, folder)))
    faces = sorted(f for x in found.features for f in x.faces)
    assert faces == list(range(len(found.part.faces)))
    return found, [f for f in found.features if not f.kind.traits.blank]


def kinds(work: Work, folder: Path) -> Counter[Kind]:
    return Counter(f.kind for f in read(work, "drawn", folder)[1])


@pytest.mark.parametrize("dress", ["drawn", "turned", "mirrored", "inches", "B-splines"])
def test_engraved_words_are_one_feature(dress: str, tmp_path: Path) -> None:
    text = words("HEB8", 9)
    found, (engraving,) = read(plate().cut(text), dress, tmp_path)
    box = text.val().BoundingBox()
    assert engraving.kind == Kind.ENGRAVING
    assert engraving.dims["depth_mm"] == pytest.approx(_DEEP, abs=1e-3)
    assert engraving.dims["mark_count"] == 4
    assert engraving.dims["length_mm"] == pytest.approx(box.xlen, abs=0.02)
    assert engraving.dims["width_mm"] == pytest.approx(box.ylen, abs=0.02)
    assert engraving.dims["corner_radius_mm"] == 0  # E's corners
    assert len(engraving.opens_to) == 1
    # It opens to a broad side and says nothing of which of the two works.
    assert engraving.opens_to[0][1] == "z"
    assert found.sides.confidence < 0.6


def bars() -> Work:
    """A letter E drawn by hand: strokes 1.2, 8 high, 5 wide."""
    outline = [(0, 0), (5, 0), (5, 1.2), (1.2, 1.2), (1.2, 3.4), (4, 3.4), (4, 4.6), (1.2, 4.6), (1.2, 6.8),
               (5, 6.8), (5, 8), (0, 8)]  # fmt: skip
    return at(0, 0).polyline(outline).close().extrude(1)


def test_a_stroke_is_as_broad_as_the_cutter_that_clears_it(tmp_path: Path) -> None:
    """Of the bars 1.2 broad a cutter of that breadth leaves corners alone: (1 - pi / 4) r2 at each of the
    eight outward ones, under 3 % of the area; a wider one leaves the arms."""
    _, (engraving,) = read(plate().cut(bars()), "drawn", tmp_path)
    assert (engraving.kind, engraving.dims["mark_count"]) == (Kind.ENGRAVING, 1)
    assert engraving.dims["stroke_mm"] == pytest.approx(1.2, abs=0.02)
    assert engraving.dims["length_mm"] == pytest.approx(8, abs=1e-3)
    assert engraving.dims["width_mm"] == pytest.approx(5, abs=1e-3)


def test_a_logo_takes_in_dots_and_rings(tmp_path: Path) -> None:
    corners = [
        ((6 if k % 2 else 2.4) * math.cos(math.pi / 5 * k), (6 if k % 2 else 2.4) * math.sin(math.pi / 5 * k))
        for k in range(10)
    ]
    logo = at(-20, 0).polyline(corners).close().extrude(1)
    logo = logo.add(at(-20, 0).circle(8).circle(7).extrude(1)).add(at(-9, -5).circle(0.8).extrude(1))
    work = plate().cut(words("ig", 9))
    for tool in logo.vals():
        work = work.cut(Work(obj=tool))
    _, (engraving,) = read(work, "drawn", tmp_path)
    assert (engraving.kind, engraving.dims["mark_count"]) == (Kind.ENGRAVING, 6)


@pytest.mark.parametrize("dress", ["drawn", "turned", "B-splines"])
def test_raised_words_are_one_feature(dress: str, tmp_path: Path) -> None:
    work = plate().cut(at(0, 0, 9.5).rect(60, 30).extrude(1)).union(at(0, 0, 9.5).text("R8A", 10, 0.5))
    _, found = read(work, dress, tmp_path)
    by_kind = {f.kind: f for f in found}
    assert set(by_kind) == {Kind.POCKET, Kind.RAISED_MARKS}
    assert by_kind[Kind.POCKET].dims["length_mm"] == pytest.approx(60, abs=1e-3)
    assert by_kind[Kind.RAISED_MARKS].dims["height_mm"] == pytest.approx(0.5, abs=1e-3)
    assert by_kind[Kind.RAISED_MARKS].dims["mark_count"] == 3


def test_raised_words_on_the_top_stand_on_a_floor(tmp_path: Path) -> None:
    found = kinds(plate().union(at(0, 0, 10).text("KI", 12, 0.4)), tmp_path)
    assert found == {Kind.RAISED_MARKS: 1, Kind.FLOOR: 1}


def test_words_in_a_pocket_leave_it_whole(tmp_path: Path) -> None:
    work = plate().cut(at(0, 0, 7).rect(60, 30).extrude(4)).cut(words("R8A", 10, z=7 - _DEEP))
    _, found = read(work, "drawn", tmp_path)
    by_kind = {f.kind: f for f in found}
    assert set(by_kind) == {Kind.POCKET, Kind.ENGRAVING}
    assert len(by_kind[Kind.POCKET].faces) == 5
    assert by_kind[Kind.POCKET].dims["depth_mm"] == pytest.approx(3, abs=1e-3)


def test_holes_and_pockets_beside_words_stay_what_they_are(tmp_path: Path) -> None:
    work = plate().cut(words("HOLE 3", 6, y=-15))
    for x in (-30, -10, 10, 30):
        work = work.cut(at(x, 0, 2).circle(2).extrude(20)).cut(at(x, 15, 8).rect(6, 4).extrude(20))
    assert kinds(work, tmp_path) == {Kind.ENGRAVING: 1, Kind.HOLE: 4, Kind.POCKET: 4}


def row(shape: Callable[[Work], Work], deep: float = 0.5, apart: float = 14) -> Work:
    work = plate()
    for x in (-2, -1, 0, 1, 2):
        work = work.cut(shape(at(apart * x, 0, 10 - deep)))
    return work


def cross(here: Work) -> Work:
    return here.rect(10, 2.5).extrude(1).union(Work(origin=here.plane.origin).rect(2.5, 10).extrude(1))


NOT_ENGRAVED: dict[str, Callable[[], tuple[Work, Counter[Kind]]]] = {
    "rounded": lambda: (row(lambda w: w.rect(12, 4).extrude(1).edges("|Z").fillet(0.8)),
                        Counter({Kind.POCKET: 5})),
    "crosses": lambda: (row(cross), Counter({Kind.POCKET: 5})),
    "round-ended": lambda: (row(lambda w: w.slot2D(10, 2).extrude(1), 0.3), Counter({Kind.POCKET: 5})),
    "blind holes": lambda: (row(lambda w: w.circle(1.5).extrude(1), 0.9), Counter({Kind.HOLE: 5})),
    "gland": lambda: (plate().cut(at(0, 0, 9.2).slot2D(40, 20).slot2D(36, 16).extrude(1)),
                      Counter({Kind.POCKET: 1, Kind.BOSS: 1})),
    "relief": lambda: (plate().cut(at(0, 0, 9.5).spline([(15, 0), (0, 9), (-18, 2), (0, -12)], periodic=True)
                                   .close().extrude(1)), Counter({Kind.POCKET: 1})),
    "deep": lambda: (plate().cut(bars().translate((0, 0, -3)).faces("<Z").wires().toPending()
                                 .extrude(5)), Counter({Kind.POCKET: 1})),
}  # fmt: skip


@pytest.mark.parametrize("name", NOT_ENGRAVED)
def test_what_is_no_lettering(name: str, tmp_path: Path) -> None:
    work, wanted = NOT_ENGRAVED[name]()
    assert kinds(work, tmp_path) == wanted

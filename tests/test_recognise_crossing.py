"""Cuts that cross, lie in one another or share what bounds them: parts made by hand, keys written by hand.

Each part is read as drawn, turned by an odd angle, and in one more dress. The sizes are those it was drawn
with; what a die maker would call each cut is common practice, no source.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import cadquery as cq
import numpy as np
import pytest
from OCP.BRepFilletAPI import BRepFilletAPI_MakeFillet
from support.transforms import as_bsplines, mirrored, motion, moved, write_step

from featurize.brep.build import build_part
from featurize.feature import Feature, Kind, Vec3
from featurize.recognise import Recognition, recognise
from featurize.step.read import read_step

_TURN = ((1.0, 2.0, 3.0), 33.0, (7.0, -5.0, 11.0))
_UP, _DOWN, _ALONG = (0.0, 0.0, 1.0), (0.0, 0.0, -1.0), (1.0, 0.0, 0.0)


@dataclass(frozen=True)
class Row:
    """``times`` features of a kind, each of so many faces. ``out``: its axis, ``run``: its run, either way,
    in the coordinates it was drawn in; ``sides``: how many it opens to."""

    kind: Kind
    faces: int
    dims: Mapping[str, float] = field(default_factory=dict)
    times: int = 1
    out: Vec3 | None = None
    run: Vec3 | None = None
    sides: int | None = None
    section: str = ""
    area_mm2: float | None = None


@dataclass(frozen=True)
class Case:
    """A part, all its features but for the blank's, the side that works, and the third way it is written."""

    name: str
    make: Callable[[], cq.Workplane]
    rows: tuple[Row, ...]
    up: Vec3 | None = None
    also: str = "mirrored"
    near_mm: float = 1e-3


def tan(degrees: float) -> float:
    return math.tan(math.radians(degrees))


def cos(degrees: float) -> float:
    return math.cos(math.radians(degrees))


def block(x: float = 60, y: float = 50, z: float = 20) -> cq.Workplane:
    return cq.Workplane().box(x, y, z, centered=(True, True, False))


def box(x: float, y: float, z: float, at: Vec3) -> cq.Workplane:
    """A tool that hangs from ``at``, the middle of its top."""
    return cq.Workplane(origin=at).rect(x, y).extrude(-z)


def hole(diameter: float, x: float, y: float, low: float, high: float) -> cq.Workplane:
    return cq.Workplane(origin=(x, y, low)).circle(diameter / 2).extrude(high - low)


def turned(*profile: tuple[float, float]) -> cq.Workplane:
    """A profile of (radius, height) turned about z."""
    return cq.Workplane("XZ").polyline(list(profile)).close().revolve(360, (0, 0, 0), (0, 1, 0))


def ring(inner: float, outer: float, low: float, high: float) -> cq.Workplane:
    return turned((inner, low), (outer, low), (outer, high), (inner, high))


def bored(*stages: tuple[float, float, float]) -> cq.Workplane:
    """Stages of (diameter, from, to) below the top of a block 20 high."""
    tools = [hole(d, 0, 0, 20 - end, 20 - start) for d, start, end in stages]
    for tool in tools[1:]:
        tools[0] = tools[0].union(tool)
    return tools[0]


def in_dress(dress: str, shape: Any, folder: Path) -> tuple[Any, Callable[[Vec3], np.ndarray[Any, Any]]]:
    """The shape written so, and where its directions have gone."""
    if dress == "turned":
        m = motion(*_TURN).HVectorialPart()
        matrix = np.array([[m.Value(i, j) for j in (1, 2, 3)] for i in (1, 2, 3)])
        return moved(shape, *_TURN), lambda v: matrix @ np.array(v)
    if dress == "mirrored":
        return mirrored(shape), lambda v: np.array(v) * (-1, 1, 1)
    if dress == "B-splines":
        return as_bsplines(shape), np.array
    if dress == "inches":
        (only,) = read_step(write_step(shape, folder / "inches.step", unit="INCH"), isolate=False).parts
        return only.solid, np.array
    assert dress == "drawn"
    return shape, np.array


def seen(work: cq.Workplane) -> Any:
    solid = work.val()
    assert isinstance(solid, cq.Shape)
    return solid.Solids()[0].wrapped


def area(read: Recognition, feature: Feature) -> float:
    return sum(read.part.faces[f].area_mm2 for f in feature.faces)


def fits(read: Recognition, f: Feature, row: Row, case: Case, way: Callable[[Vec3], Any]) -> bool:
    def along(v: Vec3 | None, wanted: Vec3, *, sense: bool) -> bool:
        cosine = float(np.dot(v or (0, 0, 0), way(wanted)))
        return (cosine if sense else abs(cosine)) > math.cos(math.radians(0.1))

    return (
        f.kind == row.kind
        and len(f.faces) == row.faces
        and all(f.dims.get(k) == pytest.approx(v, abs=case.near_mm) for k, v in row.dims.items())
        and (row.out is None or (f.axis is not None and along(f.axis.direction, row.out, sense=True)))
        and (row.run is None or along(f.run, row.run, sense=False))
        and (row.sides is None or len(f.opens_to) == row.sides)
        and (not row.section or str(f.cross_section) == row.section)
        and (row.area_mm2 is None or area(read, f) == pytest.approx(row.area_mm2, rel=1e-4))
    )


def check(case: Case, dress: str, folder: Path) -> None:
    shape, way = in_dress(dress, seen(case.make()), folder)
    read = recognise(build_part(shape))
    faces = sorted(f for x in read.features for f in x.faces)
    assert faces == list(range(len(read.part.faces)))
    left = [f for f in read.features if not f.kind.traits.blank]
    told = "\n".join(f"{f.kind} {len(f.faces)} {f.opens_to} {dict(f.dims)}" for f in left)
    for row in case.rows:
        for _ in range(row.times):
            hit = next((f for f in left if fits(read, f, row, case, way)), None)
            assert hit is not None, f"no {row} in\n{told}"
            left.remove(hit)
    assert not left, told
    if case.up is not None:
        assert np.allclose(read.part.frame.axes[2], way(case.up), atol=1e-6), read.sides


# Rings.

RING = ring(16, 20, 26, 30)
RING_SIZES = {"width_mm": 4.0, "depth_mm": 4.0, "diameter_mm": 40.0, "inner_diameter_mm": 32.0}


def ringed() -> cq.Workplane:
    return block(60, 60, 30).cut(RING)


def chamfered_rims() -> cq.Workplane:
    inner = turned((15.5, 30), (16, 29.5), (16, 31), (15.5, 31))
    return ringed().cut(inner).cut(turned((20, 29.5), (20.5, 30), (20.5, 31), (20, 31)))


def rounded_rims() -> cq.Workplane:
    return ringed().faces(">Z").edges("%CIRCLE").fillet(0.6)


def rounded_feet() -> cq.Workplane:
    feet = cq.selectors.BoxSelector((-25, -25, 25), (25, 25, 27))
    return ringed().faces(feet).edges("%CIRCLE").fillet(0.8)


def groove(**dims: float) -> Row:
    return Row(Kind.GROOVE, 3, RING_SIZES | dims, out=_UP)


RING_AREA = math.pi * (20**2 - 16**2) + 2 * math.pi * (20 + 16) * 4
RIMS = (
    Row(Kind.CHAMFER, 1, {"width_mm": 0.5, "angle_deg": 45}, times=2),
    Row(Kind.EDGE_ROUND, 1, {"radius_mm": 0.6}, times=2),
)
RINGS = (
    Case("ring", ringed, (Row(Kind.GROOVE, 3, RING_SIZES, out=_UP, sides=1, area_mm2=RING_AREA),), _UP),
    Case("ring in inches", ringed, (groove(),), _UP, "inches"),
    Case("ring from below", lambda: block(60, 60, 30).cut(ring(16, 20, 0, 4)),
         (Row(Kind.GROOVE, 3, RING_SIZES, out=_DOWN),), _DOWN, "B-splines"),
    Case("ring with chamfered rims", chamfered_rims, (groove(), RIMS[0]), _UP),
    Case("ring with rounded rims", rounded_rims, (groove(), RIMS[1]), _UP, "B-splines"),
    Case("ring with rounded feet", rounded_feet,
         (Row(Kind.GROOVE, 5, RING_SIZES | {"floor_radius_mm": 0.8}, out=_UP),), _UP, "inches"),
    Case("ring in a bore", lambda: block(60, 60, 30).cut(hole(24, 0, 0, 0, 30)).cut(ring(10, 15, 12, 16)),
         (Row(Kind.HOLE, 2, {"diameter_mm": 24, "depth_mm": 30}, sides=2),
          Row(Kind.GROOVE, 3, {"diameter_mm": 30, "width_mm": 4, "depth_mm": 3}, sides=0))),
    Case("ring on a shaft", lambda: turned((0, 0), (12, 0), (12, 50), (0, 50)).cut(ring(10, 14, 20, 23)),
         (Row(Kind.GROOVE, 3, {"diameter_mm": 20, "width_mm": 3, "depth_mm": 2}, sides=4),),
         None, "B-splines"),
    Case("ring round a bore", lambda: ringed().cut(hole(10, 0, 0, 0, 30)),
         (groove(), Row(Kind.HOLE, 1, {"diameter_mm": 10}, sides=2)), _UP, "inches"),
)  # fmt: skip

# Openings and crossings.


def waved(points: int, mean: float, wave: float, waves: int) -> list[tuple[float, float]]:
    angles = [2 * math.pi * k / points for k in range(points)]
    return [((r := mean + wave * math.cos(waves * t)) * math.cos(t), r * math.sin(t)) for t in angles]


def lobed(feeder: bool = False) -> cq.Workplane:
    """A bore of 16 with four lobes of 6 at 7 from its middle."""
    work = block().cut(hole(16, 0, 0, 0, 20))
    for k in range(4):
        a = 0.3 + math.pi / 2 * k
        work = work.cut(hole(6, 7 * math.cos(a), 7 * math.sin(a), 0, 20))
    return work.cut(box(30, 4, 5, (15, 0, 20))) if feeder else work


LOBES = Row(Kind.THROUGH_PROFILE, 8, {"height_mm": 20, "corner_radius_mm": 3}, sides=2)
# The feeder ends where the bore's wall is furthest out: from there to the block's side.
FEEDER = Row(Kind.BLIND_SLOT, 3, {"width_mm": 4, "depth_mm": 5}, out=_UP, run=_ALONG)


def step_over_holes() -> cq.Workplane:
    work = block().cut(box(60, 15, 6, (0, 17.5, 20)))
    for x in (-20, -10, 0, 10, 20):
        work = work.cut(hole(4, x, 15, 0, 20))
    return work


def square_in_bore() -> cq.Workplane:
    """A square pocket whose corners alone reach out of a bore: nearly nothing is left of its floor."""
    return block().cut(hole(20, 0, 0, 0, 20)).cut(box(14.3, 14.3, 8, (0, 0, 20)))


def keyed_bore(width: float = 8) -> cq.Workplane:
    """A slot from the side into a bore, an edge between them rounded."""
    work = block().cut(hole(20, 0, 0, 0, 20)).cut(box(width, 25, 20, (0, 17.5, 20)))
    edge = cq.selectors.BoxSelector((width / 2 - 0.1, 8, 9), (width / 2 + 0.1, 10, 11))
    return work.edges(edge).fillet(1)


def parted_hexagon() -> cq.Workplane:
    """A slot parts a hexagon passage, and a step opens the end of one part: it is wider below its mouth."""
    passage = cq.Workplane("YZ", origin=(-30, 0, 12)).polygon(6, 10).extrude(60)
    return block().cut(passage).cut(box(8, 50, 16, (0, 0, 20))).cut(box(18, 50, 5, (21, 0, 20)))


CROSSINGS = (
    Case("one closed spline", lambda: block().cut(cq.Workplane().spline(waved(24, 12, 3, 3), periodic=True)
                                                  .close().extrude(20)),
         (Row(Kind.THROUGH_PROFILE, 1, {"height_mm": 20}, sides=2),), None, "inches"),
    Case("lobed bore", lobed, (LOBES,)),
    Case("lobed bore and feeder", lambda: lobed(feeder=True), (LOBES, FEEDER), _UP),
    Case("slot across slot", lambda: block().cut(box(60, 8, 5, (0, 0, 20))).cut(box(6, 50, 8, (5, 0, 20))),
         (Row(Kind.SLOT, 3, {"width_mm": 6, "length_mm": 50, "depth_mm": 8}, out=_UP, run=(0, 1, 0)),
          Row(Kind.SLOT, 6, {"width_mm": 8, "length_mm": 60, "depth_mm": 5}, out=_UP, run=_ALONG)),
         _UP, "B-splines"),
    Case("pocket through a slot",
         lambda: block().cut(box(60, 6, 4, (0, 0, 20))).cut(box(20, 16, 9, (3, 0, 20))),
         (Row(Kind.POCKET, 5, {"width_mm": 16, "length_mm": 20, "depth_mm": 9}, out=_UP,
              section="four-sided"),
          Row(Kind.SLOT, 6, {"width_mm": 6, "length_mm": 60, "depth_mm": 4}, out=_UP, run=_ALONG)),
         _UP, "inches"),
    Case("passages of one width across each other",
         lambda: block(40, 40, 40).cut(box(8, 10, 40, (6, 0, 40)))
                                  .cut(cq.Workplane("YZ", origin=(-20, 0, 15)).rect(10, 6).extrude(40)),
         (Row(Kind.THROUGH_PROFILE, 4, {"width_mm": 8, "length_mm": 10, "height_mm": 40}, sides=2),
          Row(Kind.THROUGH_PROFILE, 6, {"width_mm": 6, "length_mm": 10, "height_mm": 40}, sides=2)),
         None, "inches"),
    Case("square in a bore", square_in_bore,
         (Row(Kind.HOLE, 1, {"diameter_mm": 20, "depth_mm": 20}, sides=2),
          Row(Kind.POCKET, 12, {"width_mm": 14.3, "length_mm": 14.3, "depth_mm": 8}, out=_UP)),
         None, "inches"),
    Case("keyed bore", keyed_bore,
         (Row(Kind.HOLE, 1, {"diameter_mm": 20, "depth_mm": 20}, sides=2),
          Row(Kind.SLOT, 2, {"width_mm": 8}, sides=3), Row(Kind.EDGE_ROUND, 1, {"radius_mm": 1})),
         None, "inches"),
    Case("parted hexagon", parted_hexagon,
         (Row(Kind.THROUGH_PROFILE, 12, {"width_mm": 10 * cos(30), "length_mm": 10, "height_mm": 60},
              sides=2),
          Row(Kind.SLOT, 3, {"width_mm": 8, "length_mm": 50, "depth_mm": 16}, out=_UP),
          Row(Kind.STEP, 3, {"width_mm": 18, "length_mm": 50, "height_mm": 5})), _UP),
    Case("step over holes", step_over_holes,
         (Row(Kind.HOLE, 1, {"diameter_mm": 4, "depth_mm": 14}, times=5, sides=2),
          Row(Kind.STEP, 2, {"width_mm": 15, "length_mm": 60, "height_mm": 6}, run=_ALONG)),
         _UP, "B-splines"),
)  # fmt: skip

# Cut in two, nested, side by side.


def half_round(across: cq.Workplane) -> cq.Workplane:
    return block().cut(cq.Workplane("YZ", origin=(-30, 0, 20)).circle(3).extrude(60)).cut(across)


def ribbed() -> cq.Workplane:
    return block().cut(
        box(60, 50, 6, (0, 0, 20)).cut(box(60, 3, 6, (0, -5, 20))).cut(box(60, 3, 6, (0, 8, 20)))
    )


def islands() -> cq.Workplane:
    return block().cut(
        box(40, 30, 5, (0, 0, 20)).cut(box(8, 8, 5, (-10, 0, 20))).cut(box(8, 8, 5, (10, 0, 20)))
    )


def loft_cavity() -> cq.Workplane:
    tool = cq.Workplane(origin=(0, 0, 12)).rect(20, 12).workplane(offset=8).circle(14).loft()
    return block().cut(tool)


ROUND_SLOT = {"width_mm": 6.0, "length_mm": 60.0, "depth_mm": 3.0}
PIECES = (
    Case("round slot cut in two", lambda: half_round(box(10, 50, 8, (5, 0, 20))),
         (Row(Kind.SLOT, 2, ROUND_SLOT, out=_UP, run=_ALONG),
          Row(Kind.SLOT, 3, {"width_mm": 10, "length_mm": 50, "depth_mm": 8}, run=(0, 1, 0))), _UP, "inches"),
    Case("round slot cut in two by a pocket", lambda: half_round(box(10, 20, 8, (5, 0, 20))),
         (Row(Kind.SLOT, 2, ROUND_SLOT, out=_UP, run=_ALONG),
          Row(Kind.POCKET, 5, {"width_mm": 10, "length_mm": 20, "depth_mm": 8})), _UP),
    Case("ribs between steps", ribbed,
         (Row(Kind.SLOT, 3, {"width_mm": 10, "length_mm": 60, "depth_mm": 6}, out=_UP, run=_ALONG),
          Row(Kind.STEP, 2, {"width_mm": 18.5, "length_mm": 60, "height_mm": 6}),
          Row(Kind.STEP, 2, {"width_mm": 15.5, "length_mm": 60, "height_mm": 6})), _UP, "B-splines"),
    Case("islands in a pocket", islands,
         (Row(Kind.POCKET, 5, {"width_mm": 30, "length_mm": 40, "depth_mm": 5}, out=_UP),
          Row(Kind.BOSS, 4, {"width_mm": 8, "length_mm": 8, "height_mm": 5}, times=2)), _UP),
    Case("shoulder and floor", lambda: block().cut(box(30, 50, 8, (15, 0, 20))),
         (Row(Kind.STEP, 2, {"width_mm": 30, "length_mm": 50, "height_mm": 8}, run=(0, 1, 0)),),
         _UP, "inches"),
    Case("shoulder, fillet and floor",
         lambda: block().cut(box(30, 50, 8, (15, 0, 20)).faces("<Z").edges("<X").fillet(2)),
         (Row(Kind.STEP, 3, {"width_mm": 30, "height_mm": 8, "floor_radius_mm": 2}),), _UP, "B-splines"),
    Case("lofted cavity", loft_cavity,
         (Row(Kind.CONTOURED_SURFACE, 6, {"width_mm": 28, "length_mm": 28, "depth_mm": 8}, out=_UP),), _UP),
    Case("nested steps",
         lambda: block().cut(box(60, 20, 4, (0, 15, 20))).cut(box(60, 8, 10, (0, 21, 20))),
         (Row(Kind.STEP, 2, {"width_mm": 12, "length_mm": 60, "height_mm": 4}),
          Row(Kind.STEP, 2, {"width_mm": 8, "length_mm": 60, "height_mm": 6})), _UP, "inches"),
    Case("nested corner steps",
         lambda: block().cut(box(30, 20, 4, (15, 15, 20))).cut(box(12, 8, 10, (24, 21, 20))),
         (Row(Kind.BLIND_STEP, 3, {"width_mm": 20, "length_mm": 30, "height_mm": 4}),
          Row(Kind.BLIND_STEP, 3, {"width_mm": 8, "length_mm": 12, "height_mm": 6})), _UP),
)  # fmt: skip

# Broken edges.

POCKET_SIZES = {"width_mm": 20.0, "length_mm": 30.0, "depth_mm": 10.0}
SLOT_SIZES = {"width_mm": 12.0, "length_mm": 60.0, "depth_mm": 10.0}


def pocketed(rim: str = "", size: float = 0.0) -> cq.Workplane:
    work = block().cut(box(30, 20, 10, (0, 0, 20)))
    edges = work.faces(">Z").edges("not(<X or >X or <Y or >Y)")
    return edges.chamfer(size) if rim == "chamfer" else edges.fillet(size)


def broken(size: float) -> tuple[Case, ...]:
    tool, slot = box(30, 20, 10, (0, 0, 20)), box(60, 12, 10, (0, 0, 20))
    corner = cq.selectors.BoxSelector((-31, 4.9, 19.9), (31, 5.1, 20.1))
    upright, foot = tool.edges("|Z"), slot.faces("<Z").edges("|X")

    def pocket(**more: float) -> Row:
        faces = 9 if more else 5
        return Row(Kind.POCKET, faces, POCKET_SIZES | more, out=_UP, section="four-sided")

    def pocketed_by(cut: cq.Workplane) -> Callable[[], cq.Workplane]:
        return lambda: block().cut(cut)

    return (
        Case(f"webs {size}", pocketed_by(upright.chamfer(size)), (pocket(corner_chamfer_mm=size),), _UP),
        Case(f"corners {size}", pocketed_by(upright.fillet(size)), (pocket(corner_radius_mm=size),), _UP,
             "inches"),
        Case(f"slot's feet {size}", pocketed_by(foot.fillet(size)),
             (Row(Kind.SLOT, 5, SLOT_SIZES | {"floor_radius_mm": size}, run=_ALONG),), None, "B-splines"),
        Case(f"slot's webs {size}", pocketed_by(foot.chamfer(size)),
             (Row(Kind.SLOT, 5, SLOT_SIZES | {"floor_chamfer_mm": size}, run=_ALONG),), None, "inches"),
        Case(f"chamfered rim {size}", lambda: pocketed("chamfer", size),
             (pocket(), Row(Kind.CHAMFER, 1, {"width_mm": size, "angle_deg": 45}, times=4)), _UP),
        Case(f"rounded rim {size}", lambda: pocketed("round", size),
             (pocket(), Row(Kind.EDGE_ROUND, 1, {"radius_mm": size}, times=4)), _UP, "inches"),
        Case(f"chamfered step {size}",
             lambda: block().cut(box(60, 20, 8, (0, 15, 20))).edges(corner).chamfer(size),
             (Row(Kind.STEP, 2, {"width_mm": 20, "length_mm": 60, "height_mm": 8}),
              Row(Kind.CHAMFER, 1, {"width_mm": size, "length_mm": 60, "angle_deg": 45})), _UP, "B-splines"),
        Case(f"chamfered bore {size}",
             lambda: block().cut(hole(12, 0, 0, 0, 20)).faces(">Z").edges("%CIRCLE").chamfer(size),
             (Row(Kind.HOLE, 2, {"diameter_mm": 12, "depth_mm": 20, "countersink_angle_deg": 90}),)),
    )  # fmt: skip


def rounded_bore(blind: bool = False) -> cq.Workplane:
    return block().cut(hole(12, 0, 0, 8 if blind else 0, 20)).faces(">Z").edges("%CIRCLE").fillet(1.5)


def trimmed_round() -> cq.Workplane:
    """A round on the edge between a bore and one wall of a slot across it; the other walls trim it askew."""
    work = block().cut(hole(14, 0, 0, 0, 20))
    work = work.cut(cq.Workplane("XZ", origin=(4, 30, 10)).polygon(6, 7).extrude(60))
    edges = work.faces(cq.selectors.BoxSelector((0, 5, 12), (8, 25, 14))).edges(
        "%CIRCLE or %ELLIPSE or %BSPLINE"
    )
    return edges.edges("<Y").fillet(1.0)


def wall_45() -> cq.Workplane:
    """A slanted wall 66 wide at 45 deg."""
    leg = 66 * math.sqrt(0.5)
    outline = [(0.0, 0.0), (100.0, 0.0), (100.0, 12.0), (100 - leg, 12 + leg), (0.0, 12 + leg)]
    return cq.Workplane("XZ", origin=(0, 40, 0)).polyline(outline).close().extrude(80)


BROKEN = (
    *(case for size in (0.2, 1.0, 3.0) for case in broken(size)),
    Case(
        "rounded bore",
        rounded_bore,
        (
            Row(Kind.HOLE, 1, {"diameter_mm": 12, "depth_mm": 20}, sides=2),
            Row(Kind.EDGE_ROUND, 1, {"radius_mm": 1.5}),
        ),
        None,
        "inches",
    ),
    Case(
        "rounded blind bore",
        partial(rounded_bore, blind=True),
        (
            Row(Kind.HOLE, 2, {"diameter_mm": 12, "depth_mm": 12}, sides=1),
            Row(Kind.EDGE_ROUND, 1, {"radius_mm": 1.5}),
        ),
        None,
        "B-splines",
    ),
    # The corner next to the bore's side passes it by: two of the six walls are whole.
    Case(
        "trimmed round",
        trimmed_round,
        (
            Row(Kind.HOLE, 1, {"diameter_mm": 14}, sides=2),
            Row(Kind.EDGE_ROUND, 1, {"radius_mm": 1}),
            Row(Kind.THROUGH_PROFILE, 10, {"width_mm": 7 * cos(30), "length_mm": 7, "height_mm": 50}),
        ),
    ),
    Case("wall at 45 deg", wall_45, (Row(Kind.STEP, 1, {"wall_angle_deg": 45, "length_mm": 80}),)),
)

# Leaning and slanted.


def leaning_slot() -> cq.Workplane:
    half = 4 + 9 * tan(10)
    outline = [(-half, 21.0), (-4.0, 12.0), (4.0, 12.0), (half, 21.0)]
    return block().cut(cq.Workplane("YZ", origin=(-30, 0, 0)).polyline(outline).close().extrude(60))


def slanted_step() -> cq.Workplane:
    outline = [(-30.0, 25.0), (-30.0, 5.0), (30.0, 5 + 60 * tan(12)), (30.0, 25.0)]
    return block().cut(cq.Workplane(origin=(0, 0, 14)).polyline(outline).close().extrude(6))


def sloping_slot() -> cq.Workplane:
    """Blind, 8 wide; its floor sinks from 6 deep at its end to 10 - 4 / 31 at its mouth."""
    outline = [(-31.0, 21.0), (-31.0, 10.0), (0.0, 14.0), (0.0, 21.0)]
    return block().cut(cq.Workplane("XZ", origin=(0, 4, 0)).polyline(outline).close().extrude(8))


def blind_at_20_deg() -> cq.Workplane:
    return block().cut(box(60, 8, 6, (-30, 0, 20)).rotate((-30, 0, 0), (-30, 0, 1), 20))


def land(degrees: float) -> cq.Workplane:
    """An opening of 16 x 10 with a land of 4 and relief below."""
    wider = 32 * tan(degrees)
    straight = cq.Workplane(origin=(0, 0, 16)).rect(16, 10)
    relief = straight.workplane(offset=-16).rect(16 + wider, 10 + wider).loft(ruled=True)
    return block().cut(cq.Workplane(origin=(0, 0, 16)).rect(16, 10).extrude(4)).cut(relief)


def lands(degrees: float) -> Row:
    sizes = {"width_mm": 10.0, "length_mm": 16.0, "land_mm": 4.0, "taper_deg": degrees}
    return Row(Kind.THROUGH_PROFILE, 8, sizes, out=_UP, sides=2)


LEANING = (
    Case("leaning slot", leaning_slot,
         (Row(Kind.SLOT, 3, {"width_mm": 8 + 16 * tan(10), "length_mm": 60, "depth_mm": 8,
                              "wall_angle_deg": 10}, run=_ALONG),), None, "inches"),
    Case("slanted step", slanted_step,
         (Row(Kind.STEP, 2, {"width_mm": 20 * cos(12), "height_mm": 6, "slant_deg": 12},
              run=(cos(12), math.sin(math.radians(12)), 0)),), _UP),
    Case("slanted slot", lambda: block().cut(box(200, 8, 6, (0, 0, 20)).rotate((0, 0, 0), (0, 0, 1), 15)),
         (Row(Kind.SLOT, 3, {"width_mm": 8, "length_mm": 60 / cos(15) + 8 * tan(15), "slant_deg": 15},
              run=(cos(15), math.sin(math.radians(15)), 0)),), None, "B-splines"),
    Case("slanted blind slot", blind_at_20_deg,
         (Row(Kind.BLIND_SLOT, 4, {"width_mm": 8, "length_mm": 30 + 4 * tan(20), "depth_mm": 6,
                                    "slant_deg": 20},
              run=(cos(20), math.sin(math.radians(20)), 0), section="four-sided"),)),
    Case("blind slot that slopes", sloping_slot,
         (Row(Kind.BLIND_SLOT, 4, {"width_mm": 8, "length_mm": 30, "depth_mm": 6 + 30 * 4 / 31,
                                   "floor_angle_deg": math.degrees(math.atan(4 / 31))},
              out=_UP, run=_ALONG, section="four-sided"),), None, "inches"),
    Case("half-moon slot", lambda: block().cut(cq.Workplane(origin=(0, -25, 14)).circle(9).extrude(6)),
         (Row(Kind.BLIND_SLOT, 2, {"width_mm": 18, "length_mm": 9, "depth_mm": 6}, out=_UP, run=(0, 1, 0)),)),
    Case("half-moon keyway",
         lambda: block().cut(cq.Workplane("XZ", origin=(0, 3, 20)).circle(9).extrude(6)),
         (Row(Kind.POCKET, 3, {"width_mm": 6, "length_mm": 18, "depth_mm": 9}, out=_UP),), _UP),
    Case("hexagon", lambda: block().cut(cq.Workplane().polygon(6, 20).extrude(20)),
         (Row(Kind.THROUGH_PROFILE, 6, {"width_mm": 20 * cos(30), "height_mm": 20}, sides=2,
              section="six-sided"),), None, "inches"),
    *(Case(f"land over {a} deg", partial(land, a), (lands(a),), _UP) for a in (0.9, 1.0, 1.1)),
)  # fmt: skip

# Holes.

SEAT = {"diameter_mm": 4.5, "counterbore_diameter_mm": 6.8, "counterbore_depth_mm": 4.0}
SEATS = Row(Kind.HOLE, 3, SEAT, times=4, out=_UP)


def four_seats() -> cq.Workplane:
    work = block(60, 60)
    for x, y in ((-15, -15), (-15, 15), (15, -15), (15, 15)):
        work = work.cut(bored((6.8, 0, 4), (4.5, 0, 20)).translate((x, y, 0)))
    return work


HOLES = (
    Case("through thread relieved at both ends",
         lambda: block(40, 40).cut(bored((8.8, 0, 1.5), (6.8, 0, 20), (8.8, 18.5, 20))),
         (Row(Kind.THREADED_HOLE, 5, {"diameter_mm": 6.8, "depth_mm": 20}, sides=2),)),
    Case("counterbored at both ends",
         lambda: block(40, 40).cut(bored((11, 0, 5), (6.6, 0, 20), (11, 15, 20))),
         (Row(Kind.HOLE, 5, {"diameter_mm": 6.6, "counterbore_diameter_mm": 11, "counterbore_depth_mm": 5},
              sides=2),), None, "inches"),
    Case("four seats", four_seats, (SEATS,), _UP, "B-splines"),
)  # fmt: skip

# Forms.


def changing_round() -> cq.Workplane:
    work = block(60, 40)
    maker = BRepFilletAPI_MakeFillet(work.val().wrapped)
    maker.Add(1.0, 4.0, work.edges("|X and >Z and >Y").val().wrapped)
    maker.Build()
    return cq.Workplane(cq.Shape.cast(maker.Shape()))


def drafted_rib() -> cq.Workplane:
    rib = cq.Workplane(origin=(0, 0, 12)).rect(30, 3).extrude(6, taper=3)
    return block(60, 40).cut(box(50, 30, 8, (0, 0, 20)).cut(rib))


def badge() -> cq.Workplane:
    """A ring and a pentagon, 0.3 deep."""
    ring_ = cq.Workplane(origin=(-10, 0, 9.7)).circle(6).circle(4).extrude(1)
    return block(60, 40, 10).cut(ring_).cut(cq.Workplane(origin=(8, 0, 9.7)).polygon(5, 9).extrude(1))


FORMS = (
    Case("changing round", changing_round,
         (Row(Kind.EDGE_ROUND, 1, {"radius_mm": 1, "largest_radius_mm": 4}),), None, "inches", 0.01),
    Case("drafted rib", drafted_rib,
         (Row(Kind.POCKET, 5, {"width_mm": 30, "length_mm": 50, "depth_mm": 8}, out=_UP),
          Row(Kind.RIB, 5, {"width_mm": 3, "length_mm": 30, "height_mm": 6}, out=_UP)), _UP, "B-splines"),
    Case("badge", badge,
         (Row(Kind.GROOVE, 3, {"diameter_mm": 12, "inner_diameter_mm": 8, "depth_mm": 0.3}, out=_UP),
          Row(Kind.POCKET, 6, {"depth_mm": 0.3}, out=_UP)), _UP, "inches"),
)  # fmt: skip

# What others have left.


def relieved() -> cq.Workplane:
    """A corner step with a channel or bore along each of its inward corners: none of its faces meet."""
    work = block().cut(box(30, 20, 8, (15, 15, 20)))
    work = work.cut(hole(4, 0, 5, 0, 20))
    work = work.cut(cq.Workplane("XZ", origin=(0, 25, 12)).circle(1.5).extrude(20))
    return work.cut(cq.Workplane("YZ", origin=(0, 5, 12)).circle(1.5).extrude(30))


def opened_hexagon() -> cq.Workplane:
    """A six-sided pocket, a wall of it nearly square to a feeder that comes in opposite."""
    tool = cq.Workplane(origin=(5, 0, 11)).polygon(6, 20).extrude(9).rotate((5, 0, 0), (5, 0, 1), 35)
    return block().cut(tool).cut(box(30, 4, 8, (-15, 0, 20)))


def arc_of_ring() -> cq.Workplane:
    """A step has taken two thirds of a ring, and goes deeper."""
    return block().cut(ring(10, 14, 16, 20)).cut(box(60, 32, 9, (0, 12, 20)))


def wall_piece() -> cq.Workplane:
    """A bore parts a slanted step's wall: one piece lies between two walls as a chamfer would."""
    outline = [(-29.375, -26), (3.125, 26), (-31, 26), (-31, -26)]
    work = block().cut(cq.Workplane(origin=(0, 0, 14)).polyline(outline).close().extrude(7))
    return work.cut(box(21, 36, 12, (-20.5, -8, 20))).cut(hole(6, -6.4, 14.4, 0, 20))


def bored_slot(edge: str) -> cq.Workplane:
    """A slot along x, 8 wide and 5 deep, cut in two by a bore; one foot of one half is broken by 1.5."""
    work = block().cut(box(60, 8, 5, (0, 0, 20))).cut(hole(12, -8, 0, 0, 20))
    foot = work.edges(cq.selectors.BoxSelector((-31, 3.9, 14.9), (-11, 4.1, 15.1)))
    return foot.fillet(1.5) if edge == "radius" else foot.chamfer(1.5)


def slanting_rim() -> cq.Workplane:
    """A round-ended pocket in a slanted top: the chamfer of its rim is flat and curved by turns."""
    slant = cq.Workplane("XZ", origin=(0, 25, 0)).polyline([(-30, 12), (30, 20), (30, 21), (-30, 21)]).close()
    work = block().cut(slant.extrude(50)).cut(cq.Workplane(origin=(0, 0, 8)).slot2D(30, 14).extrude(20))
    top = cq.selectors.BoxSelector((-20, -10, 11), (20, 10, 21))
    return work.edges(top).edges("not |Z").chamfer(1)


def filleted_corner() -> cq.Workplane:
    """A three-sided corner step, nearly along one side; a fillet between its wall and its floor."""
    corner = cq.Workplane(origin=(0, 0, 6)).polyline([(30, 25), (10, 25), (30, 18)]).close().extrude(14)
    work = block().cut(corner)
    return work.edges(cq.selectors.NearestToPointSelector((20, 21.5, 6))).fillet(1.8)


def ring_and_round() -> cq.Workplane:
    """A step takes a side of a ring, and the edge it leaves on the ring's pin is rounded."""
    work = block().cut(ring(10, 14, 12, 20)).cut(box(20, 50, 14, (17, 0, 20)))
    edge = cq.selectors.BoxSelector((6.9, 6, 15), (7.1, 8, 17))
    return work.edges(edge).fillet(0.5)


def ring_in_stretches() -> cq.Workplane:
    """A passage across a deep ring: over it there is a stretch of the outer wall, and no pin."""
    across = cq.Workplane("YZ", origin=(-20, 0, 24)).rect(16, 5).extrude(40)
    return block(40, 40, 40).cut(ring(5, 7, 10, 40)).cut(across)


HALVED = Row(Kind.SLOT, 7, {"width_mm": 8, "length_mm": 60, "depth_mm": 5}, out=_UP, run=_ALONG)
BORED = Row(Kind.HOLE, 1, {"diameter_mm": 12}, sides=2)
LEFT = (
    Case("corner step relieved all along", relieved,
         (Row(Kind.BLIND_STEP, 3, {"width_mm": 20, "length_mm": 30, "height_mm": 8}),
          Row(Kind.HOLE, 1, {"diameter_mm": 4}), Row(Kind.HOLE, 1, {"diameter_mm": 3}, times=2)),
         None, "inches"),
    Case("hexagon and feeder", opened_hexagon,
         (Row(Kind.POCKET, 7, {"depth_mm": 9}, out=_UP, sides=1, section="six-sided"),
          Row(Kind.BLIND_SLOT, 3, {"width_mm": 4, "depth_mm": 8}, out=_UP)), _UP, "inches"),
    Case("arc of a ring", arc_of_ring,
         (Row(Kind.GROOVE, 3, {"diameter_mm": 28, "inner_diameter_mm": 20, "width_mm": 4, "depth_mm": 4},
              out=_UP),
          Row(Kind.STEP, 2, {"height_mm": 9})), _UP, "B-splines"),
    Case("ring with a rounded end", ring_and_round,
         (Row(Kind.GROOVE, 3, {"diameter_mm": 28, "inner_diameter_mm": 20, "width_mm": 4, "depth_mm": 8},
              out=_UP),
          Row(Kind.SLOT, 3, {"width_mm": 20, "depth_mm": 14}),
          Row(Kind.EDGE_ROUND, 1, {"radius_mm": 0.5})), _UP),
    Case("ring in stretches", ring_in_stretches,
         (Row(Kind.GROOVE, 4, {"diameter_mm": 14, "inner_diameter_mm": 10, "width_mm": 2}, out=_UP),
          # Its walls and the top of what is left of the pin.
          Row(Kind.THROUGH_PROFILE, 5, {"width_mm": 5, "length_mm": 16}))),
    Case("piece of a slanted wall", wall_piece,
         (Row(Kind.STEP, 3, {"height_mm": 6}, out=_UP), Row(Kind.BLIND_STEP, 3, {"height_mm": 12}),
          Row(Kind.HOLE, 1, {"diameter_mm": 6})), _UP),
    Case("half of a slot with a radius", partial(bored_slot, "radius"), (HALVED, BORED), _UP, "inches"),
    Case("half of a slot with a web", partial(bored_slot, "web"), (HALVED, BORED), _UP, "B-splines"),
    Case("slanting rim", slanting_rim,
         (Row(Kind.CHAMFER, 4), Row(Kind.POCKET, 5), Row(Kind.STEP, 1)), _UP),
    Case("corner with a fillet", filleted_corner,
         (Row(Kind.BLIND_STEP, 3, {"height_mm": 14, "floor_radius_mm": 1.8}),), None, "inches"),
)  # fmt: skip

CASES = (*RINGS, *CROSSINGS, *PIECES, *BROKEN, *LEANING, *LEFT, *HOLES, *FORMS)


@pytest.mark.parametrize("dress", ["drawn", "turned", "also"])
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_parts_made_by_hand(case: Case, dress: str, tmp_path: Path) -> None:
    check(case, case.also if dress == "also" else dress, tmp_path)


@pytest.mark.parametrize("dress", ["drawn", "turned", "mirrored"])
def test_a_screw_with_its_thread_modelled_is_no_hole(dress: str, tmp_path: Path) -> None:
    """Its flanks are listed as the free forms that they are, its core as turned; every face has a feature."""
    core = cq.Workplane().circle(3.233).extrude(6)
    flank = cq.Workplane("XZ", origin=(3.2, 0, 0)).polyline([(0, -0.5), (0.6, -0.08), (0.6, 0.08), (0, 0.5)])
    thread = flank.close().sweep(cq.Workplane(obj=cq.Wire.makeHelix(1.25, 2.5, 3.2)), isFrenet=True)
    head = cq.Workplane(origin=(0, 0, 6)).polygon(6, 15).extrude(5)
    shape, _ = in_dress(dress, seen(core.union(thread.translate((0, 0, 1))).union(head)), tmp_path)
    read = recognise(build_part(shape))
    assert sorted(f for x in read.features for f in x.faces) == list(range(len(read.part.faces)))
    kinds = Counter(f.kind for f in read.features)
    assert kinds[Kind.CONTOURED_SURFACE] == 2
    assert Kind.BOSS in kinds
    assert not any(f.kind.traits.hole or f.kind == Kind.UNASSIGNED for f in read.features)


def test_no_chamfer_leans_by_nothing(tmp_path: Path) -> None:
    for case in BROKEN:
        for feature in recognise(build_part(seen(case.make()))).features:
            assert feature.kind != Kind.CHAMFER or feature.dims["angle_deg"] > 1.0, case.name


@pytest.mark.parametrize("dress", ["drawn", "turned", "inches"])
def test_equal_holes_of_a_pattern_are_read_alike(dress: str, tmp_path: Path) -> None:
    work = block(60, 60)
    for x in (-20, -7, 7, 20):
        for y in (-20, 0, 20):
            work = work.cut(hole(6.8, x, y, 0, 20))
    shape, _ = in_dress(dress, seen(work), tmp_path)
    holes = [f for f in recognise(build_part(shape)).features if not f.kind.traits.blank]
    assert len(holes) == 12
    # M8's tap drill is 6.8 (ISO 2306): the same question for each.
    assert {f.thread.asked for f in holes if f.thread is not None} == {("M8", "plain")}
    assert all(f.thread is not None for f in holes)


@pytest.mark.parametrize("dress", ["drawn", "turned", "mirrored"])
def test_a_seat_no_thread_fits_is_not_asked_about(dress: str, tmp_path: Path) -> None:
    shape, _ = in_dress(dress, seen(four_seats()), tmp_path)
    found = recognise(build_part(shape)).features
    assert [f.thread for f in found if f.kind.traits.hole] == [None] * 4


@pytest.mark.parametrize("dress", ["drawn", "turned"])
def test_what_crossing_slots_leave_between_them_is_no_boss(dress: str, tmp_path: Path) -> None:
    work = block(60, 60)
    for at in (-12, 12):
        work = work.cut(box(60, 6, 7, (0, at, 20))).cut(box(6, 60, 7, (at, 0, 20)))
    shape, _ = in_dress(dress, seen(work), tmp_path)
    found = [f for f in recognise(build_part(shape)).features if not f.kind.traits.blank]
    assert [f.kind for f in found] == 4 * [Kind.SLOT]
    # The bottom, four sides and nine tops are the blank's.
    assert sum(len(f.faces) for f in found) == len(recognise(build_part(shape)).part.faces) - 14


@pytest.mark.parametrize("dress", ["drawn", "turned"])
def test_bosses_in_rows_stay_bosses_though_their_walls_are_in_line(dress: str, tmp_path: Path) -> None:
    work = block(60, 60).cut(box(50, 50, 5, (0, 0, 20)))
    for x in (-10, 10):
        for y in (-10, 10):
            work = work.union(box(10, 10, 4, (x, y, 19)))
    shape, _ = in_dress(dress, seen(work), tmp_path)
    kinds = Counter(f.kind for f in recognise(build_part(shape)).features if not f.kind.traits.blank)
    assert kinds == {Kind.POCKET: 1, Kind.BOSS: 4}


@pytest.mark.parametrize("dress", ["drawn", "turned", "B-splines"])
def test_the_mouth_of_a_slanted_bore_is_chamfered(dress: str, tmp_path: Path) -> None:
    bore = cq.Workplane().circle(5).extrude(60, both=True).rotate((0, 0, 0), (0, 1, 0), 25)
    work = block().cut(bore)
    rim = work.edges(cq.selectors.BoxSelector((-20, -8, 19.9), (25, 8, 20.1)))
    shape, _ = in_dress(dress, seen(rim.chamfer(0.6)), tmp_path)
    found = {f.kind: f for f in recognise(build_part(shape)).features if not f.kind.traits.blank}
    assert set(found) == {Kind.HOLE, Kind.CHAMFER}
    assert found[Kind.CHAMFER].dims["width_mm"] < 0.6 + 1e-3

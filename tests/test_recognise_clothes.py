"""One part in other clothes: other surfaces, patches, slivers, loose tolerances, draft, engraving."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import cadquery as cq
import pytest
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.BRepAlgoAPI import BRepAlgoAPI_Splitter
from OCP.BRepBuilderAPI import BRepBuilderAPI_NurbsConvert
from OCP.BRepFilletAPI import BRepFilletAPI_MakeFillet
from OCP.BRepPrimAPI import BRepPrimAPI_MakePrism
from OCP.gp import gp_Vec
from OCP.ShapeCustom import ShapeCustom
from OCP.ShapeFix import ShapeFix_ShapeTolerance
from OCP.TopoDS import TopoDS
from OCP.TopTools import TopTools_ListOfShape
from support.transforms import as_bsplines

from featurize.brep.build import build_part
from featurize.brep.shapes import FACE, SOLID, each
from featurize.feature import Feature, Kind, Role
from featurize.recognise import recognise

Point = tuple[float, float, float]


def block() -> cq.Workplane:
    return cq.Workplane().box(60, 40, 20, centered=(True, True, False))


def key_part() -> cq.Workplane:
    """A through hole of 6, a blind one of 4, a pocket 20 x 12 x 5 with corners of 2, a slot 4 x 3."""
    return (
        block()
        .cut(cq.Workplane(origin=(18, 0, 0)).circle(3).extrude(20))
        .cut(cq.Workplane(origin=(18, -12, 20)).circle(2).extrude(-10))
        .cut(cq.Workplane(origin=(-10, 0, 20)).rect(20, 12).extrude(-5).edges("|Z").fillet(2))
        .cut(cq.Workplane(origin=(0, 15, 20)).rect(60, 4).extrude(-3))
    )


KEY: list[tuple[Kind, dict[str, float]]] = [
    (Kind.HOLE, {"diameter_mm": 6, "depth_mm": 20}),
    (Kind.HOLE, {"diameter_mm": 4, "depth_mm": 10}),
    (Kind.POCKET, {"width_mm": 12, "length_mm": 20, "depth_mm": 5, "corner_radius_mm": 2}),
    (Kind.SLOT, {"width_mm": 4, "length_mm": 60, "depth_mm": 3}),
]


def solid_of(work: cq.Workplane) -> Any:
    return work.val().Solids()[0].wrapped  # type: ignore[union-attr]


def seen(shape: Any) -> list[Feature]:
    """Features of a solid; every one of its faces is in just one of them."""
    r = recognise(build_part(shape))
    assert sorted(f for x in r.features for f in x.faces) == list(range(len(r.part.faces)))
    return list(r.features)


def cuts(features: Sequence[Feature]) -> list[Feature]:
    return [f for f in features if f.kind != Kind.OUTSIDE_FACE]


def only(features: Sequence[Feature], kind: Kind) -> Feature:
    (feature,) = [f for f in features if f.kind == kind]
    return feature


def assert_key(features: Sequence[Feature], within_mm: float = 1e-3) -> None:
    left = cuts(features)
    for kind, dims in KEY:
        hit = next(
            f for f in left if f.kind == kind and all(abs(f.dims[k] - v) < within_mm for k, v in dims.items())
        )
        left.remove(hit)
    assert left == []


def types(shape: Any) -> set[str]:
    return {BRepAdaptor_Surface(TopoDS.Face_s(f)).GetType().name for f in each(shape, FACE)}


def split(shape: Any, *lines: tuple[Point, Point]) -> Any:
    """The solid with its faces cut along lines that lie on them."""
    tools, whole = TopTools_ListOfShape(), TopTools_ListOfShape()
    for a, b in lines:
        tools.Append(cq.Edge.makeLine(cq.Vector(*a), cq.Vector(*b)).wrapped)
    whole.Append(shape)
    splitter = BRepAlgoAPI_Splitter()
    splitter.SetArguments(whole)
    splitter.SetTools(tools)
    splitter.Build()
    return each(splitter.Shape(), SOLID)[0]


def test_cylinders_as_surfaces_of_revolution() -> None:
    shape = ShapeCustom.ConvertToRevolution_s(solid_of(key_part()))
    assert "GeomAbs_SurfaceOfRevolution" in types(shape)
    assert "GeomAbs_Cylinder" not in types(shape)
    assert_key(seen(shape))


def test_planes_and_cylinders_as_surfaces_of_extrusion() -> None:
    sheet = (
        cq.Workplane().rect(60, 40).extrude(1)
        .cut(cq.Workplane().rect(20, 12).extrude(1).edges("|Z").fillet(2))
        .cut(cq.Workplane(origin=(20, 0, 0)).circle(3).extrude(1))
        .faces("<Z").val()
    )  # fmt: skip
    shape = BRepPrimAPI_MakePrism(as_bsplines(sheet.wrapped), gp_Vec(0, 0, 20)).Shape()
    assert types(shape) == {"GeomAbs_SurfaceOfExtrusion", "GeomAbs_BSplineSurface"}
    features = seen(each(shape, SOLID)[0])
    assert only(features, Kind.HOLE).dims["diameter_mm"] == pytest.approx(6, abs=1e-3)
    opening = only(features, Kind.THROUGH_PROFILE)
    for name, size in {"width_mm": 12, "length_mm": 20, "height_mm": 20, "corner_radius_mm": 2}.items():
        assert opening.dims[name] == pytest.approx(size, abs=1e-3)
    assert len(cuts(features)) == 2


@pytest.mark.parametrize("written", [lambda s: s, as_bsplines], ids=["cylinders", "splines"])
@pytest.mark.parametrize("count", [2, 3, 4])
def test_holes_in_patches(count: int, written: Callable[[Any], Any]) -> None:
    turns = [0.3 + 2 * math.pi * k / count for k in range(count)]
    around = [(18 + 3 * math.cos(t), 3 * math.sin(t)) for t in turns]
    whole = solid_of(key_part())
    shape = split(whole, *(((x, y, 0.0), (x, y, 20.0)) for x, y in around))
    assert len(each(shape, FACE)) == len(each(whole, FACE)) + count  # a face and a seam before
    assert_key(seen(written(shape)))


def test_faces_split_along_the_lines_of_features() -> None:
    shape = split(
        solid_of(key_part()),
        ((-30, 6, 20), (30, 6, 20)),  # the pocket's wall, carried across the top
        ((0, -20, 20), (0, 13, 20)),
        ((-20, -6, 15), (0, 6, 15)),  # its floor from corner to corner
        ((-30, -20, 15), (-30, 20, 15)),
        ((30, -20, 17), (30, 20, 17)),
    )
    assert len(each(shape, FACE)) > 27
    assert_key(seen(shape))


@pytest.mark.parametrize("size_mm", [1e-4, 1e-3, 1e-2])
def test_sliver_faces_and_tiny_edges(size_mm: float) -> None:
    e = size_mm
    shape = split(
        solid_of(key_part()),
        ((-30, -20 + e, 20), (30, -20 + e, 20)),  # a strip along the top's edge
        ((-30 + e, 13, 20), (-30 + e, -20, 20)),
        ((-30, -20, 10 + e), (30, -20, 10)),  # a wedge on a side: two lines that nearly meet
        ((-30, -20, 10 - e), (30, -20, 10)),
        ((30, 20 - e, 0), (30, 20, e)),  # a corner
        ((-18 + e, -6, 15), (-18 + e, 6, 15)),  # the pocket's floor, beside its corners
    )
    assert len(each(shape, FACE)) > 26
    assert_key(seen(shape))


@pytest.mark.parametrize("tolerance_mm", [1e-4, 1e-3, 1e-2])
def test_loose_tolerances(tolerance_mm: float) -> None:
    shape = solid_of(key_part())
    ShapeFix_ShapeTolerance().SetTolerance(shape, tolerance_mm)
    assert_key(seen(shape))


def test_coplanar_faces_merged() -> None:
    # Two halves of the block, glued with their seam left in, then with it taken out.
    half = cq.Workplane().box(30, 40, 20, centered=(False, True, False))
    glued = half.union(half.translate((-30, 0, 0)))
    part = key_part().val().intersect(glued.val())  # type: ignore[union-attr, arg-type]
    assert_key(seen(part.Solids()[0].wrapped))
    assert_key(seen(part.clean().Solids()[0].wrapped))


@pytest.mark.parametrize("width_mm", [0.002, 0.004])
def test_a_ledge_left_by_modelling_is_doubted(width_mm: float) -> None:
    ledge = cq.Workplane(origin=(-10, 6, 18)).rect(16, 2 * width_mm).extrude(2)
    features = cuts(seen(solid_of(key_part().cut(ledge))))
    sound = [f for f in features if f.confidence > 0.4]
    assert_key(sound)
    assert all(f.confidence <= 0.3 for f in features if f not in sound)


@pytest.mark.parametrize("lean_deg", [0.25, 1.0, 5.0])
@pytest.mark.parametrize("corner_mm", [0.0, 2.0])
def test_drafted_pockets(lean_deg: float, corner_mm: float) -> None:
    """A pocket stays a pocket: its sizes are those at the mouth, its corner radius the smallest, below."""
    sketch = cq.Workplane(origin=(0, 0, 20)).sketch().rect(20, 12)
    sketch = sketch.vertices().fillet(corner_mm) if corner_mm else sketch
    pocket = only(
        cuts(seen(solid_of(block().cut(sketch.finalize().extrude(-5, taper=lean_deg))))), Kind.POCKET
    )
    wanted = {"width_mm": 12, "length_mm": 20, "depth_mm": 5, "wall_angle_deg": lean_deg}
    wanted["corner_radius_mm"] = max(0.0, corner_mm - 5 * math.tan(math.radians(lean_deg)))
    for name, size in wanted.items():
        assert pocket.dims[name] == pytest.approx(size, abs=1e-3), name
    assert pocket.roles[pocket.faces_with(Role.FLOOR)[0]] == Role.FLOOR
    assert len(pocket.faces_with(Role.FLOOR)) == 1


@pytest.mark.parametrize("lean_deg", [0.25, 1.0, 5.0])
def test_drafted_slots_and_openings(lean_deg: float) -> None:
    lean = 6 * math.tan(math.radians(lean_deg))
    profile = cq.Workplane("XZ", origin=(0, 30, 20)).polyline(
        [(-5, 0), (5, 0), (5 - lean, -6), (-5 + lean, -6)]
    )
    slot = only(cuts(seen(solid_of(block().cut(profile.close().extrude(60))))), Kind.SLOT)
    opening = block().cut(cq.Workplane(origin=(0, 0, 20)).rect(20, 12).extrude(-20, taper=lean_deg))
    through = only(cuts(seen(solid_of(opening))), Kind.THROUGH_PROFILE)
    assert [slot.dims[k] for k in ("width_mm", "depth_mm")] == pytest.approx([10, 6], abs=1e-3)
    assert [through.dims[k] for k in ("width_mm", "length_mm")] == pytest.approx([12, 20], abs=1e-3)
    assert slot.dims["wall_angle_deg"] == pytest.approx(lean_deg, abs=1e-3)
    assert through.dims["wall_angle_deg"] == pytest.approx(lean_deg, abs=1e-3)


def with_variable_fillet(work: cq.Workplane, edges: Sequence[Any], start_mm: float, end_mm: float) -> Any:
    make = BRepFilletAPI_MakeFillet(solid_of(work))
    for edge in edges:
        make.Add(start_mm, end_mm, edge.wrapped)
    return each(make.Shape(), SOLID)[0]


SQUARE = block().cut(cq.Workplane(origin=(0, 0, 20)).rect(20, 12).extrude(-5))


@pytest.mark.parametrize(("edge", "ends"), [("|Z and >X and >Y", (1, 4)), (">Z and |X and >Y", (1, 3))])
def test_rounds_of_variable_radius(edge: str, ends: tuple[float, float]) -> None:
    features = cuts(seen(with_variable_fillet(SQUARE, SQUARE.edges(edge).vals(), *ends)))
    broken = only(features, Kind.EDGE_ROUND)
    assert (broken.dims["radius_mm"], broken.dims["largest_radius_mm"]) == pytest.approx(ends, abs=0.01)
    assert {f.kind for f in features} == {Kind.EDGE_ROUND, Kind.POCKET}


def test_fillets_of_variable_radius_stay_in_their_pocket() -> None:
    corners = [e for e in SQUARE.edges("|Z").vals() if abs(e.Center().x) < 15]
    pocket = only(cuts(seen(with_variable_fillet(SQUARE, corners, 1, 2))), Kind.POCKET)
    assert pocket.dims["corner_radius_mm"] == pytest.approx(1, abs=0.01)
    assert len(pocket.faces_with(Role.CORNER)) == 4
    feet = [e for e in SQUARE.edges("|X").vals() if abs(e.Center().z - 15) < 1e-6]
    pocket = only(cuts(seen(with_variable_fillet(SQUARE, feet, 0.5, 1.5))), Kind.POCKET)
    assert pocket.dims["floor_radius_mm"] == pytest.approx(0.5, abs=0.01)
    assert [pocket.dims[k] for k in ("width_mm", "length_mm", "depth_mm")] == pytest.approx(
        [12, 20, 5], abs=1e-3
    )


def test_nurbs_conversion_is_what_it_says() -> None:
    shape = BRepBuilderAPI_NurbsConvert(solid_of(key_part()), True).Shape()
    assert types(shape) == {"GeomAbs_BSplineSurface"}
    assert_key(seen(shape))

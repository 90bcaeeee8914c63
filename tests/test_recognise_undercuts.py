"""Undercut recesses of known construction: T-slots, dovetails, grooves in walls; and what only looks so."""

from __future__ import annotations

import math
from dataclasses import replace

import cadquery as cq
import numpy as np
import pytest
from OCP.BRepBuilderAPI import BRepBuilderAPI_Transform

from featurize.brep.build import build_part
from featurize.feature import Feature, Kind, Role
from featurize.recognise import recognise
from featurize.recognise.scene import Scene
from featurize.recognise.undercuts import _before
from tests.support import undercut_parts as parts
from tests.support.transforms import motion


def features(body: cq.Workplane, *, moved: bool = False) -> list[Feature]:
    shape = body.val().Solids()[0].wrapped  # type: ignore[union-attr]
    if moved:
        shape = BRepBuilderAPI_Transform(shape, motion((1, 2, 3), 40, (7, -5, 11)), True).Shape()
    found = list(recognise(build_part(shape)).features)
    return [f for f in found if f.kind != Kind.OUTSIDE_FACE]


def only(body: cq.Workplane, *, moved: bool = False) -> Feature:
    (feature,) = features(body, moved=moved)
    assert Role.ROOF in feature.roles.values()
    return feature


def sizes(feature: Feature, **wanted: float) -> None:
    assert {k: feature.dims[k] for k in wanted} == pytest.approx(wanted, abs=1e-3)


TEES = [
    (parts.THROUGH, Kind.SLOT, 3, 60.0),
    (parts.ONE_END, Kind.BLIND_SLOT, 2, 40.0),
    (parts.CLOSED, Kind.POCKET, 1, 40.0),
]


@pytest.mark.parametrize("moved", [False, True])
@pytest.mark.parametrize("square", [False, True])
@pytest.mark.parametrize(("ends", "kind", "sides", "length"), TEES)
def test_tee(
    ends: tuple[float, float], kind: Kind, sides: int, length: float, square: bool, moved: bool
) -> None:
    feature = only(parts.tee(ends, square=square), moved=moved)
    assert (feature.kind, len(feature.opens_to)) == (kind, sides)
    sizes(feature, neck_width_mm=6, head_width_mm=12, head_height_mm=4, depth_mm=9, length_mm=length)
    assert "flank_angle_deg" not in feature.dims


def test_a_floor_that_has_no_mesh_is_looked_at_all_the_same() -> None:
    """Broken faces have none; their samples stand off the face as its facets' points would."""
    part = build_part(cq.Workplane().box(20, 20, 10).val().wrapped)
    top = next(f.id for f in part.faces if f.low[2] > 4.9)
    bare = part.mesh.face_ids != top
    mesh = replace(part.mesh, triangles=part.mesh.triangles[bare], face_ids=part.mesh.face_ids[bare])
    scene = Scene(replace(part, mesh=mesh), frozenset())
    assert _before(scene, [top])[:, 2] == pytest.approx(5 + 2 * mesh.deflection_mm)


def test_a_place_to_plunge_belongs_to_the_slot() -> None:
    feature = only(parts.plunged())
    assert (feature.kind, feature.opens_to) == (Kind.POCKET, ("+z",))
    sizes(feature, neck_width_mm=6, head_width_mm=12, head_height_mm=4, depth_mm=9, length_mm=40)


@pytest.mark.parametrize("deep", [3, 14])
@pytest.mark.parametrize("body", [parts.tee(parts.THROUGH), parts.dovetail(parts.THROUGH)])
def test_a_slot_across_parts_no_undercut(body: cq.Workplane, deep: float) -> None:
    crossed = body.cut(cq.Workplane(origin=(0, 0, parts.HEIGHT - deep)).rect(8, 80).extrude(20))
    under, plain = sorted(features(crossed), key=lambda f: "neck_width_mm" not in f.dims)
    assert (under.kind, plain.kind) == (Kind.SLOT, Kind.SLOT)
    whole = only(body)
    sizes(under, **{k: whole.dims[k] for k in ("neck_width_mm", "head_width_mm", "length_mm")})
    sizes(plain, width_mm=8, depth_mm=deep, length_mm=40)


def test_a_broken_mouth_leaves_the_depth() -> None:
    rim = cq.selectors.BoxSelector((-31, -3.1, 19.9), (31, 3.1, 20.1))
    found = features(parts.tee(parts.THROUGH).edges(rim).chamfer(0.5))
    (slot,) = (f for f in found if f.kind == Kind.SLOT)
    assert sorted(f.kind for f in found if f is not slot) == [Kind.CHAMFER] * 2
    sizes(slot, neck_width_mm=6, depth_mm=9)


def test_two_slots_in_line_stay_two() -> None:
    ends = [(-40.0, -8.0), (8.0, 40.0)]
    body = parts.tee(ends[0], square=True).intersect(parts.tee(ends[1], square=True))
    assert [f.kind for f in features(body)] == [Kind.BLIND_SLOT] * 2


@pytest.mark.parametrize("angle", [45, 60])
@pytest.mark.parametrize(("ends", "kind", "sides", "length"), TEES)
def test_dovetail(ends: tuple[float, float], kind: Kind, sides: int, length: float, angle: float) -> None:
    feature = only(parts.dovetail(ends, angle_deg=angle))
    assert (feature.kind, len(feature.opens_to)) == (kind, sides)
    sizes(
        feature,
        neck_width_mm=8,
        head_width_mm=8 + 2 * 5 / math.tan(math.radians(angle)),
        depth_mm=5,
        flank_angle_deg=angle,
        length_mm=length,
    )


@pytest.mark.parametrize("body", [parts.wall_groove(), parts.ring_groove()])
def test_a_groove_in_walls(body: cq.Workplane) -> None:
    found = {f.kind: f for f in features(body)}
    assert set(found) == {Kind.GROOVE, Kind.POCKET}
    sizes(found[Kind.GROOVE], width_mm=3, depth_mm=2)
    sizes(found[Kind.POCKET], width_mm=20, length_mm=30, depth_mm=12, corner_radius_mm=4)


def test_a_turned_groove_with_leaning_flanks() -> None:
    # Mouth 3 wide at radius 10, floor 5 wide at radius 12.
    ring = cq.Workplane("XZ").polyline([(9, 8.5), (10, 9), (12, 8), (12, 13), (10, 12), (9, 12.5)]).close()
    body = parts.block().cut(cq.Workplane().circle(10).extrude(20)).cut(ring.revolve(360, (0, 0), (0, 1)))
    found = {f.kind: f for f in features(body)}
    assert set(found) == {Kind.GROOVE, Kind.HOLE}
    sizes(found[Kind.GROOVE], diameter_mm=24, depth_mm=2, neck_width_mm=3, head_width_mm=5)


def test_a_cut_with_a_free_way_in_from_the_side_is_no_undercut() -> None:
    step = parts.block().cut(cq.Workplane(origin=(0, 15, 10)).rect(80, 20).extrude(20))
    body = step.cut(cq.Workplane(origin=(0, 4, 12)).rect(80, 6).extrude(3))
    (slot,) = (f for f in features(body) if f.kind == Kind.SLOT)
    assert Role.ROOF not in slot.roles.values()
    sizes(slot, width_mm=3, depth_mm=4, length_mm=60)


def test_a_pocket_over_a_tunnel_is_no_tee() -> None:
    tunnel = cq.Workplane(origin=(0, 0, 5)).rect(80, 14).extrude(5)
    body = parts.block().cut(tunnel).cut(cq.Workplane(origin=(0, 0, 5)).rect(20, 8).extrude(20))
    assert not any("neck_width_mm" in f.dims for f in features(body))


def test_a_dome_that_ends_a_bore_is_a_contoured_surface() -> None:
    # A flat of 8 in the middle of a shallow dome, as a lathe leaves it; most of the floor is curved.
    profile = cq.Workplane("XZ").moveTo(0, 21).lineTo(0, 6).lineTo(4, 6)
    dome = profile.spline([(9, 7.2), (14, 11)], tangents=[(1, 0), (1, 1.6)], includeCurrent=True)
    body = cq.Workplane().circle(20).extrude(20).cut(dome.lineTo(14, 21).close().revolve(360, (0, 0), (0, 1)))
    found = features(body)
    assert Kind.CONTOURED_SURFACE in {f.kind for f in found}
    floors = [f for f in found if f.kind == Kind.FLOOR]
    assert all(f.dims["width_mm"] <= 8 + 1e-3 for f in floors)
    assert np.isfinite([v for f in found for v in f.dims.values()]).all()

"""Recognition of single features and crossings, each against the sizes it was built with."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

import cadquery as cq
import numpy as np
import pytest
from support.transforms import as_bsplines, mirrored, moved, with_split_faces

from featurize.brep.build import build_part
from featurize.feature import Feature, Kind, Role
from featurize.recognise import Recognition, recognise
from tests.support.sampled import few


def seen(work: cq.Workplane) -> Recognition:
    solid = work.val()
    assert isinstance(solid, cq.Shape)
    return recognise(build_part(solid.Solids()[0].wrapped))


def only(recognition: Recognition, kind: Kind) -> Feature:
    (feature,) = [f for f in recognition.features if f.kind == kind]
    return feature


def block(x: float = 60, y: float = 40, z: float = 20) -> cq.Workplane:
    return cq.Workplane().box(x, y, z, centered=(True, True, False))


def box(x: float, y: float, z: float, at: tuple[float, float, float]) -> cq.Workplane:
    """A tool that hangs from ``at`` (the middle of its top)."""
    return cq.Workplane(origin=at).rect(x, y).extrude(-z)


def close(feature: Feature, **dims: float) -> None:
    for name, value in dims.items():
        assert feature.dims[name] == pytest.approx(value, abs=1e-3), (name, dict(feature.dims))


def test_every_face_is_in_exactly_one_feature() -> None:
    r = seen(crossing())
    faces = [f for feature in r.features for f in feature.faces]
    assert sorted(faces) == list(range(len(r.part.faces)))


def test_counterbored_blind_hole_with_drill_point() -> None:
    profile = [(0, 0), (2.7, 0), (2.7, 1.4), (2.1, 1.4), (2.1, 12), (0, 12 + 2.1 / np.tan(np.radians(59)))]
    tool = cq.Workplane("XZ").polyline(profile).close().revolve(360, (0, 0, 0), (0, 1, 0))
    hole = next(f for f in seen(block().cut(tool)).features if f.kind in (Kind.HOLE, Kind.THREADED_HOLE))
    close(
        hole,
        diameter_mm=4.2,
        depth_mm=12,
        counterbore_diameter_mm=5.4,
        counterbore_depth_mm=1.4,
        point_angle_deg=118,
    )
    assert len(hole.opens_to) == 1


def test_countersunk_through_hole() -> None:
    hole = only(seen(block().faces(">Z").workplane().cskHole(4, 8, 90)), Kind.HOLE)
    close(hole, diameter_mm=4, countersink_diameter_mm=8, countersink_angle_deg=90)
    assert len(hole.opens_to) == 2


def test_die_opening_with_land_and_relief() -> None:
    opening = cq.Workplane(origin=(0, 0, 16)).rect(16, 10).extrude(4).edges("|Z").fillet(1)
    relief = (
        cq.Workplane(origin=(0, 0, 16))
        .sketch()
        .rect(16, 10)
        .vertices()
        .fillet(1)
        .finalize()
        .extrude(-16, taper=-0.7)
    )
    r = seen(block().cut(opening).cut(relief))
    profile = only(r, Kind.THROUGH_PROFILE)
    close(profile, width_mm=10, length_mm=16, height_mm=20, land_mm=4, taper_deg=0.7, corner_radius_mm=1)
    assert Counter(profile.roles.values()) == {Role.LAND: 8, Role.RELIEF: 8}
    # The land is on the working side (common practice, no source).
    assert np.allclose(r.part.frame.axes[2], (0, 0, 1))


def test_pocket_with_floor_fillets_island_and_ribs() -> None:
    tool = box(30, 20, 3, (0, 0, 20)).edges("|Z").fillet(2)
    for y in (-4, 0, 4):
        tool = tool.cut(box(20, 0.8, 1.5, (0, y, 18.5)))
    tool = tool.cut(cq.Workplane(origin=(12, 0, 17)).circle(1.5).extrude(3))
    r = seen(block().cut(tool))
    close(only(r, Kind.POCKET), width_mm=20, length_mm=30, depth_mm=3, corner_radius_mm=2)
    close(only(r, Kind.BOSS), diameter_mm=3, height_mm=3)
    ribs = [f for f in r.features if f.kind == Kind.RIB]
    assert len(ribs) == 3
    for rib in ribs:
        close(rib, width_mm=0.8, length_mm=20, height_mm=1.5)


def test_pocket_with_floor_fillet() -> None:
    tool = box(30, 20, 8, (0, 0, 20)).edges("|Z").fillet(3).faces("<Z").edges().fillet(1)
    close(
        only(seen(block().cut(tool)), Kind.POCKET),
        width_mm=20, length_mm=30, depth_mm=8, corner_radius_mm=3, floor_radius_mm=1,
    )  # fmt: skip


def crossing() -> cq.Workplane:
    work = block(60, 50, 20).cut(box(60, 6, 5, (0, 0, 20))).cut(box(8, 50, 5, (10, 0, 20)))
    work = work.cut(cq.Workplane(origin=(-15, 0, 0)).circle(2).extrude(20))
    work = work.cut(cq.Workplane("YZ", origin=(-30, -15, 8)).circle(1.5).extrude(60))
    return work.cut(cq.Workplane(origin=(-20, -15, 0)).circle(2.5).extrude(20))


def test_slots_that_share_a_floor_are_two_slots() -> None:
    slots = sorted(
        (f for f in seen(crossing()).features if f.kind == Kind.SLOT), key=lambda f: f.dims["width_mm"]
    )
    assert len(slots) == 2
    close(slots[0], width_mm=6, length_mm=60, depth_mm=5)
    close(slots[1], width_mm=8, length_mm=50, depth_mm=5)


def test_holes_that_cross_keep_their_own_sizes() -> None:
    holes = [f for f in seen(crossing()).features if f.kind in (Kind.HOLE, Kind.THREADED_HOLE)]
    sizes = sorted((round(h.dims["diameter_mm"], 3), round(h.dims["depth_mm"], 3)) for h in holes)
    assert sizes == [(3, 60), (4, 15), (5, 20)]


def test_nested_pockets_and_a_passage_in_the_floor() -> None:
    work = block().cut(box(30, 20, 8, (0, 0, 20)).edges("|Z").fillet(3))
    work = work.cut(box(10, 8, 4, (0, 0, 12)).edges("|Z").fillet(2)).cut(box(4, 3, 8, (0, 0, 8)))
    r = seen(work)
    inner, outer = sorted((f for f in r.features if f.kind == Kind.POCKET), key=lambda f: f.dims["width_mm"])
    close(inner, width_mm=8, length_mm=10, depth_mm=4, corner_radius_mm=2)
    close(outer, width_mm=20, length_mm=30, depth_mm=8, corner_radius_mm=3)
    close(only(r, Kind.THROUGH_PROFILE), width_mm=3, length_mm=4, corner_radius_mm=0)


def test_t_slot_is_one_slot() -> None:
    section = [(-4, 0), (-4, -5), (-7, -5), (-7, -9), (7, -9), (7, -5), (4, -5), (4, 0)]
    tool = cq.Workplane("XZ", origin=(0, 40, 20)).polyline(section).close().extrude(80)
    slot = only(seen(block().cut(tool)), Kind.SLOT)
    assert len(slot.faces) == 7
    close(slot, depth_mm=9, length_mm=40)


def test_keyhole_is_one_opening() -> None:
    key = cq.Workplane().circle(4).extrude(20).union(cq.Workplane().center(6, 0).rect(10, 3).extrude(20))
    profile = only(seen(block().cut(key)), Kind.THROUGH_PROFILE)
    assert len(profile.faces) == 4


def test_rounds_and_chamfers() -> None:
    r = seen(block().edges("|Z").fillet(2).faces("<Z").edges(">X").chamfer(0.5))
    rounds = [f for f in r.features if f.kind == Kind.EDGE_ROUND]
    assert [f.dims["radius_mm"] for f in rounds] == [pytest.approx(2)] * 4
    close(only(r, Kind.CHAMFER), width_mm=0.5, angle_deg=45)


def test_contoured_outline() -> None:
    outline = cq.Workplane().lineTo(30, 0).threePointArc((40, 12), (30, 25)).lineTo(10, 25)
    work = outline.spline([(5, 18), (-3, 10)], includeCurrent=True).close().extrude(12)
    profile = only(seen(work), Kind.OUTSIDE_PROFILE)
    assert len(profile.faces) == 5


def with_modelled_thread(left_hand: bool) -> cq.Workplane:
    """An M5 x 0.8 with helical flanks, 14 deep."""
    minor, pitch, bottom = 4.134, 0.8, 6.0
    start = cq.Vector(0, 0, bottom + pitch)
    helix = cq.Wire.makeHelix(pitch, 14 - 2 * pitch, minor / 2, center=start, lefthand=left_hand)
    flank = [(minor / 2 - 0.1, -0.34), (2.5, -0.05), (2.5, 0.05), (minor / 2 - 0.1, 0.34)]
    profile = cq.Workplane("XZ", origin=start.toTuple()).polyline(flank).close()
    tool = profile.sweep(cq.Workplane(obj=helix), isFrenet=True)
    return block().faces(">Z").workplane().hole(minor, 14).cut(tool)


@pytest.mark.parametrize("left_hand", few([True, False], 1))
@pytest.mark.parametrize(
    "change", few([lambda s: moved(s, (1, 2, 3), 50, (1, 2, 3)), lambda s: s, as_bsplines], 1)
)
def test_modelled_thread(left_hand: bool, change: Callable[[object], object]) -> None:
    shape = cq.Shape.cast(change(with_modelled_thread(left_hand).val().wrapped))  # type: ignore[union-attr]
    hole = only(recognise(build_part(shape.Solids()[0].wrapped)), Kind.THREADED_HOLE)
    assert hole.thread is not None
    assert hole.thread.designation == "M5"
    assert hole.thread.left_hand == left_hand
    close(hole, pitch_mm=0.8, depth_mm=14)
    assert Role.THREAD in hole.roles.values()


def pattern() -> cq.Workplane:
    work = block().cut(box(14, 10, 6, (10, -5, 20))).cut(box(60, 5, 3, (0, 14, 20)))
    return work.faces("<Z").workplane().pushPoints([(20, 10), (-20, 10)]).hole(3.3, 8)


def signature(shape: object) -> Counter[tuple[str, tuple[tuple[str, float], ...], int]]:
    solid = cq.Shape.cast(shape).Solids()[0].wrapped  # type: ignore[arg-type]
    return Counter(
        (str(f.kind), tuple(sorted((k, round(v, 2)) for k, v in f.dims.items())), len(f.opens_to))
        for f in recognise(build_part(solid)).features
    )


@pytest.mark.parametrize("make", [pattern, crossing])
@pytest.mark.parametrize(
    "change",
    [
        lambda s: moved(s, (1, 2, 3), 37.3, (5, -80, 13)),
        mirrored,
        as_bsplines,
        with_split_faces,
        lambda s: as_bsplines(moved(s, (3, -1, 2), 211, (100, 2, 3))),
    ],
    ids=["moved", "mirrored", "bsplines", "split", "moved bsplines"],
)
def test_features_do_not_depend_on_how_the_model_is_written(
    make: Callable[[], cq.Workplane], change: Callable[[object], object]
) -> None:
    shape = make().val().wrapped  # type: ignore[union-attr]
    assert signature(change(shape)) == signature(shape)


@pytest.mark.parametrize("flats", [(0,), (0, 180), (0, 90)])
def test_a_disc_with_flats_has_one_outline(flats: tuple[int, ...]) -> None:
    """Its walls are the round and the flats, whatever is cut into them, and nothing of it is contoured."""
    disc = cq.Workplane().circle(20).extrude(12)
    flat = cq.Workplane(origin=(20, 0, 6)).rect(6, 40).extrude(12, both=True)
    for turn in flats:
        disc = disc.cut(flat.rotate((0, 0, 0), (0, 0, 1), turn))
    for motion in (((1, 0, 0), 0), ((1, 2, 3), 50)):
        found = recognise(build_part(moved(disc.val().wrapped, *motion)))
        (outline,) = [f for f in found.features if f.kind == Kind.OUTSIDE_PROFILE]
        assert outline.dims["height_mm"] == pytest.approx(12, abs=1e-3)
        assert len(outline.faces) == len(found.part.faces) - 2

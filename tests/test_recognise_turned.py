"""Turned work: grooves in shafts and bores, and turned diameters, with the sizes they were built with."""

from __future__ import annotations

import cadquery as cq
import pytest
from support.transforms import as_bsplines, mirrored, moved, with_split_faces

from featurize.brep.build import build_part
from featurize.feature import Feature, Kind
from featurize.recognise import recognise

Profile = list[tuple[float, float]]


def turned(profile: Profile) -> cq.Workplane:
    """A profile of (radius, height) turned about z."""
    return cq.Workplane("XZ").polyline(profile).close().revolve(360, (0, 0, 0), (0, 1, 0))


def ring(inner: float, outer: float, low: float, high: float) -> cq.Workplane:
    return turned([(inner, low), (outer, low), (outer, high), (inner, high)])


def seen(work: cq.Workplane) -> list[Feature]:
    return list(recognise(build_part(work.val().Solids()[0].wrapped)).features)  # type: ignore[union-attr]


def grooves(features: list[Feature]) -> list[tuple[float, float, float]]:
    return sorted(
        tuple(round(f.dims[k], 3) for k in ("diameter_mm", "width_mm", "depth_mm"))  # type: ignore[misc]
        for f in features
        if f.kind == Kind.GROOVE
    )


PUNCH = ring(0, 10, 0, 40).union(ring(0, 15, 0, 6))  # a shank of 20 on a head of 30
BUSH = ring(8, 20, 0, 30)


def test_grooves_in_a_shaft_and_at_its_shoulder() -> None:
    work = PUNCH.cut(ring(8.5, 12, 25, 27)).cut(ring(9.5, 12, 6, 8))
    features = seen(work)
    assert grooves(features) == [(17.0, 2.0, 1.5), (19.0, 2.0, 0.5)]
    (shank,) = [f for f in features if f.kind == Kind.BOSS]
    assert shank.dims["diameter_mm"] == pytest.approx(20)
    assert all(f.kind != Kind.UNASSIGNED for f in features)


def test_grooves_in_a_bore_leave_one_plain_hole() -> None:
    features = seen(BUSH.cut(ring(7, 9.5, 12, 15)).cut(ring(7, 8.8, 20, 21.3)))
    assert grooves(features) == [(17.6, 1.3, 0.8), (19.0, 3.0, 1.5)]
    (bore,) = [f for f in features if f.kind in (Kind.HOLE, Kind.THROUGH_PROFILE)]
    assert bore.dims["diameter_mm"] == pytest.approx(16)
    assert "counterbore_diameter_mm" not in bore.dims


def test_round_and_pointed_grooves() -> None:
    half_round = cq.Workplane("XZ").center(10, 20).circle(1).revolve(360, (-10, 0, 0), (-10, 1, 0))
    assert grooves(seen(PUNCH.cut(half_round))) == [(18.0, 2.0, 1.0)]
    pointed = turned([(8, 20), (11, 17), (11, 23)])
    assert grooves(seen(PUNCH.cut(pointed))) == [(16.0, 4.0, 2.0)]


def test_groove_that_a_keyway_crosses() -> None:
    work = PUNCH.cut(ring(8.5, 12, 25, 27)).cut(cq.Workplane(origin=(9.5, 0, 30)).box(2, 4, 20))
    assert grooves(seen(work)) == [(17.0, 2.0, 1.5)]


@pytest.mark.parametrize(
    "work",
    [
        PUNCH,
        BUSH.cut(ring(7, 12, 20, 30)),  # a counterbore
        BUSH.cut(ring(7, 12, 20, 30)).cut(ring(7, 11, 0, 5)),  # one on each side
        turned([(0, 0), (10, 0), (12, 20), (0, 20)]),  # a taper
        cq.Workplane()
        .box(40, 40, 5)
        .union(ring(0, 8, 0, 30))
        .union(cq.Workplane(origin=(0, 0, 30)).box(40, 40, 5)),
        cq.Workplane().box(60, 40, 20).faces(">Z").workplane().slot2D(30, 10).cutBlind(-5),
    ],
    ids=["shoulder", "counterbore", "two counterbores", "taper", "pin between plates", "obround pocket"],
)
def test_what_is_no_groove(work: cq.Workplane) -> None:
    assert grooves(seen(work)) == []


@pytest.mark.parametrize("change", [as_bsplines, mirrored, with_split_faces])
def test_grooves_however_they_are_written(change: object) -> None:
    work = PUNCH.cut(ring(8.5, 12, 25, 27)).cut(ring(0, 3, 0, 40)).cut(ring(0, 4, 10, 12))
    shape = change(moved(work.val().Solids()[0].wrapped, (1, 2, 3), 33))  # type: ignore[operator, union-attr]
    features = seen(cq.Workplane(cq.Shape.cast(shape)))
    assert grooves(features) == [(8.0, 2.0, 1.0), (17.0, 2.0, 1.5)]

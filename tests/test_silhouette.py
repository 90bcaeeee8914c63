"""Silhouettes against closed forms of plane geometry."""

from __future__ import annotations

import math

import cadquery as cq
import numpy as np
import pytest
import shapely
import shapely.affinity

from featurize import tolerances as tol
from featurize.brep.build import build_part
from featurize.brep.part import Part
from featurize.brep.silhouette import below, envelope, merged, silhouette

X, Z = np.array([1.0, 0, 0]), np.array([0, 0, 1.0])


def part(work: cq.Workplane) -> Part:
    return build_part(work.val().wrapped)


def test_block_with_a_channel_casts_a_u() -> None:
    body = cq.Workplane().box(40, 30, 20).faces(">Z").workplane().rect(40, 8).cutBlind(-5)
    cast = silhouette(part(body), X, up=Z)
    assert cast.polygon.area == pytest.approx(30 * 20 - 8 * 5, rel=1e-9)
    assert np.allclose(np.cross(cast.view.up, cast.view.along), cast.view.across)


def test_blind_channel_is_hidden() -> None:
    body = cq.Workplane().box(40, 30, 20).faces(">Z").workplane().center(5, 0).rect(40, 8).cutBlind(-5)
    assert silhouette(part(body), X, up=Z).polygon.area == pytest.approx(600, rel=1e-9)


def test_box_on_its_corner_casts_a_hexagon() -> None:
    # A unit cube along its diagonal: regular hexagon of area sqrt(3) (elementary geometry).
    body = cq.Workplane().box(1, 1, 1)
    diagonal = np.ones(3) / math.sqrt(3)
    assert silhouette(part(body), diagonal).polygon.area == pytest.approx(math.sqrt(3), rel=1e-5)


@pytest.mark.parametrize("radius", [3.0, 25.0])
def test_ball_lies_inside_its_circle_by_the_deflection(radius: float) -> None:
    cast = silhouette(part(cq.Workplane().sphere(radius)), X, up=Z)
    area = cast.polygon.area
    assert area <= math.pi * radius**2 + 1e-6
    assert area >= math.pi * (radius - 2 * tol.MESH_DEFLECTION_MM) ** 2


def test_through_hole_stays_open() -> None:
    body = cq.Workplane().box(20, 20, 10).faces(">Z").workplane().rect(4, 6).cutThruAll()
    assert silhouette(part(body), Z).polygon.area == pytest.approx(400 - 24, rel=1e-9)


def test_envelope_of_a_channel_has_its_jumps() -> None:
    body = cq.Workplane().box(40, 30, 20).faces(">Z").workplane().rect(40, 8).cutBlind(-5)
    cast = silhouette(part(body), X, up=Z)
    line = envelope(cast.polygon)
    assert np.ptp(line[:, 0]) == pytest.approx(30)
    assert line[:, 1].max() - line[:, 1].min() == pytest.approx(5)
    assert below(line, line[:, 1].min() - 15).area == pytest.approx(560, rel=1e-6)


def test_envelope_ignores_an_undercut() -> None:
    # A T-slot hides its wide part from above.
    body = (
        cq.Workplane("YZ")
        .polyline(
            [
                (0, 0),
                (30, 0),
                (30, 20),
                (19, 20),
                (19, 12),
                (23, 12),
                (23, 6),
                (7, 6),
                (7, 12),
                (11, 12),
                (11, 20),
                (0, 20),
            ]
        )
        .close()
        .extrude(40)
    )
    line = envelope(silhouette(part(body), X, up=Z).polygon)
    heights = line[:, 1] - line[:, 1].max()
    span = np.sort(line[heights < -13.9, 0])
    assert span[-1] - span[0] == pytest.approx(8, abs=1e-5)


def test_merging_regions_whose_sides_nearly_meet_makes_no_corners() -> None:
    # Unions on the grid alone have made hundreds of corners of this square after forty.
    square = shapely.affinity.rotate(shapely.box(0, 0, 40, 40), 17.3)
    whole = square
    for k in range(40):
        whole = merged([whole, shapely.affinity.rotate(square, 2e-6 * (-1) ** k * k)])
    assert shapely.get_num_coordinates(whole) < 20
    assert whole.symmetric_difference(square).area < square.length * 1e-4

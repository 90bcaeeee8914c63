"""What a dry run reckons by points and lines, beside closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from manifold3d import Manifold

from routing.dryrun.columns import boolean_doubt_mm3
from routing.dryrun.contact import untouched
from routing.dryrun.pieces import corners_of
from routing.dryrun.reach import Above, Round
from routing.dryrun.sampling import contains, sampled

UP = np.array([0.0, 0.0, 1.0])


def tray(lean_deg: float = 0.0) -> Manifold:
    """A square pocket of 20 with sharp feet, its floor about 5 deep and tilted."""
    block = Manifold.cube((40.0, 40.0, 20.0), True)
    floor = Manifold.cube((80.0, 80.0, 40.0), True).translate((0.0, 0.0, 25.0)).rotate((0.0, lean_deg, 0.0))
    return block - (Manifold.cube((20.0, 20.0, 60.0), True) ^ floor)


def floor_of(solid: Manifold) -> np.ndarray:
    corners = corners_of(solid)
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    up = normals[:, 2] > 0.5 * np.linalg.norm(normals, axis=1)
    return corners[up & (corners[:, :, 2].max(axis=1) < 9.0)]


@pytest.mark.parametrize("radius_mm", [1.0, 3.0])
def test_a_ball_leaves_its_corner_at_a_square_foot(radius_mm: float) -> None:
    """In a square foot a ball stays off by R (sqrt 2 - 1), where three walls meet by R (sqrt 3 - 1)."""
    solid = tray()
    missed = untouched(floor_of(solid), corners_of(solid), [Round(radius_mm, radius_mm)], 0.03)
    assert len(missed.points)
    assert 0.6 * (math.sqrt(2) - 1) < missed.gaps_mm.max() / radius_mm < 1.05 * (math.sqrt(3) - 1)
    near = 10.0 - np.abs(missed.points[:, :2]).max(axis=1)
    assert near.max() < radius_mm


@pytest.mark.parametrize("lean_deg", [0.0, 8.0])
def test_a_flat_cutter_beside_the_ball_gets_to_the_foot(lean_deg: float) -> None:
    """At a wall below a slope of angle a its disc of radius r rides 2 r tan a high, elsewhere less."""
    solid, radius_mm = tray(lean_deg), 1.0
    tools = [Round(3.0, 3.0), Round(radius_mm, 0.02)]
    missed = untouched(floor_of(solid), corners_of(solid), tools, 0.03)
    inner = 10.0 - np.abs(missed.points[:, :2]).min(axis=1)
    gaps = missed.gaps_mm[inner > radius_mm]  # in the corners of the plan a round tool stays off
    assert gaps.max(initial=0.0) <= 2.1 * radius_mm * math.tan(math.radians(lean_deg)) + 0.001
    assert bool(len(gaps)) == (lean_deg > 0)


def test_lines_agree_with_a_boolean_and_see_a_wrong_one() -> None:
    block = Manifold.cube((30.0, 20.0, 10.0))
    bore = Manifold.cylinder(30.0, 4.0, 4.0, 64).translate((11.0, 9.0, -5.0))
    left = block - bore
    assert boolean_doubt_mm3(block, bore, left, UP) < 1e-6
    assert boolean_doubt_mm3(block, bore, left, np.array([1.0, 0, 0])) < 1e-6
    missing = math.pi * 16 * 10
    assert boolean_doubt_mm3(block, bore, block, UP) == pytest.approx(missing, rel=0.05)


def test_points_lie_evenly_on_a_box_and_within_it() -> None:
    box = corners_of(Manifold.cube((10.0, 10.0, 2.0)))
    points, normals = sampled(box, 4000)
    top = np.mean(normals[:, 2] > 0.5)
    assert top == pytest.approx(100 / 280, abs=0.01)
    assert contains(box, points - 0.01 * normals).all()
    assert not contains(box, points + 0.01 * normals).any()


def test_what_is_above_a_level_is_seen_under_an_overhang_too() -> None:
    """A block with a blind bore of radius 3 from above and, up to z 6, one of radius 5 from below."""
    sides = 256
    solid = Manifold.cube((20.0, 20.0, 10.0), False).translate((-10.0, -10.0, 0.0))
    solid -= Manifold.cylinder(4.0, 3.0, 3.0, sides).translate((0.0, 0.0, 8.0))
    solid -= Manifold.cylinder(6.0, 5.0, 5.0, sides).translate((0.0, 0.0, 0.0))
    above, bore = Above(solid), sides / 2 * 9 * math.sin(2 * math.pi / sides)
    assert above(9.0).area() == pytest.approx(400 - bore, abs=0.1)
    assert above(7.0).area() == pytest.approx(400.0, abs=1e-3)
    assert above(3.0).area() == pytest.approx(400.0, abs=1e-3)

"""Measuring on exact geometry, against closed forms of a block with two bores and a leaning face."""

from __future__ import annotations

import math
from typing import Any

import cadquery as cq
import pytest

from featurize.brep.shapes import EDGE, FACE, each
from featurize.measure import MeasureError, measured


@pytest.fixture(scope="module")
def solid() -> Any:
    """60 x 40 x 18, bores of 4.2 at (-20, 0) and of 6 at (20, 9), a slot of 8 along y at x = 0, 5 deep."""
    work = cq.Workplane().box(60, 40, 18, centered=(True, True, False))
    work = work.faces(">Z").workplane(origin=(0, 0, 18)).pushPoints([(-20, 0)]).hole(4.2)
    work = work.faces(">Z").workplane(origin=(0, 0, 18)).pushPoints([(20, 9)]).hole(6.0)
    work = work.cut(cq.Workplane(origin=(0, 0, 13)).rect(8, 60).extrude(10))
    wedge = (
        cq.Workplane("XZ", origin=(0, 30, 0)).moveTo(31, 18).lineTo(31, 8).lineTo(30 - 10 / math.tan(1.0), 18)
    )
    return work.cut(wedge.close().extrude(60)).val().wrapped


def _name(solid: Any, kind: Any, fits: Any) -> str:
    cast = cq.Shape.cast
    found = [n for n, s in enumerate(each(solid, kind)) if fits(cast(s))]
    assert len(found) == 1, found
    return f"{'f' if kind == FACE else 'e'}{found[0]}"


def _plane(solid: Any, x: float, y: float, z: float) -> str:
    """The flat face whose middle lies there; nan: anywhere along that axis."""

    def fits(face: Any) -> bool:
        if face.geomType() != "PLANE":
            return False
        at = face.Center().toTuple()
        return all(math.isnan(w) or abs(a - w) < 0.05 for a, w in zip(at, (x, y, z), strict=True))

    return _name(solid, FACE, fits)


def _bore(solid: Any, radius: float) -> str:
    return _name(
        solid,
        FACE,
        lambda f: f.geomType() == "CYLINDER" and abs(f._geomAdaptor().Cylinder().Radius() - radius) < 1e-9,
    )


ANY = math.nan


def test_pitch_wall_and_radius_of_bores(solid):
    found = measured(solid, None, _bore(solid, 2.1), _bore(solid, 3.0))
    pitch = math.hypot(40, 9)
    assert found.across_mm == pytest.approx(pitch, abs=1e-9)
    assert found.distance_mm == pytest.approx(pitch - 2.1 - 3.0, abs=1e-6)
    assert found.radii_mm == (pytest.approx(2.1), pytest.approx(3.0))
    assert (found.angle_deg, found.exact) == (pytest.approx(0), True)
    assert found.kinds == ("cylinder", "cylinder")


def test_a_wall_is_told_from_a_gap(solid):
    left, right = _plane(solid, -4, 0, ANY), _plane(solid, 4, 0, ANY)
    assert (measured(solid, None, left, right).distance_mm) == pytest.approx(8)
    assert measured(solid, None, left, right).through == "gap"
    floor, below = _plane(solid, 0, 0, 13), _plane(solid, ANY, ANY, 0)
    assert measured(solid, None, floor, below).distance_mm == pytest.approx(13)
    assert measured(solid, None, floor, below).through == "wall"
    end = _plane(solid, -30, 0, 9)
    wall = measured(solid, None, end, _bore(solid, 2.1))
    assert (wall.distance_mm, wall.through) == (pytest.approx(10 - 2.1, abs=1e-6), "wall")


def test_angles_of_faces_and_edges(solid):
    """The leaning face stands 1 rad (57.3 degrees) from the top... its foot and its run give the same."""
    leaning = _name(
        solid,
        FACE,
        lambda f: f.geomType() == "PLANE" and 0.1 < abs(f.normalAt().z) < 0.99,
    )
    below = _plane(solid, ANY, ANY, 0)
    run, rise = 31 - (30 - 10 / math.tan(1.0)), 10.0
    lean = math.degrees(math.atan2(rise, run))
    assert measured(solid, None, leaning, below).angle_deg == pytest.approx(lean, abs=1e-6)
    upright = _name(
        solid,
        EDGE,
        lambda e: e.geomType() == "LINE" and abs(e.Center().x + 30) < 1e-6 and abs(e.Center().y - 20) < 1e-6,
    )
    found = measured(solid, None, below, upright)
    assert found.angle_deg == pytest.approx(90)
    assert measured(solid, None, upright).length_mm == pytest.approx(18)
    assert measured(solid, None, below).area_mm2 == pytest.approx(
        60 * 40 - math.pi * (2.1**2 + 3.0**2), abs=1e-6
    )


@pytest.mark.parametrize("name", ["f999", "e999", "x1", "f", "f-1", "f²", ""])
def test_what_is_not_there_is_refused(solid, name):
    with pytest.raises(MeasureError, match="the part has no"):
        measured(solid, None, name)


def test_faces_go_by_their_numbers_as_read(solid):
    count = len(each(solid, FACE))
    shifted = list(range(100, 100 + count))
    assert measured(solid, shifted, "f100") == measured(solid, None, "f0")

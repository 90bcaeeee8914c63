"""Blanks: block, disc, ground cylinder, a customer's own; volumes by closed forms of elementary geometry."""

from __future__ import annotations

import math
from pathlib import Path

import cadquery as cq
import numpy as np
import pytest

from featurize.brep.build import build_part
from featurize.brep.part import Part
from featurize.brep.solids import volume_of
from featurize.recognise import recognise
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.processes.context import JobContext
from routing.processes.surface_grind.process import SurfaceGrind
from routing.stock.blank import Blank, Shape, blank_for, blank_from_step
from routing.stock.ground import GroundStock
from routing.stock.proof import prove
from tests.support.grinding import ground_stock

CORNER = 0.05  # of the default shop's wheels
FOOT = CORNER**2 * (1 - math.pi / 4)


def channelled(body: cq.Workplane) -> cq.Workplane:
    """A channel 8 wide along x, from 10 down to 5."""
    return body.cut(cq.Workplane().box(100, 8, 10).translate((0, 0, 10)))


def part_of(body: cq.Workplane) -> Part:
    return build_part(body.val().wrapped)


def ground(part: Part, blank: Blank) -> GroundStock:
    found, shop = recognise(part), load_shop()
    job = JobContext(part, found.features, shop, Choices())
    routed = [f for f in found.features if SurfaceGrind().judge(job, f).workable]
    assert len(routed) == 1
    stock = ground_stock(part, routed, blank, shop)
    assert prove(part, stock).faults == ()
    return stock


def step(body: cq.Workplane, path: Path) -> Path:
    cq.exporters.export(body, str(path))
    return path


def block() -> cq.Workplane:
    return cq.Workplane().box(40, 30, 20)


def test_block_with_a_margin() -> None:
    part = part_of(channelled(block()))
    blank = blank_for(part, margin_mm=0.5)
    assert blank.shape == Shape.BLOCK
    assert blank.volume_mm3 == pytest.approx(41 * 31 * 21)
    # The wheel runs out of the margin at both ends and through that on top.
    assert volume_of(ground(part, blank).solid) == pytest.approx(
        41 * 31 * 21 - 41 * (8 * 5.49 - 2 * FOOT), rel=1e-9
    )


def test_disc_about_a_square_part() -> None:
    part = part_of(channelled(block()))
    blank = blank_for(part, shape=Shape.DISC)
    radius = 25 + 0.005  # half the diagonal, and what a mesh may miss it by
    assert blank.volume_mm3 == pytest.approx(math.pi * radius**2 * 20, rel=1e-9)
    # Area of the disc under the channel, by strips: the chord at each place across.
    stock = ground(part, blank)
    strip = 2 * (4 * math.sqrt(radius**2 - 16) / 2 + radius**2 * math.asin(4 / radius) / 2) * 2
    feet = 2 * FOOT * 2 * radius  # at most; the corners lie 4 off the middle
    away = blank.volume_mm3 - volume_of(stock.solid)
    assert strip * 4.99 - feet < away < strip * 4.99


def test_ground_cylinder_stands_for_the_part_that_is_cut_from_it(tmp_path: Path) -> None:
    # A bar ground round about the channel's own direction, 44 long: the part lies within.
    bar = cq.Workplane("YZ").circle(20).extrude(44).translate((-22, 0, 0))
    part = part_of(channelled(block()))
    blank = blank_from_step(step(bar, tmp_path / "bar.step"), part)
    assert blank.volume_mm3 == pytest.approx(math.pi * 400 * 44, rel=1e-9)
    # The channel goes up through the round: 8 wide from the floor to the circle.
    over = 4 * math.sqrt(400 - 16) + 400 * math.asin(4 / 20)  # area of |y| < 4, z > 0
    away = 44 * (over - 8 * 5.01 - 2 * FOOT)
    assert volume_of(ground(part, blank).solid) == pytest.approx(math.pi * 400 * 44 - away, rel=1e-9)


def test_round_part_gets_its_ground_cylinder() -> None:
    part = part_of(channelled(cq.Workplane().circle(20).extrude(20).translate((0, 0, -10))))
    blank = blank_for(part, margin_mm=0.2)
    assert blank.shape == Shape.DISC
    assert blank.volume_mm3 == pytest.approx(math.pi * 20.2**2 * 20.4, rel=1e-9)
    ground(part, blank)


def test_customers_blank_is_read_where_the_file_puts_it(tmp_path: Path) -> None:
    part = part_of(channelled(block()).translate((110, -40, 7)))
    placed = cq.Assembly().add(block(), loc=cq.Location(cq.Vector(110, -40, 7)))
    path = tmp_path / "placed.step"
    placed.export(str(path))
    blank = blank_from_step(path, part)
    assert blank.corners.min(axis=0) == pytest.approx([90, -55, -3], abs=1e-6)
    assert volume_of(ground(part, blank).solid) == pytest.approx(24000 - 40 * (8 * 4.99 - 2 * FOOT), rel=1e-9)


def test_customers_blank_for_a_turned_part(tmp_path: Path) -> None:
    def turned(body: cq.Workplane) -> cq.Workplane:
        return body.rotate((0, 0, 0), (1, 2, 3), 37).translate((5, 6, 7))

    part = part_of(turned(channelled(block())))
    blank = blank_from_step(step(turned(cq.Workplane().box(42, 32, 22)), tmp_path / "turned.step"), part)
    away = 42 * (8 * 5.99 - 2 * FOOT)
    assert volume_of(ground(part, blank).solid) == pytest.approx(42 * 32 * 22 - away, rel=1e-9)


def test_customers_blank_in_another_place_is_refused_with_the_move(tmp_path: Path) -> None:
    part = part_of(channelled(block()))
    path = step(block().translate((110, -40, 7)), tmp_path / "away.step")
    with pytest.raises(ValueError, match=r"^away\.step: .*another place") as told:
        blank_from_step(path, part)
    assert "moved by (-110.000, 40.000, -7.000) mm" in str(told.value)
    assert "\n" not in str(told.value)


def test_customers_blank_too_small_is_refused_with_by_how_much(tmp_path: Path) -> None:
    part = part_of(channelled(block()))
    path = step(cq.Workplane().box(40, 29, 19.5), tmp_path / "small.step")
    outside = 24000 - 40 * 8 * 5 - (40 * 29 * 19.5 - 40 * 8 * 4.75)
    with pytest.raises(ValueError, match=r"too small along y by 1\.000, z by 0\.500 mm") as told:
        blank_from_step(path, part)
    assert f"{outside:.3f} mm3 of the part" in str(told.value)


def test_customers_blank_with_a_corner_gone_is_refused(tmp_path: Path) -> None:
    part = part_of(channelled(block()))
    path = step(block().edges("|Z and >X and >Y").chamfer(1), tmp_path / "corner.step")
    with pytest.raises(ValueError, match=r"10\.000 mm3 of the part stand outside this blank$"):
        blank_from_step(path, part)


def test_a_file_of_two_solids_is_no_blank(tmp_path: Path) -> None:
    two = cq.Workplane().box(5, 5, 5).union(cq.Workplane().box(5, 5, 5).translate((20, 0, 0)))
    with pytest.raises(ValueError, match="one solid, this file has 2"):
        blank_from_step(step(two, tmp_path / "two.step"))


def test_negative_margin() -> None:
    with pytest.raises(ValueError, match="cannot be smaller"):
        blank_for(part_of(block()), margin_mm=-0.1)


def test_extent_is_never_too_short() -> None:
    blank = blank_for(part_of(block()))
    assert np.allclose(blank.extent(np.array([1.0, 0, 0])), (-20, 20))

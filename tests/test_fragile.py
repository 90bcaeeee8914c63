"""Fragile places: thickness against a lattice that shares no code with it, closed forms, notes, order."""

from __future__ import annotations

import itertools
import math
import random
from itertools import pairwise
from typing import Any

import cadquery as cq
import numpy as np
import pytest

from featurize.brep.build import build_part
from featurize.recognise import recognise
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.plan.make import make_plan
from routing.plan.plan import Plan
from routing.plan.thin_walls import Fragile, ThinKind, fragile_places, thin_places
from routing.processes.context import JobContext
from tests.support.lattice import Body, Lattice
from tests.support.routed import UP, block

SHOP = load_shop()
PITCH_MM = 0.15


def job_of(solid: cq.Workplane, **choices: Any) -> JobContext:
    found = recognise(build_part(solid.val().wrapped), working_side=UP, threads={"all": "plain"})
    return JobContext(found.part, found.features, SHOP, Choices(**choices))


def routed(solid: cq.Workplane, thread: str = "plain", **choices: Any) -> Plan:
    found = recognise(build_part(solid.val().wrapped), working_side=UP, threads={"all": thread})
    return make_plan(found, SHOP, Choices(**choices))


def channel(y: float, wide: float, deep: float) -> cq.Workplane:
    return cq.Workplane().box(60, wide, 2 * deep).translate((0, y, 20))


def thinnest(places: list[Fragile]) -> float:
    return min(p.thickness_mm for p in places)


# Against a lattice: runs of metal along the axes.


def random_walls(rng: random.Random) -> cq.Workplane:
    """A block with upright channels, pockets and openings that leave walls of any thickness."""
    body = block(40, 30, 20)
    for _ in range(rng.randint(2, 5)):
        wide, deep = rng.uniform(2, 6), rng.uniform(3, 14)
        x, y = rng.uniform(-16, 16), rng.uniform(-11, 11)
        tool = rng.choice(
            [
                cq.Workplane().box(100, wide, 2 * deep).translate((0, y, 20)),
                cq.Workplane().box(wide, 100, 2 * deep).translate((x, 0, 20)),
                cq.Workplane().box(wide, wide, 2 * deep).translate((x, y, 20)),
                cq.Workplane().box(wide, wide, 100).translate((x, y, 0)),
            ]
        )
        rest = body.cut(tool)
        if rest.solids().size() == 1:
            body = rest
    return body


def least_run_mm(lattice: Lattice) -> float:
    """The shortest run of metal between air and air along the two level axes."""
    least = math.inf
    for axis in (0, 1):
        # Lines are the same from one change to the next: levels where nothing changes are passed over.
        changes = np.any(np.diff(lattice.metal.astype(np.int8), axis=2), axis=(0, 1))
        levels = np.flatnonzero(np.append(True, changes))
        lines = np.moveaxis(lattice.metal[:, :, levels], axis, -1).reshape(-1, lattice.metal.shape[axis])
        row, at = np.nonzero(np.diff(lines.astype(np.int8), axis=1))
        starts, ends = at[::2], at[1::2]  # air outside: every line has as many of both
        assert np.array_equal(row[::2], row[1::2])
        least = min(least, float((ends - starts).min()))
    return least * lattice.pitch_mm


@pytest.mark.parametrize("seed", range(12))
def test_the_thinnest_wall_is_the_lattices(seed: int) -> None:
    solid = random_walls(random.Random(seed))
    job = job_of(solid)
    places = [p for p in thin_places(job) if p.what in (ThinKind.WALL, ThinKind.RIB)]
    lattice = Lattice.of(Body.of(solid.val().wrapped), job.part.frame.axes, PITCH_MM)
    assert places
    assert thinnest(places) == pytest.approx(least_run_mm(lattice), abs=1.1 * PITCH_MM)


@pytest.mark.parametrize("seed", range(100, 112))
def test_every_thickness_is_metal_from_end_to_end(seed: int) -> None:
    """From its place a line along some axis runs through metal for just that long, then through air."""
    solid = random_walls(random.Random(seed))
    job = job_of(solid)
    lattice = Lattice.of(Body.of(solid.val().wrapped), np.eye(3), PITCH_MM)
    ways = np.vstack([np.eye(3), -np.eye(3)])
    for p in thin_places(job):
        t = p.thickness_mm
        inside, beyond = np.arange(PITCH_MM, t - PITCH_MM, 0.05), np.array([t + PITCH_MM])
        # A place may lie on a rim, where the lattice has metal or air by chance: two pitches aside too.
        aside = [2 * PITCH_MM * np.array(d) for d in itertools.product((-1, 0, 1), repeat=3)]
        places = [
            np.array(p.place) + d - (d @ way) * way + k[:, None] * way
            for way in ways
            for d in aside
            for k in (inside, beyond)
        ]
        metal = [lattice.at(x, lattice.metal) & _within(lattice, x) for x in places]
        runs = [bool(a.all()) and not b.any() for a, b in zip(metal[::2], metal[1::2], strict=True)]
        assert any(runs), p


def _within(lattice: Lattice, points: np.ndarray) -> np.ndarray:
    """``Lattice.at`` tells metal beyond its bounds."""
    k = np.floor((points - lattice.low) / lattice.pitch_mm)
    return np.asarray(np.all((k >= 0) & (k < np.array(lattice.metal.shape)), axis=1))


# Closed forms.


def test_a_wall_between_two_channels() -> None:
    job = job_of(block().cut(channel(-3, 3, 4)).cut(channel(0.8, 3, 4)))
    found = [p for p in fragile_places(job) if p.thickness_mm == pytest.approx(0.8, abs=0.01)]
    assert len(found) == 2  # from either side
    assert all(p.height_mm == pytest.approx(4.0, abs=0.05) for p in found)


@pytest.mark.parametrize(("gap", "told"), [(1.9, False), (1.6, True)])
def test_a_wall_is_fragile_by_its_height_too(gap: float, told: bool) -> None:
    """Steel: 10.8 high, over 6 times as high as thick under 1.8 (common practice, no source)."""
    job = job_of(block().cut(channel(-4, 3, 10.8)).cut(channel(-4 + 3 + gap, 3, 10.8)))
    assert bool([p for p in fragile_places(job) if p.what == ThinKind.WALL]) == told


def test_carbide_breaks_out_where_steel_stands() -> None:
    solid = block().cut(channel(-3, 3, 4)).cut(channel(1.3, 3, 4))  # 1.3 between
    counts = [
        len(fragile_places(job_of(solid, material=m)))
        for m in ("steel-30hrc", "steel-60hrc", "carbide-20", "carbide-10", "carbide-6")
    ]
    assert counts == sorted(counts)
    assert counts[0] == 0 < counts[-1]


def test_a_floor_over_a_blind_hole() -> None:
    pocket = cq.Workplane().box(12, 10, 12).edges("|Z").fillet(2).translate((0, 0, 20))
    solid = block().cut(pocket).cut(cq.Workplane().circle(2.5).extrude(13.3))
    (floor,) = [p for p in fragile_places(job_of(solid)) if p.what == ThinKind.FLOOR]
    assert floor.thickness_mm == pytest.approx(0.7, abs=0.01)
    assert floor.height_mm == pytest.approx(5.0, abs=0.02)  # the hole, on the mesh


@pytest.mark.parametrize("wall", [0.3, 0.8, 1.4])
def test_a_wall_beside_a_bore_is_exact(wall: float) -> None:
    solid = block().cut(cq.Workplane().circle(3).extrude(40).translate((20 - 3 - wall, 0, 0)))
    job = job_of(solid)
    walls = [p for p in thin_places(job) if p.what == ThinKind.WALL]
    assert thinnest(walls) == pytest.approx(wall, abs=1e-6)


def test_a_sharp_edge_stands_unsupported() -> None:
    """A channel with a side that leans 40 deg over: the land beside it ends in 50 deg."""
    lean = math.tan(math.radians(40)) * 6
    dovetail = (
        cq.Workplane("YZ")
        .polyline([(-3, 20), (3, 20), (3 + lean, 14), (-3, 14)])
        .close()
        .extrude(80, both=True)
    )
    edges = [p for p in fragile_places(job_of(block().cut(dovetail))) if p.what == ThinKind.EDGE]
    assert [p.angle_deg for p in edges] == [pytest.approx(50, abs=0.1)]
    assert edges[0].height_mm == pytest.approx(40, abs=0.01)


# What becomes of them in the route.


def notes(route: Plan) -> list[str]:
    return [note for o in route.steps for note in o.notes]


def test_a_cut_over_an_opening_enters_and_leaves_it_slowly() -> None:
    solid = block().cut(channel(0, 8, 4)).cut(cq.Workplane().circle(2).extrude(40))
    assert any("crosses" in n and "reduced feed (70%)" in n for n in notes(routed(solid)))
    assert not any("crosses" in n for n in notes(routed(block().cut(channel(0, 8, 4)))))


def test_carbide_is_left_slowly_over_its_edges() -> None:
    solid = block().cut(channel(0, 8, 4))
    assert any("runs out over a free edge" in n for n in notes(routed(solid, material="carbide-12")))
    assert not any("runs out over a free edge" in n for n in notes(routed(solid)))


def test_carbide_takes_more_finishing_passes_than_steel() -> None:
    opening = cq.Workplane().box(8, 6, 60).edges("|Z").fillet(1)
    solid = block().cut(opening)
    told = []
    for material in ("steel-60hrc", "carbide-25", "carbide-10", "carbide-6"):
        said = [n for n in notes(routed(solid, material=material)) if "leaches" in n]
        told.append(int(said[0].split()[2]) if said else 1)
    assert all(a < b for a, b in pairwise(told))


def test_a_thin_opening_goes_first_and_floors_are_semi_finished_before() -> None:
    solid = block()
    for y in (-3.0, 0.8):
        solid = solid.cut(channel(y, 3, 4))
    solid = solid.cut(cq.Workplane().box(6, 60, 4).translate((0, 0, 20)))
    solid = solid.cut(cq.Workplane().box(8, 6, 6).edges("|Z").fillet(2).translate((12, 10, 20)))
    route = routed(solid)
    number = {o.stage.words: o.number for o in route.steps}
    assert number["open"] < number["grind"]
    assert number["semi finish"] < number["finish"]
    opened = next(o for o in route.steps if o.stage.words == "open")
    assert any("enter and leave at it, lift between passes" in n for n in opened.notes)

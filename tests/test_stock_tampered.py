"""Spoilt ground stocks: the proof has to find every one, and no untouched one. As a script, on every demo:

python -m tests.test_stock_tampered
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import cadquery as cq
import numpy as np
import pytest

from featurize.brep.build import build_part
from featurize.brep.part import Part
from featurize.brep.planar_path import Segment
from featurize.brep.solids import cut, solids_of
from featurize.recognise import recognise
from featurize.step.read import read_step
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs.job import ground_tasks
from routing.plan.make import make_plan
from routing.processes.surface_grind.cuts import GroundCut
from routing.processes.surface_grind.shop import GrindShop
from routing.stock.ground import GroundStock, ground_stock, tool_of
from routing.stock.proof import prove
from tests.support.corpus import DEMOS


@dataclass(frozen=True, eq=False)
class Case:
    """A stock, and places (model mm) in what it is made of."""

    part: Part
    stock: GroundStock
    floor: np.ndarray  # on a ground floor, with its direction into the air
    up: np.ndarray
    wall: np.ndarray  # on a ground wall, with its direction into the air
    out: np.ndarray
    waste: np.ndarray  # what only a cutter takes, under the blank's skin, with the way out of it
    lift: np.ndarray
    inside: np.ndarray  # deep in the part


def slot_and_pocket() -> cq.Workplane:
    """A slot right through with a pocket in its floor, and a pocket in the land beside it."""
    body = cq.Workplane().box(60, 40, 20).cut(cq.Workplane().box(80, 8, 10).translate((0, 0, 10)))
    body = body.cut(cq.Workplane().box(10, 5, 6).edges("|Z").fillet(1.5).translate((15, 0, 5)))
    return body.cut(cq.Workplane().box(20, 8, 12).edges("|Z").fillet(2).translate((0, 12, 10)))


def blind_slot() -> cq.Workplane:
    """A slot that is closed at an end: the wheel runs out before it, the rest is milled."""
    slot = cq.Workplane().box(80, 8, 10).edges("|Z").fillet(3.9).translate((-15, 0, 10))
    body = cq.Workplane().box(80, 40, 20).cut(slot)
    return body.cut(cq.Workplane().box(20, 8, 12).edges("|Z").fillet(2).translate((0, 12, 10)))


CASES = {
    "slot and pocket": (slot_and_pocket, (-20, 0, 5), (-20, 4, 8), (0, 12, 10), (-20, -12, -3)),
    "blind slot": (blind_slot, (-38, 1, 5), (-38, 4, 8), (0, 12, 10), (-20, -12, -3)),
}


@cache
def case(name: str) -> Case:
    make, floor, wall, waste, inside = CASES[name]
    found = recognise(build_part(make().val().wrapped), working_side=np.array([0.0, 0.0, 1.0]))
    plan = make_plan(found, load_shop(), Choices(material="steel-60hrc"))
    assert plan.job.blanks is not None
    wheels = load_shop()[GrindShop].wheels
    stock = ground_stock(found.part, ground_tasks(plan), plan.job.blanks.squared, wheels)
    up, out = np.array([0.0, 0.0, 1.0]), np.array([0.0, -1.0, 0.0])
    return Case(found.part, stock, *map(np.array, (floor, up, wall, out, waste, up, inside)))  # type: ignore[arg-type]


def box(at: np.ndarray, *size_mm: float) -> Any:
    return cq.Workplane().box(*size_mm).translate(tuple(map(float, at))).val().wrapped


def less(c: Case, *tools: Any) -> GroundStock:
    solids = solids_of(cut(c.stock.solid, list(tools)))
    return replace(c.stock, solid=max(solids, key=lambda s: cq.Shape.cast(s).Volume()))


def more(c: Case, *tools: Any) -> GroundStock:
    body = cq.Shape.cast(c.stock.solid)
    for tool in tools:
        body = body.fuse(cq.Shape.cast(tool))
    (solid,) = body.Solids()
    return replace(c.stock, solid=solid.wrapped)


def again(c: Case, removed: tuple[GroundCut, ...], *, claimed: bool) -> GroundStock:
    """Made of other cuts; ``claimed`` ones are said to be the wheels' own."""
    solids = solids_of(cut(c.stock.blank.solid, [tool_of(c.stock.blank, r) for r in removed]))
    assert len(solids) == 1
    return replace(c.stock, solid=solids[0], removed=removed if claimed else c.stock.removed)


def sharp(r: GroundCut) -> GroundCut:
    """The path without the wheel's corners."""
    path: list[Segment] = []
    for s in r.path:
        if s.mid is None:
            path.append(s)
    joined = []
    for k, s in enumerate(path):
        after = path[(k + 1) % len(path)]
        end = s.end
        if np.linalg.norm(after.start - s.end) > 1e-6:  # an arc stood here
            u, v = s.end - s.start, after.end - after.start
            t = np.linalg.solve(np.column_stack([u, -v]), after.start - s.start)
            end = s.start + t[0] * u
        joined.append(Segment(joined[-1].end if joined else path[0].start, end))
    joined[0] = Segment(joined[-1].end, joined[0].end)
    return replace(r, path=tuple(joined))


def shifted(r: GroundCut, across: float, up: float) -> GroundCut:
    by = np.array([across, up])
    path = tuple(Segment(s.start + by, s.end + by, None if s.mid is None else s.mid + by) for s in r.path)
    return replace(r, path=path)


def narrower(r: GroundCut, by: float) -> GroundCut:
    """All that lies on one side of the middle comes nearer to it."""
    middle = np.mean([p.start[0] for p in r.path])

    def moved(p: np.ndarray | None) -> np.ndarray | None:
        return None if p is None else p - np.array([by if p[0] > middle else 0.0, 0.0])

    return replace(r, path=tuple(Segment(moved(s.start), moved(s.end), moved(s.mid)) for s in r.path))  # type: ignore[arg-type]


Tamper = Callable[[Case], GroundStock]
TAMPERS: dict[str, Tamper] = {
    "a pit in waste that only a cutter takes": lambda c: less(c, box(c.waste, 0.5, 0.5, 2)),
    "a small pit in waste": lambda c: less(c, box(c.waste, 0.1, 0.1, 0.1)),
    "a pit as deep as the pocket": lambda c: less(c, box(c.waste, 2, 2, 8)),
    "a closed void in the part": lambda c: less(c, box(c.inside, 1, 1, 1)),
    "a small closed void": lambda c: less(c, box(c.inside, 0.05, 0.05, 0.05)),
    "a closed void in waste": lambda c: less(c, box(c.waste - 2 * c.lift, 0.5, 0.5, 0.5)),
    "a pit in the allowance of a floor": lambda c: less(c, box(c.floor, 0.2, 0.2, 0.018)),
    "a scratch in a floor": lambda c: less(c, box(c.floor, 3, 0.05, 0.03)),
    "a pit in a floor of the part": lambda c: less(c, box(c.floor, 0.2, 0.2, 2)),
    "a pit in a wall of the part": lambda c: less(c, box(c.wall, 0.2, 2, 0.2)),
    "a pit in the part's outside": lambda c: less(c, box(np.array([-20, -12, 10]), 0.2, 0.2, 2)),
    "a pit in the part's underside": lambda c: less(c, box(np.array([-20, -12, -10]), 0.2, 0.2, 2)),
    "0.02 more on a wall": lambda c: more(c, box(c.wall + 0.01 * c.out, 3, 0.02, 1)),
    "0.02 less on a wall": lambda c: less(c, box(c.wall - 0.01 * c.out, 3, 0.02, 1)),
    "a bump on a floor": lambda c: more(c, box(c.floor, 0.3, 0.3, 0.06)),
    "grown outside the blank": lambda c: more(c, box(np.array([-20, -20, 0]), 5, 2, 5)),
    "grown outside the blank by a hair": lambda c: more(c, box(np.array([-20, -20, 0]), 5, 0.02, 5)),
    "grown under the blank": lambda c: more(c, box(np.array([-20, -12, -10]), 5, 5, 0.1)),
    "sharp feet": lambda c: again(c, tuple(map(sharp, c.stock.removed)), claimed=False),
    "sharp feet, claimed to be the wheel's": lambda c: again(
        c, tuple(map(sharp, c.stock.removed)), claimed=True
    ),
    "all lowered": lambda c: again(c, tuple(shifted(r, 0, -0.01) for r in c.stock.removed), claimed=False),
    "all lowered, claimed": lambda c: again(
        c, tuple(shifted(r, 0, -0.02) for r in c.stock.removed), claimed=True
    ),
    "all raised, claimed": lambda c: again(
        c, tuple(shifted(r, 0, 0.02) for r in c.stock.removed), claimed=True
    ),
    "all moved across, claimed": lambda c: again(
        c, tuple(shifted(r, 0.02, 0) for r in c.stock.removed), claimed=True
    ),
    "a channel cut 0.02 narrower, claimed": lambda c: again(
        c, tuple(narrower(r, 0.02) for r in c.stock.removed), claimed=True
    ),
    "a channel forgotten": lambda c: replace(c.stock, solid=c.stock.blank.solid),
    "the part itself": lambda c: replace(c.stock, solid=c.part.solid),
    "two pieces": lambda c: replace(
        c.stock, solid=cut(c.stock.solid, [box(np.array([0, 0, 0]), 0.2, 100, 100)])
    ),
    "a compound in place of a solid": lambda c: replace(
        c.stock, solid=cq.Compound.makeCompound([cq.Shape.cast(c.stock.solid)] * 2).wrapped
    ),
    "turned inside out": lambda c: replace(c.stock, solid=c.stock.solid.Reversed()),
    "a face missing": lambda c: replace(
        c.stock,
        solid=cq.Solid.makeSolid(cq.Shell.makeShell(cq.Shape.cast(c.stock.solid).Faces()[:-1])).wrapped,
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_an_untouched_stock_holds(name: str) -> None:
    c = case(name)
    assert c.stock.removed
    assert prove(c.part, c.stock).faults == ()


@pytest.mark.parametrize("tamper", TAMPERS)
@pytest.mark.parametrize("name", CASES)
def test_a_spoilt_stock_is_found(name: str, tamper: str) -> None:
    c = case(name)
    if name == "blind slot" and "narrower" in tamper:
        pytest.skip("where a wheel stops short nothing asks how near to a wall it came")
    assert prove(c.part, TAMPERS[tamper](c)).faults, tamper


def test_a_wheel_that_stops_late_is_found() -> None:
    c = case("blind slot")
    (r,) = c.stock.removed
    low, high = r.stops
    assert prove(c.part, again(c, (replace(r, stops=(low - 2.0, high + 2.0)),), claimed=True)).faults


def main() -> None:
    """Pits, voids and growth all over every demo: prints what passes."""
    rng = np.random.default_rng(3)
    for path in DEMOS:
        found, missed = 0, 0
        for words, stock, part in _spoilt(path, rng):
            faults = prove(part, stock).faults
            found += bool(faults)
            if not faults:
                missed += 1
                print(f"{path.stem}: {words} passes", flush=True)
        print(f"{path.stem}: {found} found, {missed} missed", flush=True)


def _spoilt(path: Path, rng: np.random.Generator) -> Iterator[tuple[str, GroundStock, Part]]:
    solid = read_step(path, isolate=False).parts[0]
    seen = recognise(build_part(solid.solid, source_faces=solid.source_faces))
    plan = make_plan(seen, load_shop(), Choices())
    assert plan.job.blanks is not None
    wheels = load_shop()[GrindShop].wheels
    stock = ground_stock(seen.part, ground_tasks(plan), plan.job.blanks.squared, wheels)
    body = cq.Shape.cast(stock.solid)
    for face in body.Faces():
        size = float(rng.choice([0.2, 0.05]))
        at, normal = face.Center(), face.normalAt(face.Center())
        spot = np.array(at.toTuple())
        if not body.isInside(cq.Vector(*(spot - 0.02 * np.array(normal.toTuple())))):
            continue  # the middle of a bent face, or of one with a hole, lies beside it
        for words, tool, sense in (
            ("pit", box(spot, size, size, size), -1),
            ("bump", box(spot, size, size, size), 1),
        ):
            shape = cq.Shape.cast(tool)
            solids = (body.cut(shape) if sense < 0 else body.fuse(shape)).Solids()
            if len(solids) == 1 and abs(solids[0].Volume() - body.Volume()) > 1e-5:
                yield (
                    f"a {words} of {size} at {spot.round(2)}",
                    replace(stock, solid=solids[0].wrapped),
                    seen.part,
                )


if __name__ == "__main__":
    main()

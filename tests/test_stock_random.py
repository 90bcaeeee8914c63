"""Random inserts: every ground stock proves itself. As a script, any number of them:

python -m tests.test_stock_random 300 --first 0
"""

from __future__ import annotations

import argparse
import math
import random
import time

import cadquery as cq
import pytest

from featurize.brep.build import build_part
from featurize.recognise import recognise
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.processes.context import JobContext
from routing.processes.surface_grind.process import SurfaceGrind
from routing.stock.blank import blank_for
from routing.stock.ground import GroundStock
from routing.stock.proof import Proof, prove
from tests.support.grinding import ground_stock


def insert(rng: random.Random) -> cq.Workplane:
    """A block with channels, steps, ribs, pockets, holes and slants, from several sides."""
    x, y, z = (rng.uniform(*r) for r in ((25, 60), (20, 50), (12, 30)))
    body = cq.Workplane().box(x, y, z)
    for _ in range(rng.randint(2, 6)):
        deep, wide = rng.uniform(1, z / 3), rng.uniform(1.5, 8)
        at = rng.uniform(4 - y / 2, y / 2 - 4)
        slant = math.tan(math.radians(rng.uniform(5, 60))) * wide
        lean = [
            (y / 2 - wide, z / 2),
            (y / 2, z / 2 - min(slant, z / 2)),
            (y, z / 2 - min(slant, z / 2)),
            (y, z),
        ]
        rib = cq.Workplane().box(3 * x, 3 * wide, 2 * deep).cut(cq.Workplane().box(3 * x, wide / 3, 2 * deep))
        tool = rng.choice(
            [
                cq.Workplane().box(3 * x, wide, 2 * deep).translate((0, at, z / 2)),
                cq.Workplane().box(wide, 3 * y, 2 * deep).translate((at / y * x, 0, z / 2)),
                cq.Workplane().box(3 * x, 2 * wide, 2 * deep).translate((0, y / 2, z / 2)),
                cq.Workplane().box(3 * x, wide, deep).translate((0, at, -z / 2)),
                cq.Workplane().box(2 * deep, 3 * y, wide).translate((x / 2, 0, 0)),
                cq.Workplane().box(wide, wide, 2 * deep).translate((0, at, z / 2)),
                cq.Workplane().circle(wide / 2).extrude(3 * z).translate((0, at, -z)),
                cq.Workplane("YZ").polyline(lean).close().extrude(3 * x).translate((-1.5 * x, 0, 0)),
                rib.translate((0, at, z / 2)),
            ]
        )
        rest = body.cut(tool)
        if rest.solids().size() == 1:
            body = rest
    return body


def proven(seed: int) -> tuple[GroundStock, Proof, float]:
    """A random insert's stock, its proof, and the seconds both took."""
    rng = random.Random(seed)
    floor, wall = rng.choice([0.0, 0.010, 0.05]), rng.choice([0.0, 0.02])
    found, shop = recognise(build_part(insert(rng).val().wrapped)), load_shop()
    job = JobContext(found.part, found.features, shop, Choices())
    routed = [f for f in found.features if SurfaceGrind().judge(job, f).workable]
    start = time.perf_counter()
    blank = blank_for(found.part, margin_mm=rng.choice([0.0, 0.3]))
    own = {f.id: (rng.choice([0.0, 0.03]), rng.choice([0.0, 0.1])) for f in routed if rng.random() < 0.25}
    stock = ground_stock(
        found.part,
        routed,
        blank,
        shop,
        floor_allowance_mm=floor,
        wall_allowance_mm=wall,
        own_allowances=own,
    )
    return stock, prove(found.part, stock), time.perf_counter() - start


def faults(proof: Proof) -> list[str]:
    """What a stock that can be trusted must not have."""
    found = list(proof.faults)
    if proof.missing_mm3 > 1e-6 * proof.part_mm3:
        found.append("the part is not inside")
    found += [f"grid {g.volume_error:.4%} off" for g in proof.grids if abs(g.volume_error) > 2e-3]
    return found


@pytest.mark.parametrize("seed", range(1000, 1008))
def test_random_inserts(seed: int) -> None:
    _, proof, _ = proven(seed)
    assert faults(proof) == []


def main(first: int, count: int) -> None:
    """Prints what fails and a summary."""
    bad, ground, times, worst, floors = 0, 0, [0.0], 0.0, 0.0
    for seed in range(first, first + count):
        try:
            stock, proof, seconds = proven(seed)
        except Exception as error:
            bad += 1
            print(f"seed {seed}: {type(error).__name__} {error}", flush=True)
            continue
        ground += bool(stock.removed)
        times.append(seconds)
        worst = max(worst, *(abs(g.volume_error) for g in proof.grids))
        floors = max(floors, *(f.worst_mm for f in proof.floors), 0.0)
        if told := faults(proof):
            bad += 1
            print(f"seed {seed}: {told[:3]}", flush=True)
    print(
        f"seeds {first} to {first + count - 1}: {ground} ground, {bad} with faults; grid off by {worst:.4%} "
        f"and floors by {floors:.6f} mm at worst; {sum(times) / count:.2f} s each, {max(times):.2f} s at most"
    )


if __name__ == "__main__":
    asked = argparse.ArgumentParser(description="Proves the ground stock of random inserts.")
    asked.add_argument("count", type=int, nargs="?", default=8)
    asked.add_argument("--first", type=int, default=0, help="the first seed")
    chosen = asked.parse_args()
    main(chosen.first, chosen.count)

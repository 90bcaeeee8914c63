"""The whole ground stock step, proof included, against one kernel boolean of the part with its blank.

python -m tests.benchmarks.stock_ratio: a line for each demo, medians of several runs in one process.
"""

from __future__ import annotations

import statistics
import sys
from pathlib import Path

from featurize.brep.build import build_part
from featurize.brep.solids import cut
from featurize.recognise import Recognition, recognise
from featurize.step.read import read_step
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.plan.make import make_plan
from routing.plan.plan import Plan
from routing.stock.blank import blank_for
from routing.stock.proof import prove
from tests.benchmarks.measure import timed
from tests.support.corpus import DEMOS
from tests.support.grinding import ground_stock

_RUNS = 11


def routed(path: Path) -> tuple[Recognition, Plan]:
    """A demo, recognised and routed with the default shop."""
    solid = read_step(path, isolate=False).parts[0]
    found = recognise(build_part(solid.solid, source_faces=solid.source_faces))
    return found, make_plan(found, load_shop(), Choices())


def main() -> None:
    """Prints seconds and ratios."""
    shop = load_shop()
    for path in DEMOS:
        found, route = routed(path)
        part = found.part
        ground = [f for f in found.features if route.process_of(f.id) == "surface grind"]
        blank = blank_for(part)
        pairs = [
            # By turns, so that a busy machine slows both alike.
            (
                timed(lambda part=part, blank=blank: cut(blank.solid, [part.solid])),
                timed(lambda p=part, g=ground: prove(p, ground_stock(p, g, blank_for(p), shop))),
            )
            for _ in range(_RUNS)
        ]
        boolean, step = (statistics.median(times) for times in zip(*pairs, strict=True))
        ratio = statistics.median(step / boolean for boolean, step in pairs)
        sys.stdout.write(
            f"{path.stem:16} {len(ground)} ground: boolean {1e3 * boolean:5.1f} ms, "
            f"stock and proof {1e3 * step:6.1f} ms, {ratio:4.1f} times\n"
        )


if __name__ == "__main__":
    main()

"""Writes docs/stock.md and its pictures: python -m tests.benchmarks.stock_figures."""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path

from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs.job import run_job
from routing.stock.stock_names import DRAWING
from tests.support.corpus import DEMOS

DOCS = Path(__file__).resolve().parents[2] / "docs"
_COLUMNS = (
    "insert",
    "blank",
    "ground",
    "finished",
    "of what leaves, ground away",
    "roughing path on block, m",
    "on ground stock, m",
    "path saved",
    "proof",
)
_HEAD = f"""# Ground stock of the demo inserts

Written by `python -m tests.benchmarks.stock_figures`; figures of the default shop and the default allowances
(0.010 mm on floors, none on walls). Volumes in mm³. Roughing is an estimate: rings by level with one rough
cutter on both bodies; the share saved is of path length, in the cut and in the air. Where nothing is ground
or milled there is nothing to save.

| {" | ".join(_COLUMNS)} |
| --- |{" ---: |" * 7} --- |
"""
_STAGES = """
## After every operation

| insert | as ground | as wired | as drilled | as rough milled |
| --- | ---: | ---: | ---: | ---: |
"""
_RULES = r"""
## What the stock keeps to

- *Allowances.* A floor lies nearer the cross-feed than 45 deg, every other ground face is a wall; each
  keeps its allowance square to itself. A feature may keep its own (floor, wall) instead of the job's. A
  wall between two features keeps what the lower one's walls keep. Of level floors one behind the other
  along a traverse the wheel keeps the larger allowance on both. Where a face that keeps less meets one
  that keeps more at an outward edge, it is ground straight on through what the other keeps.
- *Feet.* A wheel of corner radius $r$ leaves $r^2 (1 - \pi/4)$ in a square foot; between faces that turn
  by $t$ it leaves $r^2 (\tan(t/2) - t/2)$: the two tangents' kite less the arc's sector.
- *Blanks.* A block, a disc or a given solid, in the part's own place and millimetres. A given blank that
  does not hold the part is refused in one line, with the move or the size that is wanting.
- *End walls.* A wheel does not get to the foot of a wall that closes its traverse. Seen from beside, its
  rim is a circle of radius $R$ whose lowest point rides the floor: at height $y$ it reaches $x$ to each
  side with $x^2 + (R - y)^2 = R^2$, so $x = \sqrt{2 R y - y^2}$, which grows up to $y = R$. It stops when
  it meets the wall's top at $y = h$, and its full depth ends $\sqrt{2 R h - h^2}$ before the wall (past
  $h = R$ it is $R$). With $R$ = 100 and $h$ = 5 that is 31.2 mm. Such features are not ground: the reason
  gives this length.

## What the proof asks

- *One solid.* The kernel's check finds it valid and closed; part less stock is under a millionth of the
  part.
- *Floors.* Rays from the part's own flat faces meet the stock at the allowance within 0.0005 mm.
- *Volume.* Columns through the stock's mesh, turned against its walls, give its volume within 0.1 %.
- *Swept wheel.* A line of heights of the part seen along each traverse, closed by the wheel's profile: no
  wheel under the part, nothing left that a wheel could take of the features that were routed to it,
  floors at the allowance. What other processes are to take stands beside the wheel as a wall does.
- *Points.* Points in the part's skin lie inside, points in the wheels' paths outside, by parity of rays.

`python -m tests.test_stock_random 300` does this on random inserts, `python -m
tests.benchmarks.stock_ratio` times it against one boolean of the part with its blank.
"""


def main() -> None:
    """Runs every demo and writes the page."""
    rows, stages, pictures = [], [], []
    (DOCS / "stock").mkdir(exist_ok=True)
    for path in DEMOS:
        with tempfile.TemporaryDirectory() as folder:
            out = Path(folder) / "out"
            run_job(path, out, Choices(), load_shop())
            stock = json.loads((out / "route.json").read_text())["stock"]
            rough = stock["roughing"]
            if rough:
                shutil.copyfile(out / DRAWING, DOCS / "stock" / f"{path.stem}.svg")
                pictures.append(
                    f"\n### {path.stem}\n\n![levels on block and ground stock](stock/{path.stem}.svg)\n"
                )
        leaves = stock["blank_mm3"] - stock["part_mm3"]
        share = (stock["blank_mm3"] - stock["ground_mm3"]) / leaves
        metres = (
            [(rough[b]["cutting_mm"] + rough[b]["air_mm"]) / 1000 for b in ("block", "ground")]
            if rough
            else []
        )
        words = [f"{metres[0]:.2f}", f"{metres[1]:.2f}", f"{rough['path_saved']:.0%}"] if rough else ["-"] * 3
        volumes = [f"{stock[k]:.1f}" for k in ("blank_mm3", "ground_mm3", "part_mm3")]
        holds = "holds" if stock["proof"]["holds"] else "does not hold"
        rows.append(f"| {path.stem} | {' | '.join([*volumes, f'{share:.0%}', *words, holds])} |\n")
        each = [f"{s['volume_mm3']:.1f}" for s in stock["stages"]]
        stages.append(f"| {' | '.join([path.stem, *each])} |\n")
    text = (
        _HEAD
        + "".join(rows)
        + _STAGES
        + "".join(stages)
        + _RULES
        + "\n## Levels before and after\n"
        + "\nOn open sides the cutter's axis goes round a radius past the blank: there the estimate is "
        + "long, and with\nit the share saved where most of what is ground is open.\n"
        + "".join(pictures)
    )
    (DOCS / "stock.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()

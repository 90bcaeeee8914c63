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

Written by `python -m tests.benchmarks.stock_figures`; figures of the default shop and the default allowance
(0.010 mm on floors that a cutter blends with, none on walls). Volumes in mm³. Roughing is an estimate: rings
by level with one rough cutter on both bodies; the share saved is of path length, in the cut and in the air.
Where nothing is ground or milled there is nothing to save.

| {" | ".join(_COLUMNS)} |
| --- |{" ---: |" * 7} --- |
"""
_STAGES = """
## After every step that takes a bulk

"""
_RULES = r"""
## What the stock keeps to

- *Allowances.* A ground face is sparked out to size in the grinding step, and the stock stands at size
  there, but where a cutter blends with it: a face that is milled too (the wheel ran out before its end), or
  that meets a face which the mill roughs and finishes from the same side. There it keeps what was asked,
  square to itself: a floor, that lies nearer the cross-feed than 45 deg, the floor's, every other face the
  wall's. The step that takes it off is named in the route. Faces in one plane are one surface: all keep it,
  or none where the cutter does not come to all. A person's own allowance for a feature is left in any case.
  A wall that is not ground itself keeps what the floor at its foot says of walls. Where a face that keeps
  less meets one that keeps more at an outward edge, it is ground straight on through what the other keeps.
- *Feet.* A wheel of corner radius $r$ leaves $r^2 (1 - \pi/4)$ in a square foot; between faces that turn
  by $t$ it leaves $r^2 (\tan(t/2) - t/2)$: the two tangents' kite less the arc's sector.
- *Blanks.* A block, a disc or a given solid, in the part's own place and millimetres. A given blank that
  does not hold the part is refused in one line, with the move or the size that is wanting.
- *End walls and bosses.* A wheel does not get to the foot of a wall that closes its traverse, nor to a boss
  that stands on the floor. Seen from beside, its rim is a circle of radius $R$ whose lowest point rides the
  floor: at height $y$ it reaches $x$ to each side with $x^2 + (R - y)^2 = R^2$, so
  $x = \sqrt{2 R y - y^2}$, which grows up to $y = R$. Its axis stops $\sqrt{2 R h - h^2}$ before what stands
  $h$ high, and `grinding.stop_mm` of the shop file more, as a table's stops turn it so far before the mark
  at worst. With $R$ = 100 and $h$ = 5 that is 31.2 mm and 0.5. Up to there the stock is ground flat; past
  the stop stands the wheel's own round, a cylinder of its diameter, with its corners turned about the same
  axis. A cutter takes the rest.
- *Rough bodies.* A roughed recess is shown in levels: at each feature's floor, at what in it is flat higher
  up (a boss's top), and on slopes 0.3 mm apart or an eighth of their height; `levels_mm` of the route file
  says how far. A real rough cut stands within that.

## What the proof asks, and to what size

- *One solid.* The kernel's check finds it valid and closed, and of one shell: no void.
- *The blank less the wheels' sweeps.* Two exact booleans, one each way, over all of the stock: waste,
  floors, feet, walls, outsides. Neither more nor less than that by 0.00001 mm³, a cube of 0.02 mm.
- *The part.* An exact boolean: not a millionth of it stands outside the stock, and of what is thicker than
  0.0005 mm not 0.001 mm³, a cube of 0.1 mm. Where the kernel cannot make it, a height grid tells to a
  millionth of the part.
- *Floors.* Rays from the part's own flat faces, at samples and in the middle of their facets, meet the stock
  at what they keep within 0.0005 mm.
- *Walls.* Upright flat walls of what is ground right through are come to, and not passed, within 0.0005 mm
  of what they keep, at five heights.
- *Feet.* No corner of a path is sharper than the wheel's, to a quarter of what that leaves in a square foot.
- *Swept wheel.* A line of heights of the part seen along each traverse, and between two stops of a part of
  it, closed by the wheel's profile: no wheel under the part, floors at what they keep, and nothing left that
  a wheel could take of what it makes whole; to 0.0005 mm on flats and 0.01 mm elsewhere, three columns wide
  (a column is 1/6000 of the part's width, 0.002 mm at least). What others are to take stands beside the
  wheel as a wall does.
- *Points.* Points in the part's skin lie inside, points in the wheels' sweeps outside, by parity of rays.
- *Volume.* Columns through the stock's mesh, turned against its walls, give its volume within 0.1 %.

The booleans and the rays take the wheels' paths as they are claimed; heights, walls, feet and points hold
these against the part. Not asked: whether a wheel that stops before a wall could have come nearer or wider,
and whether a wheel that is claimed is narrow enough for its lane.

`python -m tests.test_stock_random 300` does this on random inserts, `python -m tests.test_stock_tampered`
spoils the stocks of the demos all over, `python -m tests.benchmarks.stock_ratio` times it against one boolean
of the part with its blank.
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
        bodies = (f"{s['name']} {s['volume_mm3']:.1f}" for s in stock["stages"])
        stages.append(f"- *{path.stem}*: {', '.join(bodies)}\n")
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

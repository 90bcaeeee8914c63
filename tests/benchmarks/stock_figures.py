"""Writes docs/stock.md and its pictures: python -m tests.benchmarks.stock_figures."""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path

from routing.choices import Choices
from routing.job import run_job
from routing.shop import load_shop
from routing.stock.files import DRAWING
from tests.benchmarks.stock_ratio import DEMOS

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
        + "\n## Levels before and after\n"
        + "".join(pictures)
    )
    (DOCS / "stock.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()

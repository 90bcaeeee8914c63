"""Which file says what a pass takes: the hole table, the wire's drawing, an electrode, or the tool's own sweep."""

from __future__ import annotations

from collections.abc import Iterator

from manifold3d import Manifold

from routing.dryrun.scene import Bench
from routing.dryrun.solids import local
from routing.dryrun.squaring import squared
from routing.dryrun.sweeps import Taken, swept
from routing.dryrun.written import Step, Written

_SQUARING = ("square", "size")


def taken_by(written: Written, bench: Bench, step: Step, stock: Manifold) -> Iterator[Taken]:
    here = local(stock, bench.zero.axes, bench.zero.origin)
    for p in step.passes:
        if step.stage in _SQUARING:
            yield squared(bench, step, p)
        elif "diameter_mm" in p.tool or "head_mm" in p.tool:
            yield swept(bench, step, p, here)

"""Which file says what a pass takes: the wire's drawing, the hole table, an electrode, or the tool's own sweep."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

from manifold3d import Manifold

from routing.dryrun.bores import HoleTable
from routing.dryrun.scene import Bench
from routing.dryrun.solids import joined, local, moved
from routing.dryrun.squaring import squared
from routing.dryrun.sweeps import Taken, swept
from routing.dryrun.wires import Drawing, body_of
from routing.dryrun.written import Pass, Step, Written

_SQUARING = ("square", "size")


@dataclass(frozen=True, eq=False)
class Sources:
    """The files of a folder that say what its steps take."""

    written: Written
    holes: HoleTable

    @classmethod
    def of(cls, written: Written) -> Sources:
        return cls(written, HoleTable(written.folder))

    def taken_by(self, bench: Bench, step: Step, stock: Manifold) -> Iterator[Taken]:
        """What each pass of a step takes of a stock (model coordinates)."""
        here = local(stock, bench.zero.axes, bench.zero.origin)
        for p in step.passes:
            found = self._taken(bench, step, p, here)
            if found is not None:
                yield found

    def _taken(self, bench: Bench, step: Step, p: Pass, here: Manifold) -> Taken | None:
        if step.stage in _SQUARING:
            return squared(bench, step, p)
        wired = [w for w in self._wired if (w["step"], w["feature"]) == (step.number, p.feature)]
        if wired:
            bodies = [body_of(w, _drawing(self.written.folder / w["file"]), bench, here) for w in wired]
            return Taken(p.feature, step.number, joined(bodies), joined(bodies))
        rows = self.holes.rows.get((step.number, p.feature))
        if rows:
            own = joined([row.body() for row in rows if not row.is_thread])
            body = moved(own, bench.zero.axes, bench.zero.origin)
            return Taken(p.feature, step.number, body, body)
        if "diameter_mm" in p.tool or "head_mm" in p.tool:
            return swept(bench, step, p, here)
        return None

    @property
    def _wired(self) -> list[dict[str, Any]]:
        return list(self.written.content.get("wire", {}).get("passes", ()))


@cache
def _drawing(path: Any) -> Drawing:
    return Drawing(path)

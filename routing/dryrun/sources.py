"""Which file says what a step takes: the wire's drawing, the hole table, the electrodes, or the tools' own
sweep.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import groupby
from typing import Any

from manifold3d import Manifold

from routing.dryrun.bores import HoleTable, Row
from routing.dryrun.burns import burnt, electrodes_of
from routing.dryrun.findings import Fault, Finding
from routing.dryrun.scene import Bench
from routing.dryrun.solids import joined, local, moved
from routing.dryrun.squaring import squared
from routing.dryrun.sweeps import Taken, swept
from routing.dryrun.wires import WireOutlines, body_of, met_by_wire
from routing.dryrun.written import BY_HAND, Written, WrittenPass, WrittenStep

_SQUARING = ("square", "size")
# Stages in which a bore is milled as a pocket is.
_IN_ROWS = ("rough", "soft rough", "semi finish", "finish")


@dataclass(frozen=True, eq=False)
class Sources:
    """The files of a folder that say what its steps take."""

    written: Written
    holes: HoleTable

    @classmethod
    def of(cls, written: Written) -> Sources:
        return cls(written, HoleTable(written.folder))

    def turns_of(self, bench: Bench) -> Manifold:
        """What the turns of a setup's threads may fill, model coordinates."""
        own, number = self.holes.rows.values(), bench.setup.number
        rows = [row for rows in own for row in rows if row.setup == number and row.is_thread]
        return moved(joined([r.turns() for r in rows]), bench.zero.axes, bench.zero.origin)

    def taken_by(self, bench: Bench, step: WrittenStep, stock: Manifold) -> Iterator[Taken]:
        """What a step takes of a stock, both in model coordinates, one for each region."""
        if step.process in BY_HAND:
            return
        here = local(stock, bench.zero.axes, bench.zero.origin)
        for _, own in groupby(step.passes, lambda p: (p.feature, p.faces)):
            taken = self._taken(bench, step, list(own), here)
            if taken is not None:
                yield taken

    def _taken(
        self, bench: Bench, step: WrittenStep, passes: Sequence[WrittenPass], here: Manifold
    ) -> Taken | None:
        p = passes[0]
        if step.stage in _SQUARING:
            return squared(bench, step, p)
        if wired := self._wired.get((step.number, p.feature)):
            bodies = [body_of(w, self._drawing(str(w["file"])), bench, here) for w in wired]
            met = [name for w in wired for name in met_by_wire(w, self._drawing(str(w["file"])), bench)]
            found = _in_the_way(step, p.feature, "the wire", met)
            return Taken(p.feature, step.number, joined(bodies), found, words="the wire")
        if step.process == "wire":  # the drawing alone says what it takes
            return None
        if rows := self.holes.rows.get((step.number, p.feature)):
            bored = _bored(bench, step, rows)
            if step.stage not in _IN_ROWS:
                return bored
            over = swept(bench, step, passes, here)  # a table of bores does not tell a fillet at their foot
            return replace(over, body=over.body + bored.body, findings=(*over.findings, *bored.findings))
        if entry := self._electrodes.get((step.number, p.feature)):
            return self._burnt(bench, step, passes, entry, here)
        if "diameter_mm" in p.tool or "head_mm" in p.tool:
            return swept(bench, step, passes, here)
        return None

    def _burnt(
        self,
        bench: Bench,
        step: WrittenStep,
        passes: Sequence[WrittenPass],
        entry: Sequence[Mapping[str, Any]],
        here: Manifold,
    ) -> Taken:
        own = electrodes_of(self.written.folder, entry, bench)
        over = swept(bench, step, passes, here)  # an electrode is no round tool: all of the cavity's rest
        if not own:  # drawn by hand, as a flag of the route says
            return over
        stock = moved(here, bench.zero.axes, bench.zero.origin)
        faces = bench.model.facets_of(sorted({f for p in passes for f in p.faces}))
        gone, stays, found = burnt(own, over.body ^ stock, bench.model.solid, faces, step.number)
        all_found = (*over.findings, *found)
        return Taken(passes[0].feature, step.number, gone, all_found, stays, "the electrode", Fault.LEFTOVER)

    @cached_property
    def _wired(self) -> Mapping[tuple[int, str], list[Mapping[str, Any]]]:
        return _by_step(self.written.content.get("wire", {}).get("passes", ()))

    @cached_property
    def _electrodes(self) -> Mapping[tuple[int, str], list[Mapping[str, Any]]]:
        return _by_step(self.written.content.get("electrodes", ()))

    @cached_property
    def _drawings(self) -> dict[str, WireOutlines]:
        return {}

    def _drawing(self, name: str) -> WireOutlines:
        return self._drawings.setdefault(name, WireOutlines(self.written.folder / name))


def _by_step(noted: Sequence[Mapping[str, Any]]) -> dict[tuple[int, str], list[Mapping[str, Any]]]:
    found: dict[tuple[int, str], list[Mapping[str, Any]]] = {}
    for entry in noted:
        found.setdefault((int(entry["step"]), str(entry["feature"])), []).append(entry)
    return found


def _bored(bench: Bench, step: WrittenStep, rows: Sequence[Row]) -> Taken:
    axes, origin = bench.zero.axes, bench.zero.origin
    here = joined([row.body() for row in rows if not row.is_thread])
    body = moved(here, axes, origin)
    breaks = max(row.breaks_mm for row in rows)
    what = " and ".join(dict.fromkeys(row.what for row in rows))
    found = (*_sizes(step, rows), *_in_the_way(step, rows[0].feature, what, bench.met_by(here)))
    unshown = body if breaks else Manifold()
    return Taken(rows[0].feature, step.number, body, found, unshown=unshown, breaks_mm=breaks)


def _in_the_way(step: WrittenStep, feature: str, what: str, met: Iterable[str]) -> tuple[Finding, ...]:
    texts = (f"{what}: {name} stands in the way" for name in dict.fromkeys(met))
    return tuple(Finding(Fault.IN_THE_WAY, text, feature, step.number) for text in texts)


def _sizes(step: WrittenStep, rows: Sequence[Row]) -> Iterator[Finding]:
    """A drill makes its own size only; a cutter none that it does not get into."""
    for row in rows:
        if row.tool_mm is None or row.is_thread:
            continue
        wide, text = (
            row.tool_mm - row.diameter_mm,
            f"{row.what}: tool {row.tool_mm:g}, bore {row.diameter_mm:g}",
        )
        narrow = row.end_diameter_mm is None and wide > 1e-3
        if narrow or (row.tool_kind == "drill" and abs(wide) > 1e-3):
            yield Finding(Fault.RECORD, text, row.feature, step.number)

"""Machines the blank step by step, and compares what comes out with the model."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from manifold3d import Manifold

from featurize.brep.surfaces import Array
from routing.dryrun.columns import boolean_doubt_mm3
from routing.dryrun.findings import Fault, Finding, together
from routing.dryrun.pieces import Base, LoosePiece, corners_of, loose, nearest, pieces
from routing.dryrun.reach import SHARP_MM
from routing.dryrun.records import records
from routing.dryrun.sampling import contains
from routing.dryrun.scene import Bench, Model
from routing.dryrun.solids import MeshError, joined, of_stl
from routing.dryrun.sources import Sources
from routing.dryrun.sweeps import TOLERANCE_MM, Taken
from routing.dryrun.written import FolderError, Written, WrittenPass, WrittenStep

# Less is rounding.
_NOTHING_MM3 = 1e-5
# What faces may be off for the library's booleans: of walls that lie in one another it makes slopes without.
_SNAP_MM = 1e-5
# A smaller piece that falls off is none to look at.
_DUST_MM3 = 1.0
# A body that has more than this share of all that is gone was not cut by these steps.
_OF_ANOTHER = 0.6
# So much may the second opinion on a step's boolean be off (``columns``).
_DOUBT_MM3 = 0.1
# A core's radius may be off by this share of the pitch: less than its tolerance (ISO 965-1, 6H, from memory).
_CORE_SHARE = 0.08
# A stock body serves a cutter's path: it need not show less.
_SHOWN_MM3 = 1e-2
# Hairs beside walls come of how a cutter's reach is measured.
_LEFT_MM3 = 5e-3
_STOCK = re.compile(r"(\d+)-(\d+)-(.+)\.stl")
# What a round of radius 1 leaves in a square corner, measured from the nearer wall.
_IN_CORNER = 1 - math.sqrt(0.5)
# Two bodies of roughed stock may leave this many allowances in corners, where the rougher's round differs.
_OF_ALLOWANCE = 3.0


@dataclass(eq=False)
class DryRun:
    """A dry run as it goes on; ``stock`` in model coordinates."""

    written: Written
    model: Model
    stock: Manifold
    taken: list[Taken] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    turns: Manifold = field(default_factory=Manifold)  # of threads, which no model shows
    blank_mm3: float = 0.0
    off_mm: dict[int, float] = field(
        default_factory=dict
    )  # by place in the file, what is cut into it below 0

    def note_off(self, piece: LoosePiece, way: float) -> None:
        """How far a face does not end where the model has it, whether that is allowed or not."""
        if piece.depth_mm > TOLERANCE_MM + self.model.chords_mm.get(piece.face, 0.0):
            place, off = self.model.places[piece.face], way * piece.depth_mm
            self.off_mm[place] = max(self.off_mm.get(place, 0.0), off, key=abs)

    def core_mm(self, feature: str) -> float:
        """How far the core of a feature's thread may be off its model."""
        thread = self.written.features.get(feature, {}).get("thread") or {}
        return _CORE_SHARE * float(thread.get("pitch_mm") or 0.0)

    def last_missed(self, feature: str, piece: LoosePiece) -> Taken | None:
        """Who of a feature should have taken a piece last, and does not get at it."""
        missing = [t for t in self.taken if t.feature == feature and not t.missed.is_empty()]
        return missing[-1] if missing and piece.volume_mm3 > 0 else None


def machined(written: Written, model: Model) -> DryRun:
    """Raises FolderError where a file is missing or broken."""
    bodies, sources = stock_files(written.folder), Sources.of(written)
    if (0, 0) not in bodies:
        raise FolderError(f"{written.folder} has no stock of the blank: route the part again")
    blank = _mesh(bodies.pop((0, 0)))
    run = DryRun(written, model, blank, blank_mm3=blank.volume())
    run.findings += records(written, model, sources.holes)
    run.findings += _outside(model, blank)
    # A body that is written again where nothing that bodies show was taken is not asked twice.
    last_shown = b""
    for setup in written.setups:
        bench = Bench(setup, model)
        run.turns += sources.turns_of(bench)
        for step in setup.steps:
            taken = list(sources.taken_by(bench, step, run.stock))
            _take(run, step, taken, setup.zero.axes[2])
            path = bodies.pop((setup.number, step.number), None)
            shown = path.read_bytes() if path is not None and path.is_file() else b""
            if path is not None and (shown != last_shown or not all(_is_unshown(t) for t in taken)):
                run.findings += _compared(run, step, path)
            last_shown = shown or last_shown
    for (setup_number, number), path in bodies.items():
        text = f"{path.name} is of setup {setup_number}, step {number}, which the route does not have"
        run.findings.append(Finding(Fault.STOCK, text, None, number))
    run.findings = together([*run.findings, *_untouched(run), *_leftovers(run)])
    return run


def _is_unshown(taken: Taken) -> bool:
    return taken.body.is_empty() or not taken.unshown.is_empty()


def stock_files(folder: Path) -> dict[tuple[int, int], Path]:
    """Bodies by setup and step."""
    found = {}
    for path in sorted((folder / "stock").glob("*.stl")):
        if match := _STOCK.fullmatch(path.name):
            found[int(match[1]), int(match[2])] = path
    return found


def _mesh(path: Path) -> Manifold:
    try:
        return of_stl(path)
    except (MeshError, OSError) as error:
        raise FolderError(f"{path} cannot be used: {error}") from None


def _take(run: DryRun, step: WrittenStep, taken: Sequence[Taken], up: Array) -> None:
    run.taken += taken
    for one in taken:
        run.findings += one.findings
    all_taken = joined([one.body for one in taken])
    if all_taken.is_empty():
        return
    if (all_taken ^ run.model.solid).volume() > _NOTHING_MM3:
        run.findings += _gouges(run, step, taken)
    left = run.stock - all_taken
    doubt = boolean_doubt_mm3(run.stock, all_taken, left, up)
    if doubt > _DOUBT_MM3:
        text = "what the bodies leave and what lines through them say differ: nothing of it is sure"
        run.findings.append(Finding(Fault.DOUBT, text, None, step.number, volume_mm3=doubt))
    run.stock = _with_part(left, run.model.solid).set_tolerance(_SNAP_MM)


def _with_part(stock: Manifold, part: Manifold) -> Manifold:
    """The piece that the part is in: what falls off is no stock."""
    large = loose(stock, _DUST_MM3)
    return large[0] if len(large) == 1 else max(large, key=lambda p: (p ^ part).volume(), default=stock)


def _gouges(run: DryRun, step: WrittenStep, taken: Sequence[Taken]) -> Iterator[Finding]:
    for one in taken:
        cut = (one.body ^ run.model.solid) - run.turns
        allowed = TOLERANCE_MM + one.breaks_mm + run.core_mm(one.feature)
        for p in pieces(cut, run.model.base, TOLERANCE_MM):
            run.note_off(p, -1.0)
            if p.depth_mm <= allowed + run.model.chords_mm.get(p.face, 0.0):
                continue
            text = "takes material of the part"
            yield Finding(Fault.GOUGE, text, one.feature, step.number, p.place_mm, p.volume_mm3, p.depth_mm)


def _outside(model: Model, blank: Manifold) -> Iterator[Finding]:
    for p in pieces(model.solid - blank, model.base, TOLERANCE_MM):
        text = "the blank does not hold the part"
        yield Finding(Fault.STOCK, text, None, None, p.place_mm, p.volume_mm3, p.depth_mm)


def _compared(run: DryRun, step: WrittenStep, path: Path) -> Iterator[Finding]:
    """A written body against what its steps leave."""
    shown = _mesh(path)
    over, gone = shown.volume() - run.stock.volume(), run.blank_mm3 - run.stock.volume()
    if over > _OF_ANOTHER * gone > _DUST_MM3:
        text = f"{path.name} is of another step: it has {over:.4g} mm3 of {gone:.4g} that are gone by then"
        yield Finding(Fault.STOCK, text, None, step.number, volume_mm3=over)
        return
    unshown = [t.unshown for t in run.taken if not t.unshown.is_empty()]
    base, lacking = Base.of(shown), run.stock - shown - run.turns
    rims = np.concatenate([np.empty((0, 3, 3)), *(Base.of(u).corners for u in unshown)])
    for difference, words in (
        (lacking, "lacks what no step has taken"),
        (shown - joined([run.stock, run.turns, *unshown]), "still has what is gone by then"),
    ):
        for p in pieces(difference, base, TOLERANCE_MM, _SHOWN_MM3):
            feature = _missing_at(run, p) or _nearest(run, p)
            if feature in _running_out(run):
                continue
            play = _play(run, feature, step.number)
            if difference is not lacking:
                play = max(play, _neighbours_play(run, feature, step.number))
                play += _levels(run.written, feature, step.number)
            if p.depth_mm <= TOLERANCE_MM + play or _at_rim(p, rims):
                continue
            text, fault = f"{path.name} {words}", Fault.STOCK
            if difference is not lacking:
                fault = Fault.SURPLUS
            elif feature and run.last_missed(feature, p):
                text, fault = f"{path.name} does not show what a cutter leaves in corners", Fault.CORNERS
            yield Finding(fault, text, feature, step.number, p.place_mm, p.volume_mm3, p.depth_mm)


def _at_rim(piece: LoosePiece, rims: Array) -> bool:
    """Whether a piece is a chip beside what stock bodies do not show."""
    return bool(len(rims)) and float(nearest(np.array([piece.place_mm]), rims)[0][0]) < 2 * TOLERANCE_MM


def _running_out(run: DryRun) -> set[str]:
    """Features at which a wheel has run out, and a later step takes what its round has left."""
    last = {t.feature: t.step for t in run.taken if t.runs_out}
    return {f for f, step in last.items() if any(s.number > step for s in run.written.cutting(f))}


def _missing_at(run: DryRun, piece: LoosePiece) -> str | None:
    """The feature whose tools should have taken a piece and do not get at it."""
    place = np.array([piece.place_mm])
    for one in reversed(run.taken):
        if one.missed.is_empty():
            continue
        corners = corners_of(one.missed)
        if nearest(place, corners)[0][0] < 2 * TOLERANCE_MM or contains(corners, place)[0]:
            return one.feature
    return None


def _nearest(run: DryRun, piece: LoosePiece) -> str | None:
    *_, faces = run.model.base.nearest(np.array([piece.place_mm]))
    return run.written.owner.get(run.model.places[int(faces[0])])


def _play(run: DryRun, feature: str | None, until: int) -> float:
    """What two bodies may differ by at a feature: its tools' small corners, and rounds of its allowances."""
    own = _passes(run.written, feature, until)
    every = [p for step in run.written.steps for p in step.passes]
    left = min((max(p.floor_mm, p.wall_mm) for p in own), default=0.0)
    return _corner(every) + _OF_ALLOWANCE * left


def _neighbours_play(run: DryRun, feature: str | None, until: int) -> float:
    """The same where nothing has been cut at a feature yet: what stands on it is of its neighbours."""
    if _passes(run.written, feature, until):
        return 0.0
    done = (p for step in run.written.steps if step.number <= until for p in step.passes)
    return _OF_ALLOWANCE * max((max(p.floor_mm, p.wall_mm) for p in done), default=0.0)


def _levels(written: Written, feature: str | None, until: int) -> float:
    """How far apart the levels are in which a roughed feature still stands."""
    own = _passes(written, feature, until)
    roughed = bool(own) and all(p.leaves for p in own)
    apart = (written.levels_mm(s.number) for s in written.steps if s.number <= until)
    return max(apart, default=0.0) if roughed else 0.0


def _corner(passes: Sequence[WrittenPass]) -> float:
    """What the small corners of tools leave in square corners."""
    small = [c for p in passes if (c := float(p.tool.get("corner_radius_mm", 0.0))) <= SHARP_MM]
    return _IN_CORNER * max(small, default=0.0)


def _passes(written: Written, feature: str | None, until: int | None = None) -> list[WrittenPass]:
    return [
        p
        for step in written.steps
        if until is None or step.number <= until
        for p in step.passes
        if p.feature == feature
    ]


def _leftovers(run: DryRun) -> Iterator[Finding]:
    for p in pieces(run.stock - run.model.solid - run.turns, run.model.base, TOLERANCE_MM, _LEFT_MM3):
        run.note_off(p, 1.0)
        feature = _missing_at(run, p) or run.written.owner.get(run.model.places[p.face])
        corners = _corner(_passes(run.written, feature))
        allowed = TOLERANCE_MM + corners + run.model.chords_mm.get(p.face, 0.0)
        if p.depth_mm <= allowed + (run.core_mm(feature) if feature else 0.0):
            continue
        makers = [s.number for s in run.written.cutting(feature)] if feature else []
        text, number, fault = "stays on the part, no step takes it", None, Fault.LEFTOVER
        if makers:
            text, number = "stays on the part", makers[-1]
        if feature and (missing := run.last_missed(feature, p)) is not None:
            text, number, fault = f"{missing.words} does not get at it", missing.step, missing.fault
        yield Finding(fault, text, feature, number, p.place_mm, p.volume_mm3, p.depth_mm)


def _untouched(run: DryRun) -> Iterator[Finding]:
    """Where the last round tools at a feature do not come to its faces."""
    last = {t.feature: t for t in run.taken if t.untouched is not None}
    for one in last.values():
        missed = one.untouched
        later = [s.number for s in run.written.cutting(one.feature) if s.number > one.step]
        if missed is None or not len(missed.points) or later:
            continue
        k = int(np.argmax(missed.gaps_mm))
        text, (x, y, z) = f"{one.words} does not get at it", map(float, missed.points[k])
        depth = float(missed.gaps_mm[k])
        yield Finding(Fault.OUT_OF_REACH, text, one.feature, one.step, (x, y, z), missed.volume_mm3, depth)

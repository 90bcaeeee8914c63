"""Machines the blank step by step, and compares what comes out with the model."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from manifold3d import Manifold

from featurize.brep.surfaces import Array
from routing.dryrun.distance import Surface
from routing.dryrun.findings import Fault, Finding
from routing.dryrun.scene import Bench, Model
from routing.dryrun.solids import MeshError, apart, is_one, joined, of_stl, points_of
from routing.dryrun.sources import taken_by
from routing.dryrun.sweeps import TOLERANCE_MM, Taken
from routing.dryrun.written import FolderError, Step, Written

# Less is rounding.
_NOTHING_MM3 = 1e-5
_STOCK = re.compile(r"(\d+)-(\d+)-(.+)\.stl")


@dataclass(frozen=True, eq=False)
class Stage:
    """``stock`` after a step, model coordinates."""

    step: int
    stock: Manifold
    removed_mm3: float


@dataclass(eq=False)
class Run:
    """A dry run as it goes on."""

    written: Written
    model: Model
    stages: list[Stage] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    @property
    def stock(self) -> Manifold:
        return self.stages[-1].stock


def machined(written: Written, model: Model) -> Run:
    """Raises FolderError where the blank is missing or broken."""
    run, bodies = Run(written, model), stock_files(written.folder)
    if (0, 0) not in bodies:
        raise FolderError(f"{written.folder} has no stock of the blank: route the part again")
    blank = _mesh(bodies.pop((0, 0)))
    run.stages.append(Stage(0, blank, 0.0))
    run.findings += _outside(model, blank)
    for setup in written.setups:
        bench = Bench(setup, model, Manifold())
        for step in setup.steps:
            taken = list(taken_by(written, bench, step, run.stock))
            _take(run, step, taken)
            if (setup.number, step.number) in bodies:
                run.findings += _compared(run, step, taken, bodies.pop((setup.number, step.number)))
    for (setup_number, number), path in bodies.items():
        said = f"{path.name} is of setup {setup_number}, step {number}, which the route does not have"
        run.findings.append(Finding(Fault.STOCK, said, None, number))
    run.findings += _leftovers(run)
    return run


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


def _take(run: Run, step: Step, taken: Sequence[Taken]) -> None:
    before, part = run.stock, run.model.solid
    for one in taken:
        run.findings += one.findings
    all_taken = joined([one.body for one in taken])
    if not (all_taken ^ part).is_empty():
        run.findings += _gouges(run, step, taken)
    for one in taken:
        if (one.body ^ before).volume() < _NOTHING_MM3:
            run.findings.append(Finding(Fault.NO_CUT, "nothing is left there to take", one.feature, step.number))
    after = before - all_taken
    if not is_one(after):  # what falls off is no stock
        after = max(apart(after), key=lambda piece: (piece ^ part).volume())
    run.stages.append(Stage(step.number, after, before.volume() - after.volume()))


def _gouges(run: Run, step: Step, taken: Sequence[Taken]) -> Iterator[Finding]:
    for one in taken:
        cut = one.body ^ run.model.solid
        for piece, deep, place, _ in _deep(cut, run.model.surface):
            said = "takes material of the part"
            yield Finding(Fault.GOUGE, said, one.feature, step.number, place, piece.volume(), deep)


def _outside(model: Model, blank: Manifold) -> Iterator[Finding]:
    for piece, deep, place, face in _deep(model.solid - blank, model.surface):
        said = "the blank does not hold the part"
        del face
        yield Finding(Fault.STOCK, said, None, 0, place, piece.volume(), deep)


def _deep(
    body: Manifold, surface: Surface, tolerance_mm: float = TOLERANCE_MM
) -> Iterator[tuple[Manifold, float, tuple[float, float, float], int]]:
    """The pieces that reach farther from a surface than the tolerance: depth, place and nearest face."""
    for piece in apart(body):
        if 2 * piece.volume() < 1e-9:
            continue
        points = points_of(piece)
        away, faces = surface.nearest(points)
        far = int(np.argmax(away))
        if away[far] > tolerance_mm:
            yield piece, float(away[far]), _vec(points[far]), int(faces[far])


def _compared(run: Run, step: Step, taken: Sequence[Taken], path: Path) -> Iterator[Finding]:
    """A written body against what its steps leave."""
    told = _mesh(path)
    for piece, deep, place, _ in _deep(run.stock - told, Surface(told)):
        said = f"{path.name} lacks what no step has taken"
        yield Finding(Fault.STOCK, said, _nearest(run, place), step.number, place, piece.volume(), deep)
    more = told - joined([run.stock, *(one.over for one in taken)])
    for piece, deep, place, _ in _deep(more, Surface(run.stock)):
        said = f"{path.name} still has what is gone by then"
        yield Finding(Fault.STOCK, said, _nearest(run, place), step.number, place, piece.volume(), deep)


def _nearest(run: Run, place: tuple[float, float, float]) -> str | None:
    _, faces = run.model.surface.nearest(np.array([place]))
    return run.written.owner.get(run.model.places[int(faces[0])])


def _leftovers(run: Run) -> Iterator[Finding]:
    for piece, deep, place, face in _deep(run.stock - run.model.solid, run.model.surface):
        feature = run.written.owner.get(run.model.places[face])
        makers = run.written.makers(feature) if feature else []
        said = "stays on the part" if makers else "stays on the part, no step takes it"
        yield Finding(
            Fault.LEFTOVER, said, feature, makers[-1] if makers else None, place, piece.volume(), deep
        )


def _vec(point: Array) -> tuple[float, float, float]:
    x, y, z = point
    return float(x), float(y), float(z)

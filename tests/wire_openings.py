"""Random openings through the wire's papers and back: ``python -m tests.wire_openings --count 200``.

For each one the walls are rebuilt from the drawing and held against the kernel's sections of the part.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely

from featurize.brep.build import build_part
from featurize.recognise import recognise
from tests.support.wire_files import (
    Axes,
    beyond_mm,
    heights_between,
    left_mm,
    material_at,
    passes_in,
    written,
)
from tests.support.wire_openings import KINDS, insert

LIMIT_MM = 0.002


@dataclass(frozen=True)
class Outcome:
    """``beyond_mm`` is cut into the part, ``left_mm`` left of its walls; ``passes`` tell what was made."""

    kind: str
    seed: int
    beyond_mm: float
    left_mm: float
    passes: tuple[str, ...]

    @property
    def holds(self) -> bool:
        return bool(self.passes) and max(self.beyond_mm, self.left_mm) <= LIMIT_MM


def tried(kind: str, seed: int, folder: Path) -> Outcome:
    """One opening; no passes where the wire does not make it."""
    solid = insert(kind, seed).val().wrapped
    plan, told = written(recognise(build_part(solid), threads={"all": "plain"}), folder)
    if "wire" not in told:
        return Outcome(kind, seed, np.inf, np.inf, ())
    beyond = left = 0.0
    names: list[str] = []
    for setup, path in passes_in(folder, told).values():
        axes = Axes.of(told, setup)
        part = plan.job.part
        levels = axes.local(part.mesh.vertices)[:, 2]
        names += [p.name for p in path]
        for z in heights_between(path, float(levels.min()), float(levels.max()), 0.002):
            material = material_at(part.solid, axes, z)
            walls = [shapely.get_coordinates(r) for p in shapely.get_parts(material) for r in p.interiors]
            beyond = max(beyond, beyond_mm(path, material, z))
            left = max(left, left_mm(path, walls, z))
    return Outcome(kind, seed, beyond, left, tuple(names))


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--kind", choices=sorted(KINDS))
    parser.add_argument("--first", type=int, default=0)
    asked = parser.parse_args(arguments)
    kinds = [asked.kind] if asked.kind else list(KINDS)
    start, outcomes = time.perf_counter(), list[Outcome]()
    for n in range(asked.first, asked.first + asked.count):
        kind = kinds[n % len(kinds)]
        with tempfile.TemporaryDirectory() as folder:
            found = tried(kind, n, Path(folder))
        outcomes.append(found)
        if not found.holds:
            print(f"{kind} {n}: beyond {found.beyond_mm:.4f}, left {found.left_mm:.4f}, {found.passes}")
    print(f"{'kind':26}{'number':>7}{'hold':>6}{'beyond':>9}{'left':>9}")
    for kind in kinds:
        mine = [o for o in outcomes if o.kind == kind]
        if mine:
            beyond, left = max(o.beyond_mm for o in mine), max(o.left_mm for o in mine)
            print(f"{kind:26}{len(mine):7}{sum(o.holds for o in mine):6}{beyond:9.4f}{left:9.4f}")
    held = sum(o.holds for o in outcomes)
    print(f"{held} of {len(outcomes)} within {LIMIT_MM} mm, {time.perf_counter() - start:.0f} s")
    return 0 if held == len(outcomes) else 1


if __name__ == "__main__":
    raise SystemExit(main())

"""A feature's walls in bands: between two heights where any of them changes its section changes as one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Edge, Part
from featurize.brep.silhouette import View
from featurize.brep.surfaces import Array
from routing.processes.wire.outline import Outline
from routing.processes.wire.sections import Loop, loops, outlines, paired

# Heights closer than this are one: at 45 degrees a wall moves no farther meanwhile than a wire holds.
_LEVEL_MM = 0.002
# Where a band is cut, as shares of its height: near its ends, else ever farther in.
_INWARDS = (0.01, 0.1, 0.25, 0.4)
_BETWEEN = 0.37
# What looks along the wire by more than this (cosine) is no wall.
_WALL_COS = 0.7


@dataclass(frozen=True, eq=False)
class Ring:
    """The section of some walls in a band, from below: outlines at ``heights_mm`` with corners that match.

    One outline where the walls stand straight. ``fitted`` tells that curves were made of lines and arcs.
    """

    low_mm: float
    high_mm: float
    heights_mm: tuple[float, ...]
    outlines: tuple[Outline, ...]
    fitted: bool

    @property
    def closed(self) -> bool:
        return self.outlines[0].closed

    @property
    def middle(self) -> Outline:
        return self.outlines[len(self.outlines) // 2]

    @property
    def section(self) -> list[tuple[float, Outline]]:
        """(height, outline) at three heights of the band."""
        if len(self.outlines) == 1:
            return [
                (self.low_mm + s * (self.high_mm - self.low_mm), self.outlines[0]) for s in (0.01, 0.5, 0.99)
            ]
        return list(zip(self.heights_mm, self.outlines, strict=True))


@dataclass(eq=False)
class Walls:
    """Those of ``faces`` that do not lie across the wire."""

    part: Part
    view: View
    faces: Sequence[int]
    _spans: dict[int, tuple[float, float]] = field(default_factory=dict)
    _known: dict[float, tuple[Loop, ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        along = self.view.along
        for i in self.faces:
            if float(np.mean(np.abs(self.part.faces[i].normals @ along))) < _WALL_COS:
                self._spans[i] = self._span(i)

    def bands(self) -> list[tuple[float, float]]:
        """(low, high) from below."""
        marks = [h for span in self._spans.values() for h in span]
        marks += [h for i in self._spans for e in self.part.edges_of(i) for h in self._turns(e)]
        levels: list[list[float]] = []
        for h in sorted(marks):
            if levels and h - levels[-1][0] < _LEVEL_MM:
                levels[-1].append(h)
            else:
                levels.append([h])
        heights = [float(np.mean(same)) for same in levels]
        return [(a, b) for a, b in zip(heights[:-1], heights[1:], strict=True) if self._in(a, b)]

    def rings(self, low_mm: float, high_mm: float) -> tuple[Ring, ...]:
        """The rings and chains of a band, cut where they close, else where most of them is left."""
        walls = self._in(low_mm, high_mm)
        straight = all(
            float(np.abs(self.part.faces[i].normals @ self.view.along).max()) < 1e-9 for i in walls
        )
        best: tuple[float, tuple[Ring, ...]] = 0.0, ()
        for inward in (0.5, *_INWARDS) if straight else _INWARDS:
            shares = (inward,) if straight else (inward, _BETWEEN, 1 - inward)
            heights = tuple(low_mm + s * (high_mm - low_mm) for s in shares)
            found = self._matched(low_mm, high_mm, heights)
            if found and all(r.closed for r in found):
                return found
            length = sum(float(r.middle.lengths.sum()) for r in found)
            if length > best[0] + tol.SURFACE_MM:
                best = length, found
        return best[1]

    def _matched(self, low_mm: float, high_mm: float, heights: tuple[float, ...]) -> tuple[Ring, ...]:
        first, *others = (self._loops(h) for h in heights)
        matched: list[list[Loop]] = [[a] for a in first]
        for loops_there in others:
            partner = {id(a): b for a, b in paired(first, loops_there)}
            matched = [[*own, partner[id(own[0])]] for own in matched if id(own[0]) in partner]
        found = []
        for own in matched:
            fitted = any(run.turn is None for run in own[0].runs)
            found.append(Ring(low_mm, high_mm, heights, outlines(own), fitted))
        return tuple(found)

    def _loops(self, height_mm: float) -> tuple[Loop, ...]:
        if height_mm not in self._known:
            walls = [self.part.faces[i] for i in self._in(height_mm, height_mm)]
            self._known[height_mm] = loops(self.part, walls, self.view, height_mm)
        return self._known[height_mm]

    def _in(self, low_mm: float, high_mm: float) -> list[int]:
        middle = (low_mm + high_mm) / 2
        return [i for i, (a, b) in self._spans.items() if a < middle < b]

    def _span(self, face: int) -> tuple[float, float]:
        mesh = self.part.mesh
        used = mesh.vertices[mesh.corners([face])]
        heights = self._heights(used if len(used) else self.part.faces[face].points)
        return float(heights.min()), float(heights.max())

    def _turns(self, edge: Edge) -> list[float]:
        """The heights of an edge's ends, and where it turns between (a parabola through three points)."""
        h = self._heights(edge.points)
        found = [float(h[0]), float(h[-1])]
        for k in range(1, len(h) - 1):
            before, after = h[k] - h[k - 1], h[k] - h[k + 1]
            if before * after > 0 and max(abs(before), abs(after)) > tol.LENGTH_MM / 10:
                found.append(float(h[k] + (before - after) ** 2 / (8 * (before + after))))
        return found

    def _heights(self, points: Array) -> Array:
        return np.asarray((points - self.view.origin) @ self.view.along)

"""A part cut across in slabs about one feature: in each, its metal is the same, or nearly so.

Levels are along a view from its origin, mm. Where every face in a slab is level or upright its middle
section stands for it exactly; else the slab is thin, and the sections at its ends bound the error.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from featurize import tolerances as tol
from featurize.brep.sections import Sections
from featurize.brep.silhouette import View
from featurize.brep.surfaces import Array, Plane
from routing.processes.context import JobContext

# Into how many slabs a stretch with slanted or shaped faces is cut.
_FINE = 4
# Sections at a slab's ends keep off the level faces there.
_OFF_MM = 1.3e-4


@dataclass(frozen=True)
class Slab:
    """``even`` where every face in it is level or upright."""

    low_mm: float
    high_mm: float
    even: bool

    @property
    def height_mm(self) -> float:
        return self.high_mm - self.low_mm

    @property
    def levels(self) -> tuple[float, ...]:
        """Its middle; of an uneven one its ends too."""
        middle = (self.low_mm + self.high_mm) / 2
        off = min(_OFF_MM, self.height_mm / 4)
        return (middle,) if self.even else (middle, self.low_mm + off, self.high_mm - off)


@dataclass(frozen=True, eq=False)
class Stack:
    """Sections of a part square to ``view``."""

    job: JobContext
    view: View

    @classmethod
    def along(cls, job: JobContext, direction: Array, up: Array | None = None) -> Stack:
        if up is None:
            return cls(job, View.of(job.part, direction))
        return cls(job, View.toward(job.part.frame.origin, np.asarray(direction, float), up))

    def levels(self, points: Array) -> Array:
        return np.asarray((points - self.view.origin) @ self.view.along)

    def extent(self, ids: Iterable[int]) -> tuple[float, float]:
        levels = self.levels(self.job.cloud(ids))
        return float(levels.min()), float(levels.max())

    def metal(self, level_mm: float, window: Any | None = None) -> Any:
        """The part's section, a shapely Polygon or MultiPolygon, cut to a box (shapely) if given."""
        key = (*np.round(np.concatenate([self.view.along, self.view.up]), 9),)
        box = None if window is None else window.bounds
        mesh, kept = self.job.part.mesh, self.job.kept
        seen = kept(("sections", *key), lambda: Sections(self.view, mesh.vertices[mesh.triangles]))
        if box is not None:
            whole = seen
            seen = kept(("sections", *key, box), lambda: whole.near(box))
        return kept(("section", *key, box, round(level_mm, 7)), lambda: seen.at(level_mm))

    def slabs(self, low_mm: float, high_mm: float, window: Any, *more: float) -> list[Slab]:
        """From low to high. What is outside the window (shapely) or beyond the ends makes no slab;
        ``more`` are levels that end one besides."""
        stops, uneven = [low_mm, high_mm, *more], []
        box = np.array(window.bounds)
        for face in self.job.part.faces:
            cloud = self.job.cloud([face.id])
            flat, levels = self.view.flat(cloud), self.levels(cloud)
            if not len(cloud) or np.any(flat.max(axis=0) < box[:2]) or np.any(flat.min(axis=0) > box[2:]):
                continue
            ends = float(levels.min()), float(levels.max())
            if ends[1] - ends[0] < tol.LENGTH_MM:
                stops.append(ends[0])
                continue
            stops += ends
            if isinstance(face.surface, Plane):
                stops += [
                    float(v) for e in self.job.part.edges_of(face.id) for v in self.levels(e.points[[0, -1]])
                ]
            if float(np.abs(face.normals @ self.view.along).max()) > tol.EDGE_ON_SINE:
                uneven.append(ends)
        inside = np.array(sorted(v for v in stops if low_mm - tol.LENGTH_MM < v < high_mm + tol.LENGTH_MM))
        kept = inside[np.concatenate([[True], np.diff(inside) > tol.LENGTH_MM])]
        return list(_split(np.clip(kept, low_mm, high_mm), uneven))


def _split(stops: Array, uneven: Iterable[tuple[float, float]]) -> Iterator[Slab]:
    for a, b in zip(stops[:-1], stops[1:], strict=True):
        even = not any(low < b - tol.LENGTH_MM and high > a + tol.LENGTH_MM for low, high in uneven)
        cuts = np.linspace(a, b, 2 if even else _FINE + 1)
        for low, high in zip(cuts[:-1], cuts[1:], strict=True):
            yield Slab(float(low), float(high), even)


def strips(polygon: Any, across: float) -> list[tuple[float, float]]:
    """Where the upright line at a place across lies inside a polygon."""
    _, low, _, high = polygon.bounds
    met = shapely.linestrings([(across, low - 1), (across, high + 1)]).intersection(polygon)
    return [(p.bounds[1], p.bounds[3]) for p in shapely.get_parts(met) if p.length > tol.LENGTH_MM]

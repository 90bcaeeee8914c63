"""What a process would leave of one feature's space: regions between levels, in the process's own view.

The space is what stands over the feature in a blank as high as its rim, less the part. A wire clears what it
passes right through, a cutter or an electrode what it sees from its side, a wheel what its rim reaches in
its own plane; each opened by its disc (a wire's radius and gap, a cutter's radius, an electrode's edge and
gap, the wheel's radius). The rounding of a cutter's or a wheel's own corner at a floor is not in it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely

from featurize import tolerances as tol
from featurize.brep.silhouette import View, merged
from featurize.feature import Feature
from routing.processes.outlines import outline_of
from routing.processes.rest.plane import OUTLINE_MM, Reach, chords_mm, path_of, same, solid_of
from routing.processes.rest.slabs import Slab, Stack

# Where more than this share stays there is no body of it: it is the feature's own space, or nearly.
NEARLY_ALL = 0.9


class NoBodyError(Exception):
    """Why a process's rest is not worked out."""


@dataclass(frozen=True, eq=False)
class Layer:
    """Polygons that stay between two levels."""

    low_mm: float
    high_mm: float
    pieces: tuple[Any, ...]


@dataclass(eq=False)
class Left:
    """What ``tool`` leaves, in ``view``; ``whole_mm3`` is the feature's space."""

    tool: str
    view: View
    layers: list[Layer] = field(default_factory=list)
    whole_mm3: float = 0.0
    chord_mm: float = 0.0
    space: Any = field(default_factory=shapely.Polygon)  # the feature's, seen along the view
    _uneven_mm3: float = 0.0

    @property
    def sections_mm3(self) -> float:
        """The volume by the sections, arcs as chords."""
        return sum((c.high_mm - c.low_mm) * sum(float(p.area) for p in c.pieces) for c in self.layers)

    @property
    def share(self) -> float:
        return self.sections_mm3 / self.whole_mm3 if self.whole_mm3 else 0.0

    def bodies(self) -> list[Any]:
        """Prisms, none over another."""
        return [solid_of(self.view, p, c.low_mm, c.high_mm) for c in self.layers for p in c.pieces]

    def seen(self) -> tuple[list[Any], list[Any]]:
        """The space and what stays of it as rings (k, 2) in the view, to 0.005 mm; holes with the clock."""
        kept = shapely.union_all([p for c in self.layers for p in c.pieces])
        return _rings(self.space), _rings(kept)

    @property
    def bound_mm3(self) -> float:
        """How far the bodies' volume may be off: outlines' rounding, chords of curved walls, uneven slabs."""
        found = self._uneven_mm3
        for c in self.layers:
            for ring in (r for p in c.pieces for r in (p.exterior, *p.interiors)):
                rough = chords_mm(path_of(ring)) * self.chord_mm
                found += (c.high_mm - c.low_mm) * (float(ring.length) * OUTLINE_MM + rough)
        return found

    def add(self, slab: Slab, space: Any, pieces: list[list[Any]]) -> None:
        """``pieces`` are those at the slab's middle, and of an uneven slab those at its ends."""
        self.whole_mm3 += slab.height_mm * float(space.area)
        self.space = shapely.union_all([self.space, space])
        if not slab.even:
            # Simpson's rule less the middle's.
            middle, low, high = (sum(float(p.area) for p in some) for some in pieces)
            self._uneven_mm3 += slab.height_mm * abs(low - 2 * middle + high) / 6
        if not pieces[0]:
            return
        last = self.layers[-1] if self.layers else None
        # From the top down: the same pieces go on.
        if last and abs(last.low_mm - slab.high_mm) < tol.LENGTH_MM and same(last.pieces, pieces[0]):
            self.layers[-1] = Layer(slab.low_mm, last.high_mm, last.pieces)
        else:
            self.layers.append(Layer(slab.low_mm, slab.high_mm, tuple(pieces[0])))


def _rings(region: Any) -> list[Any]:
    drawn = shapely.orient_polygons(shapely.simplify(region, tol.MESH_DEFLECTION_MM))
    parts = [p for p in shapely.get_parts(drawn) if p.geom_type == "Polygon"]
    return [shapely.get_coordinates(r)[:-1] for p in parts for r in (p.exterior, *p.interiors)]


def rolled(
    stack: Stack,
    feature: Feature,
    tool: str,
    radius_mm: float,
    *,
    silhouette: Any | None = None,
    floor_mm: float = -np.inf,
) -> Left:
    """What a disc that comes along the view leaves of the feature's space, from its mouth down.

    With a ``silhouette`` it passes right through beside that, else it needs air above it. Below
    ``floor_mm`` it reaches nothing.
    """
    job, view = stack.job, stack.view
    outline = outline_of(job.part, view, np.array(feature.faces))
    window = shapely.box(*outline.bounds).buffer(2 * radius_mm + 1, join_style="mitre")
    low, mouth = stack.extent(feature.faces)
    top = float(stack.levels(job.part.mesh.vertices).max())
    found = Left(tool, view, chord_mm=job.part.mesh.deflection_mm)
    over = silhouette if silhouette is not None else shapely.Polygon()
    stops = [mouth, floor_mm] if np.isfinite(floor_mm) else [mouth]
    for slab in reversed(stack.slabs(low, mouth if silhouette is not None else top, window, *stops)):
        metals = [stack.metal(level, window) for level in slab.levels]
        if slab.low_mm < mouth - tol.LENGTH_MM:
            barred = slab.low_mm < floor_mm - tol.LENGTH_MM
            pieces = []
            for metal in metals:
                hidden = over if silhouette is not None else shapely.union_all([over, metals[-1], metal])
                free = shapely.Polygon() if barred else window.difference(hidden)
                pieces.append(Reach(free, radius_mm).left_of(outline.difference(metal)))
            found.add(slab, outline.difference(metals[0]), pieces)
        if silhouette is None:
            over = merged([over, *metals])
    return found

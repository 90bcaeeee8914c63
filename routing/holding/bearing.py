"""The flat outsides of a part, on which it rests and at which it is gripped, as they are at a time.

A side of the blank is its whole outline until a cut opens into it. What the finished part lacks of the
outline falls into pieces; a piece is gone as soon as one of the features at its rim is made. Flat faces cast
their exact outlines, round ones chords within ``tolerances.MESH_DEFLECTION_MM``.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from shapely import affinity

from featurize import tolerances as tol
from featurize.brep.shadow import View, cast
from featurize.brep.surfaces import Array, Plane
from featurize.feature import Kind
from routing.processes.base import JobContext


@dataclass(frozen=True, eq=False)
class Outside:
    """One side of the part in a view along its outward direction.

    ``finished`` is what is flat in the end (shapely), ``lost`` the pieces that are cut out of it, each with
    the features at its rim. ``level_mm`` is the side's place along the view.
    """

    side: str
    view: View
    level_mm: float
    finished: Any
    lost: tuple[tuple[Any, frozenset[str]], ...]
    features: tuple[str, ...]

    def after(self, made: Collection[str]) -> Any:
        """What is left of the side once some features are made: a shapely region."""
        gone = set(made)
        standing = [piece for piece, rim in self.lost if rim and not rim & gone]
        return shapely.union_all([self.finished, *standing], grid_size=tol.LENGTH_MM / 100)

    @cached_property
    def whole_mm2(self) -> float:
        return float(self.finished.area + sum(piece.area for piece, _ in self.lost))

    @property
    def kept(self) -> float:
        """Share of the side that is left in the end."""
        return float(self.finished.area) / self.whole_mm2 if self.whole_mm2 else 0.0

    def opens(self, feature: str) -> bool:
        """Whether a feature cuts into the side."""
        return any(feature in rim for _, rim in self.lost)


def outside(job: JobContext, side: str, up: str | None = None) -> Outside:
    """A side such as "-z"; ``up`` is the side that is up in its view."""
    return job.kept(("outside", side, up), lambda: _outside(job, side, up))


def opposite(side: str) -> str:
    return ("-" if side[0] == "+" else "+") + side[1]


def _outside(job: JobContext, side: str, up: str | None) -> Outside:
    part, frame = job.part, job.part.frame
    along = frame.direction(side)
    upward = frame.direction(up) if up else frame.axes[("xyz".index(side[1]) + 1) % 3]
    view = View.toward(frame.origin, along, upward)
    mine = [f.id for f in part.faces if job.scene.side_of(f) == side and job.scene.on_box(f)]
    level = float(((part.mesh.vertices - frame.origin) @ along).max())
    finished = cast(part, view, np.array(mine, np.int64)) if mine else shapely.Polygon()
    outline = _seen_in(view, *job.kept(("outline", side[1]), lambda: _outline(job, side[1])))
    pieces = []
    for piece in shapely.get_parts(shapely.difference(outline, finished, grid_size=tol.LENGTH_MM / 100)):
        if piece.area > tol.SURFACE_MM:
            pieces.append((piece, _rim(job, side, view, piece)))
    owners = dict.fromkeys(job.owner[i].id for i in mine if i in job.owner)
    return Outside(side, view, level, finished, tuple(pieces), tuple(owners))


def _outline(job: JobContext, axis: str) -> tuple[View, Any]:
    """The part's outline along an axis without its holes, and the view it is in."""
    part, frame = job.part, job.part.frame
    k = "xyz".index(axis)
    view = View.toward(frame.origin, frame.axes[k], frame.axes[(k + 1) % 3])
    level = [
        f.id
        for f in part.faces
        if isinstance(f.surface, Plane) and abs(float(f.surface.normal @ view.along)) > 1 - tol.EDGE_ON_SINE
    ]
    # Flat faces tell the outline of nearly all parts; where they do not fill the hull, all faces are asked.
    hull = shapely.convex_hull(shapely.multipoints(view.flat(part.mesh.vertices)))
    found = _filled(cast(part, view, np.array(level, np.int64))) if level else shapely.Polygon()
    if hull.area - found.area > tol.SURFACE_MM * hull.length:
        found = _filled(cast(part, view))
    return view, found


def _seen_in(view: View, other: View, region: Any) -> Any:
    """A region of another view along the same line, in this one."""
    turn = np.array([view.across, view.up]) @ np.array([other.across, other.up]).T
    return affinity.affine_transform(region, [*turn.ravel(), 0.0, 0.0])


def _filled(region: Any) -> Any:
    """A region with its holes closed."""
    outlines = [shapely.Polygon(p.exterior) for p in shapely.get_parts(region) if not p.is_empty]
    return shapely.union_all(outlines)


def _rim(job: JobContext, side: str, view: View, piece: Any) -> frozenset[str]:
    """Features that open to the side and have corners at the piece, seen from the side."""
    near = shapely.buffer(piece, tol.SURFACE_MM)
    found = set()
    for feature in job.features:
        if feature.kind == Kind.OUTSIDE_FACE or side not in feature.opens_to:
            continue
        points: Array = job.cloud(feature.faces)
        flat = view.flat(points)
        if shapely.contains_xy(near, flat[:, 0], flat[:, 1]).any():
            found.add(feature.id)
    return frozenset(found)

"""The flat outsides of a part, on which it rests and at which it is gripped, as they are at a time.

A side of the blank is its whole outline until a cut opens into it. What the finished part lacks of the
outline falls into pieces; a piece is gone as soon as one of the features at its rim is made. Flat faces cast
their exact outlines, round ones chords within ``tolerances.MESH_DEFLECTION_MM``.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from shapely import affinity

from featurize import tolerances as tol
from featurize.brep.shadow import View, cast
from featurize.brep.surfaces import Array
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
    _after: dict[tuple[int, ...], Any] = field(default_factory=dict, repr=False)

    def after(self, made: Collection[str]) -> Any:
        """What is left of the side once some features are made: a shapely region."""
        standing = self._standing(made)
        if standing not in self._after:
            pieces = [self.finished, *(self.lost[n][0] for n in standing)]
            self._after[standing] = shapely.union_all(pieces, grid_size=tol.SNAP_MM)
        return self._after[standing]

    def left_mm2(self, made: Collection[str]) -> float:
        """How much that is; none of the pieces lie over each other."""
        return self._areas[-1] + sum(self._areas[n] for n in self._standing(made))

    def _standing(self, made: Collection[str]) -> tuple[int, ...]:
        gone = set(made)
        return tuple(n for n, (_, rim) in enumerate(self.lost) if rim and not rim & gone)

    @cached_property
    def _areas(self) -> tuple[float, ...]:
        """Of the pieces, and at the end of what is finished."""
        return tuple(float(region.area) for region in (*(piece for piece, _ in self.lost), self.finished))

    @cached_property
    def whole_mm2(self) -> float:
        return sum(self._areas)

    @cached_property
    def _openers(self) -> frozenset[str]:
        return frozenset().union(*(rim for _, rim in self.lost))

    def opens(self, feature: str) -> bool:
        """Whether a feature cuts into the side."""
        return feature in self._openers


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
    lost = shapely.get_parts(shapely.difference(outline, finished, grid_size=tol.SNAP_MM))
    lost = lost[shapely.area(lost) > tol.SURFACE_MM]
    pieces = tuple(zip(lost.tolist(), _rims(job, side, view, lost), strict=True))
    owners = dict.fromkeys(job.owner[i].id for i in mine if i in job.owner)
    return Outside(side, view, level, finished, pieces, tuple(owners))


def _outline(job: JobContext, axis: str) -> tuple[View, Any]:
    """The part's outline along an axis without its holes, and the view it is in."""
    frame = job.part.frame
    k = "xyz".index(axis)
    view = View.toward(frame.origin, frame.axes[k], frame.axes[(k + 1) % 3])
    return view, _filled(cast(job.part, view))


def _seen_in(view: View, other: View, region: Any) -> Any:
    """A region of another view along the same line, in this one."""
    turn = np.array([view.across, view.up]) @ np.array([other.across, other.up]).T
    return affinity.affine_transform(region, [*turn.ravel(), 0.0, 0.0])


def _filled(region: Any) -> Any:
    """A region with its holes closed."""
    outlines = [shapely.Polygon(p.exterior) for p in shapely.get_parts(region) if not p.is_empty]
    return shapely.union_all(outlines)


def _rims(job: JobContext, side: str, view: View, pieces: Any) -> list[frozenset[str]]:
    """For each piece the features that open to the side and have corners at it, seen from the side."""
    open_ = [f for f in job.features if f.kind != Kind.OUTSIDE_FACE and side in f.opens_to]
    if not open_:
        return [frozenset() for _ in pieces]
    clouds: list[Array] = [job.cloud(f.faces) for f in open_]
    owner = np.repeat(np.arange(len(open_)), [len(c) for c in clouds])
    corners = shapely.points(view.flat(np.vstack(clouds)))
    piece, corner = shapely.STRtree(corners).query(shapely.buffer(pieces, tol.SURFACE_MM), "contains")
    return [frozenset(open_[k].id for k in np.unique(owner[corner[piece == n]])) for n in range(len(pieces))]

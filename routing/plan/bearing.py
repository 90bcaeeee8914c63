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

from featurize import tolerances as tol
from featurize.brep.frame import Frame
from featurize.brep.silhouette import View, areas, cast
from featurize.brep.surfaces import Array
from featurize.feature import Kind
from routing.processes.blank import Shape
from routing.processes.context import JobContext

# Chords in a quarter of a disc's outline.
_QUARTER = 90


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
            self._after[standing] = areas(shapely.union_all(self._pieces(made), grid_size=tol.SNAP_MM))
        return self._after[standing]

    def within(self, window: Any, made: Collection[str]) -> Any:
        """What is left in a window (shapely)."""
        pieces = shapely.intersection(np.array(self._pieces(made)), window, grid_size=tol.SNAP_MM)
        return areas(shapely.union_all([areas(p) for p in pieces], grid_size=tol.SNAP_MM))

    def hull(self, made: Collection[str]) -> Any:
        """The convex hull of what is left."""
        return shapely.convex_hull(shapely.geometrycollections(self._pieces(made)))

    def _pieces(self, made: Collection[str]) -> list[Any]:
        return [self.finished, *(self.lost[n][0] for n in self._standing(made))]

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

    def in_frame(self, frame: Frame, region: Any) -> Any:
        """A region of it in the frame's two axes along the side, in their order x, y, z."""
        along = [k for k in range(3) if "xyz"[k] != self.side[1]]
        return shapely.transform(region, lambda at: frame.local(self.view.solid(at, self.level_mm))[:, along])


def outside(job: JobContext, side: str, up: str | None = None) -> Outside:
    """A side such as "-z"; ``up`` is the side that is up in its view."""
    whole = job.kept(("outside", side), lambda: _outside(job, side))
    if up is None:
        return whole
    return job.kept(("outside", side, up), lambda: _turned(whole, job.part.frame.direction(up)))


def _turned(whole: Outside, up: Array) -> Outside:
    """The same side with another direction up in its view."""
    view = View.toward(whole.view.origin, whole.view.along, up)
    pieces = _seen_in(view, whole.view, np.array([region for region, _ in whole.lost], object))
    lost = tuple(zip(pieces.tolist(), (rim for _, rim in whole.lost), strict=True))
    finished = _seen_in(view, whole.view, whole.finished)
    return Outside(whole.side, view, whole.level_mm, finished, lost, whole.features)


def _outside(job: JobContext, side: str) -> Outside:
    part, frame = job.part, job.part.frame
    along = frame.direction(side)
    view = View.toward(frame.origin, along, frame.axes[("xyz".index(side[1]) + 1) % 3])
    on_box = job.seen("faces on the box", lambda: _on_box(job))
    own = on_box.get(side, [])
    level = float(((part.mesh.vertices - frame.origin) @ along).max())
    finished = cast(part, view, np.array(own, np.int64)) if own else shapely.Polygon()
    # On the grid as all else, so that it and what is lost make up the outline.
    finished = shapely.transform(finished, lambda at: np.round(at / tol.SNAP_MM) * tol.SNAP_MM)
    outline = _seen_in(view, *job.kept(("outline", side[1]), lambda: _outline(job, side[1])))
    outline = shapely.union(outline, finished, grid_size=tol.SNAP_MM)
    lost = shapely.get_parts(shapely.difference(outline, finished, grid_size=tol.SNAP_MM))
    lost = lost[shapely.area(lost) > tol.SURFACE_MM]
    # The round of a disc was never a flat side that a cut has opened.
    lost = lost[:0] if _is_round(job, along) else lost
    pieces = tuple(zip(lost.tolist(), _rims(job, side, view, lost), strict=True))
    owners = dict.fromkeys(job.owner[i].id for i in own if i in job.owner)
    return Outside(side, view, level, finished, pieces, tuple(owners))


def _is_round(job: JobContext, along: Array) -> bool:
    """Whether a side of the blank is the round of a disc."""
    about = job.blanks.squared.round if job.blanks else None
    return about is not None and not _is_about(about, along)


def _is_about(about: tuple[Array, Array, float], along: Array) -> bool:
    """Whether a disc's axis lies along a direction of the frame."""
    return abs(float(about[1] @ along)) > 0.5


def _on_box(job: JobContext) -> dict[str | None, list[int]]:
    """The flat faces on each side of the part's box."""
    found: dict[str | None, list[int]] = {}
    for face in job.part.faces:
        if job.scene.on_box(face):
            found.setdefault(job.scene.side_of(face), []).append(face.id)
    return found


def _outline(job: JobContext, axis: str) -> tuple[View, Any]:
    """What the blank shows along an axis, and the view it is in: of a given one the part's own outline."""
    part, k = job.part, "xyz".index(axis)
    blank = job.blanks.squared if job.blanks else None
    view, silhouette = job.silhouette(part.frame.axes[k])
    if blank is not None and blank.shape == Shape.GIVEN:
        return view, _filled(silhouette)
    if blank is not None and blank.round is not None and _is_about(blank.round, part.frame.axes[k]):
        return view, shapely.Point(view.flat(blank.round[0])).buffer(blank.round[2], quad_segs=_QUARTER)
    ends = [(part.low, part.high)[b >> n & 1][n] for b in range(8) for n in range(3)]
    corners = view.flat(part.frame.world(np.array(ends).reshape(8, 3)))
    return view, shapely.box(*corners.min(axis=0), *corners.max(axis=0))


def _seen_in(view: View, other: View, region: Any) -> Any:
    """A region (or an array of them) of another view along the same line, in this one."""
    turn = np.array([view.across, view.up]) @ np.array([other.across, other.up]).T
    return shapely.transform(region, lambda at: at @ turn.T)


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
    at_each = np.split(owner[corner], np.searchsorted(piece, np.arange(1, len(pieces))))
    return [frozenset(open_[k].id for k in np.unique(owners)) for owners in at_each[: len(pieces)]]

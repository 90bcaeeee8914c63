"""Edges as a person sees them: the pieces that an exporter cut them into, joined."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Convexity, Edge, Part
from featurize.brep.surfaces import Array

# Pieces of one free curve turn by less than this from chord to chord; at a corner they turn by more.
_CORNER_DEG = 20.0


@dataclass(frozen=True, eq=False)
class EdgeRun:
    """Edges that go on from each other without a corner, end to end, between the same two faces."""

    edges: tuple[Edge, ...]
    closed: bool

    @property
    def id(self) -> str:
        """ "E" and the least place of its pieces in ``Part.edges``."""
        return f"E{min(e.id for e in self.edges)}"

    @property
    def length_mm(self) -> float:
        return sum(e.length_mm for e in self.edges)

    @cached_property
    def middle(self) -> Array:
        """(3,) in model mm: half way along, or the middle of what a closed one goes round."""
        circle = self.edges[0].circle
        if self.closed and circle is not None:
            return circle[0]
        points, along = self._course()
        if self.closed:
            steps = np.diff(along)[:, None]
            return np.asarray(np.sum((points[1:] + points[:-1]) / 2 * steps, axis=0) / steps.sum())
        half = np.array([np.interp(along[-1] / 2, along, points[:, k]) for k in range(3)])
        if circle is None:
            return half
        centre, _, radius = circle  # the point is on a chord
        out = half - centre
        return np.asarray(centre + out * radius / np.linalg.norm(out))

    def _course(self) -> tuple[Array, Array]:
        """Points (n, 3) from end to end and the way (n,) to each."""
        at = self._start()
        points, along, way = [], [], 0.0
        for edge in self.edges:
            forth = edge.ends[0] == at
            own = edge.points if forth else edge.points[::-1]
            at = edge.ends[1] if forth else edge.ends[0]
            steps = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(own, axis=0), axis=1))])
            points.append(own)
            along.append(way + steps * edge.length_mm / max(float(steps[-1]), 1e-12))
            way += edge.length_mm
        return np.vstack(points), np.concatenate(along)

    def _start(self) -> int:
        first = self.edges[0]
        if len(self.edges) == 1:
            return first.ends[0]
        return first.ends[1] if first.ends[0] in self.edges[1].ends else first.ends[0]


def edge_runs(part: Part, convexity: Convexity = Convexity.CONVEX) -> list[EdgeRun]:
    """The runs of a part's edges of one convexity, in the order of their first pieces."""
    between_same: dict[frozenset[int], list[Edge]] = defaultdict(list)
    for edge in part.edges:
        if edge.convexity == convexity:
            between_same[frozenset(edge.faces)].append(edge)
    found = [run for edges in between_same.values() for run in _runs(edges)]
    return sorted(found, key=lambda run: min(e.id for e in run.edges))


def _runs(edges: Sequence[Edge]) -> Iterator[EdgeRun]:
    meeting: dict[int, list[Edge]] = defaultdict(list)
    for edge in edges:
        if edge.ends[0] != edge.ends[1]:
            for vertex in edge.ends:
                meeting[vertex].append(edge)
    after = {
        vertex: (two[0], two[1])
        for vertex, two in meeting.items()
        if len(two) == 2 and two[0] is not two[1] and _goes_on(two[0], two[1], vertex)
    }
    left = {e.id: e for e in edges}
    while left:
        first = left.pop(min(left))
        chain, closed = [first], first.ends[0] == first.ends[1]
        for vertex in first.ends if not closed else ():
            chain.reverse()
            last, at = chain[-1], vertex
            while at in after:
                one, two = after[at]
                last = two if last is one else one
                if last is first:
                    closed = True
                    break
                del left[last.id]
                chain.append(last)
                at = last.ends[1] if last.ends[0] == at else last.ends[0]
            if closed:
                break
        yield EdgeRun(tuple(chain), closed)


def _goes_on(one: Edge, two: Edge, vertex: int) -> bool:
    """Whether two pieces are parts of one curve."""
    if one.curve != two.curve:
        return False
    if one.circle is not None and two.circle is not None:
        apart = float(np.linalg.norm(one.circle[0] - two.circle[0]))
        return apart < tol.SURFACE_MM and abs(one.circle[2] - two.circle[2]) < tol.SURFACE_MM
    into, out = -_leaving(one, vertex), _leaving(two, vertex)
    limit = tol.TANGENT_DEG if one.curve == "line" else _CORNER_DEG
    return bool(into @ out > np.cos(np.radians(limit)))


def _leaving(edge: Edge, vertex: int) -> Array:
    """The unit direction in which an edge leaves one of its ends."""
    points = edge.points if edge.ends[0] == vertex else edge.points[::-1]
    way = points[1] - points[0]
    return np.asarray(way / max(float(np.linalg.norm(way)), 1e-12))

"""Whether round tools with corners touch all that they are to finish, at points of it.

Levels tell little of a ball on a slope. Here points of the faces ask for a place of a tool from which they
are touched, and the tool comes down there until something that must stay stops it. In a setup's coordinates,
tool from above, lengths mm. Points of the obstacle lie ``_SPACING`` of a radius apart: on a surface of
curvature 1 / r a tool of radius R sinks between them by at most s^2 / 8 (1 / R + 1 / r), 0.005 at R 3.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from featurize.brep.surfaces import Array
from routing.dryrun.pieces import Ints
from routing.dryrun.reach import Round
from routing.dryrun.sampling import sampled

# Points of what must stay lie so many radii of the smallest tool apart.
_SPACING = 1 / 9
# Points at which the faces are asked; more tell the same in longer time.
_ASKED = 500
# Of points that a tool does not touch as it stands there, so many are asked from all about.
_HARD = 100
# Obstacle points at most: of a tool that is tiny beside its surroundings they lie farther apart.
_MOST = 60_000
# Shares of its radius by which a tool stands off a point, and in how many directions.
_AROUND = ((0.5, 12), (0.8, 12), (1.0, 36), (1.4, 16))
# From so many radii away a tool is the nearest to a point in a corner of two walls.
_FARTHEST = 1.5
# A wall that a tool's rim would touch no deeper stops it not.
_RUBS_MM = 0.01
# Fewer points than these lie at the very foot of a wall, where no direction is the right one.
_STRAY = 3


@dataclass(frozen=True, eq=False)
class Untouched:
    """Points (n, 3) that no tool touches, how far each stays off (n,) and the area (n,) each stands for."""

    points: Array
    gaps_mm: Array
    areas_mm2: Array

    @property
    def volume_mm3(self) -> float:
        """What stays, about."""
        return float(self.gaps_mm @ self.areas_mm2)

    def moved(self, axes: Array, origin: Array) -> Untouched:
        """The same in the model's coordinates."""
        return replace(self, points=self.points @ axes + origin)


def untouched(faces: Array, obstacle: Array, tools: Sequence[Round], slack_mm: float) -> Untouched:
    """Of faces (m, 3, 3) what none of the tools touches; ``obstacle`` (k, 3, 3) is what must stay."""
    cross = np.cross(faces[:, 1] - faces[:, 0], faces[:, 2] - faces[:, 0])
    twice = np.linalg.norm(cross, axis=1)
    faces = faces[cross[:, 2] > -1e-3 * twice]  # what looks down no tool from above touches
    points, normals = sampled(faces, _ASKED)
    areas = np.full(len(points), twice[cross[:, 2] > -1e-3 * twice].sum() / 2 / _ASKED)
    gaps = np.full(len(points), np.inf)
    radius = min(t.radius_mm for t in tools)
    stops = _dense(obstacle, radius * _SPACING)
    for tool in tools:
        (asked,) = np.nonzero(gaps > slack_mm)
        if len(asked):
            gaps[asked] = np.minimum(gaps[asked], _gaps(asked, points, normals, stops, tool, slack_mm))
    off = gaps > slack_mm
    off &= np.count_nonzero(off) >= _STRAY
    return Untouched(points[off], gaps[off], areas[off])


def _gaps(asked: Ints, points: Array, normals: Array, stops: Array, tool: Round, slack_mm: float) -> Array:
    """How far a tool stays off the ``asked`` of some points (n, 3): from where it touches each by itself, or
    else a neighbour.
    """
    places = _own_places(points, normals, tool)
    tips = _tips(places, stops, tool)
    found = _off(points[asked], places[asked], tips[asked], tool)
    (hard,) = np.nonzero(found > slack_mm)
    if not len(hard):
        return found
    few = hard[np.unique(np.linspace(0, len(hard) - 1, _HARD).astype(int))]
    turned = _turned_places(points[asked[few]], tool)
    places, tips = np.vstack([places, turned]), np.concatenate([tips, _tips(turned, stops, tool)])
    pairs = _pairs(points[asked[hard]], places, _FARTHEST * tool.radius_mm)
    off = _off(points[asked[hard]][pairs["i"]], places[pairs["j"]], tips[pairs["j"]], tool)
    np.minimum.at(found, hard[pairs["i"]], off)
    found[np.setdiff1d(hard, few)] = 0.0  # not asked from all about
    return found


def _pairs(one: Array, other: Array, within_mm: float) -> Any:
    """Fields i, j, v: which of two sets of points lie so near one another in plan, and how near."""
    trees = cKDTree(one[:, :2]), cKDTree(other[:, :2])
    return trees[0].sparse_distance_matrix(trees[1], within_mm, output_type="ndarray")


def _own_places(points: Array, normals: Array, tool: Round) -> Array:
    """Where a tool's axis (n, 2) stands when it touches points with upward or level normals."""
    level = np.linalg.norm(normals[:, :2], axis=1, keepdims=True)
    out = np.divide(normals[:, :2], level, out=np.zeros((len(points), 2)), where=level > 1e-3)
    flat = tool.radius_mm - tool.corner_mm
    return np.asarray(points[:, :2] + out * flat + normals[:, :2] * tool.corner_mm)


def _turned_places(points: Array, tool: Round) -> Array:
    """Where a tool's axis (n, 2) may stand about points."""
    found = []
    for share, count in _AROUND:
        turn = np.arange(count) * 2 * np.pi / count
        ways = np.column_stack([np.cos(turn), np.sin(turn)]) * tool.radius_mm * share
        found += [points[:, :2] + way for way in ways]
    return np.vstack(found)


def _rise(away: Array, tool: Round) -> Array:
    """How high over its tip a tool's underside is, so far from its axis."""
    out = np.clip(away - (tool.radius_mm - tool.corner_mm), 0.0, tool.corner_mm)
    return np.asarray(tool.corner_mm - np.sqrt(np.maximum(tool.corner_mm**2 - out**2, 0.0)))


def _tips(places: Array, stops: Array, tool: Round) -> Array:
    """How far down the tool comes at each place (n,)."""
    tips = np.full(len(places), -np.inf)
    pairs = _pairs(places, stops, tool.radius_mm - _RUBS_MM)
    np.maximum.at(tips, pairs["i"], stops[pairs["j"], 2] - _rise(pairs["v"], tool))
    return tips


def _off(points: Array, places: Array, tips: Array, tool: Round) -> Array:
    """The distance (n,) of points (n, 3) to the tool, each at its own place (n, 2) and height (n,)."""
    wide = np.hypot(*(places - points[:, :2]).T) - (tool.radius_mm - tool.corner_mm)
    high = tips + tool.corner_mm - points[:, 2]
    return np.asarray(np.maximum(np.hypot(np.maximum(wide, 0), np.maximum(high, 0)) - tool.corner_mm, 0.0))


def _dense(triangles: Array, spacing_mm: float) -> Array:
    """Points (n, 3) of triangles (m, 3, 3) no farther apart; of upright walls those of the rim alone."""
    cross = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    twice = np.linalg.norm(cross, axis=1)
    lean = np.abs(cross[:, 2]) / np.maximum(twice, 1e-12)
    edges = np.linalg.norm(np.roll(triangles, -1, axis=1) - triangles, axis=2).max(axis=1)
    total = twice[lean > 1e-3].sum() / 2
    spacing = max(spacing_mm, float(np.sqrt(total / _MOST)))
    parts = np.minimum(np.ceil(edges / spacing), 400).astype(int)
    found = []
    for n in np.unique(parts):
        own = triangles[(parts == n)]
        upright = lean[parts == n] <= 1e-3
        found.append(_split(own[~upright], int(n)))
        found.append(_sides(own[upright], int(n)))
    return _highest(np.concatenate(found), 0.7 * spacing)


def _highest(points: Array, cell_mm: float) -> Array:
    """Of points (n, 3) that stand over one another, the highest."""
    order = np.argsort(-points[:, 2], kind="stable")
    cells = np.floor(points[order, :2] / cell_mm).astype(np.int64)
    key = cells[:, 0] * 2**31 + cells[:, 1]
    _, first = np.unique(key, return_index=True)
    return np.asarray(points[order[first]])


def _split(triangles: Array, n: int) -> Array:
    """Points of a triangular grid of n rows in each triangle."""
    i, j = np.meshgrid(np.arange(n + 1), np.arange(n + 1), indexing="ij")
    inside = i + j <= n
    weights = np.stack([i[inside], j[inside], n - i[inside] - j[inside]], axis=1) / n
    return np.asarray(np.einsum("wk,tkx->twx", weights, triangles).reshape(-1, 3))


def _sides(triangles: Array, n: int) -> Array:
    """Points of each triangle's sides."""
    share = np.linspace(0, 1, n + 1)[None, None, :, None]
    after = np.roll(triangles, -1, axis=1)
    return np.asarray((triangles[:, :, None] * (1 - share) + after[:, :, None] * share).reshape(-1, 3))

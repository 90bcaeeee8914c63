"""What hides a feature from a tool that comes straight along a direction."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from featurize.brep.boxes import Boxes, facet_boxes
from featurize.brep.part import Mesh
from featurize.brep.rays import first_hits
from featurize.brep.surfaces import Array
from featurize.feature import Vec3
from featurize.kept import once_for_each
from featurize.recognise.scene import vec
from routing.processes.context import JobContext

# A face that looks this far (sine) away from the tool is undercut; less is noise of a wall.
_AWAY_SINE = 0.005
# Share of samples that may be hidden: those beside an inner edge stand off into the next face.
_HIDDEN_SHARE = 0.03
# How often a ray goes on behind a face that it may look through, and how far behind it starts anew.
_LOOKS = 8
_STEP_MM = 0.02
# Boxes are looked into this much beside a ray, far over the rounding.
_BESIDE_MM = 1e-6
# How far rays are followed at a time, in sizes of the part: each stretch as long as all before it.
_STEPS = (*(2.0**-k for k in range(7, 0, -1)), np.inf)
# So many pairs of rays and facets are looked at together, as far as can be told: bounds the memory.
_CHUNK = 1_000_000


@dataclass(frozen=True)
class Hidden:
    """``face`` is in the way (or, undercut, looks away); ``share`` of the samples that it costs."""

    face: int
    share: float
    undercut: bool
    place: Vec3


def hidden_from(job: JobContext, ids: Iterable[int], direction: Array) -> Hidden | None:
    """The worst obstacle between some faces and a tool outside along ``direction``; None when none is."""
    ids = tuple(ids)
    key = "hidden", ids, direction.tobytes()  # several processes ask it
    return job.seen(key, lambda: _hidden_from(job, ids, direction))


def _hidden_from(job: JobContext, ids: Sequence[int], direction: Array) -> Hidden | None:
    normals = np.vstack([job.part.faces[i].normals for i in ids])
    own = np.concatenate([np.full(len(job.part.faces[i].points), i) for i in ids])
    points = np.vstack([job.scene.off_surface(i) for i in ids])
    away = normals @ direction < -_AWAY_SINE
    if float(np.mean(away)) > _HIDDEN_SHARE:
        face = Counter(own[away].tolist()).most_common(1)[0][0]
        return Hidden(face, float(np.mean(away)), True, vec(points[away & (own == face)].mean(axis=0)))
    # A face that looks to the tool all over cannot hide itself: its samples lie behind its facets.
    toward = [i for i in ids if float((job.part.faces[i].normals @ direction).min()) > _AWAY_SINE]
    looks = np.isin(own, toward)
    lines = np.broadcast_to(direction, points.shape)
    hit = _met(job.part.mesh, points, lines, lambda ray, face: looks[ray] & (face == own[ray]))
    return _worst(hit >= 0, hit, points)


def hidden_along(
    job: JobContext, points: Array, directions: Array, ignored: Collection[int]
) -> Hidden | None:
    """The worst obstacle on either side of points (n, 3) along unit directions (n, 3); None when none is.

    What is met on faces that are ``ignored`` is looked through: points that lie on a hollow wall are behind
    its facets here and there.
    """
    worst: Hidden | None = None
    through = list(ignored)
    for sense in (1.0, -1.0):
        hit = _met(job.part.mesh, points, sense * directions, lambda _, face: np.isin(face, through))
        found = _worst(hit >= 0, hit, points)
        if found and (worst is None or found.share > worst.share):
            worst = found
    return worst


def _met(
    mesh: Mesh,
    points: Array,
    directions: Array,
    through: Callable[[NDArray[np.int64], NDArray[np.int64]], NDArray[np.bool_]],
) -> NDArray[np.int64]:
    """The face (n,) that each ray meets first, -1 for none, but for what it may look through.

    ``through`` is asked of rays, by number, and the faces they meet.
    """
    hit = np.full(len(points), -1, np.int64)
    at, todo = points.copy(), np.arange(len(points))
    for _ in range(_LOOKS):
        distance, face = hits(mesh, at[todo], directions[todo])
        hit[todo] = face
        again = (face >= 0) & through(todo, face)
        hit[todo[again]] = -1
        step = (distance[again] + _STEP_MM)[:, None] * directions[todo[again]]
        todo = todo[again]
        if len(todo) == 0:
            break
        at[todo] += step
    return hit


def _worst(blocked: NDArray[np.bool_], hit: NDArray[np.int64], points: Array) -> Hidden | None:
    share = float(np.mean(blocked))
    if share <= _HIDDEN_SHARE:
        return None
    face = Counter(hit[blocked].tolist()).most_common(1)[0][0]
    return Hidden(int(face), share, False, vec(points[blocked & (hit == face)].mean(axis=0)))


def hits(
    mesh: Mesh, origins: Array, directions: Array, reach_mm: float = np.inf
) -> tuple[Array, NDArray[np.int64]]:
    """First hit of rays of many directions: distances (n,), inf when free, and faces (n,), -1 when free.

    What lies farther than ``reach_mm`` need not be found.
    """
    if np.allclose(directions, directions[0], atol=1e-9):
        return first_hits(mesh, origins, directions[0])
    facets = _facets(mesh)
    size_mm = float(np.linalg.norm(facets.boxes.most - facets.boxes.least))
    distance = np.full(len(origins), np.inf)
    face = np.full(len(origins), -1, np.int64)
    free = np.arange(len(origins))
    start = so_far = 0.0
    for share in _STEPS:  # most rays end soon: only the rest are followed farther
        start, so_far = so_far, min(share * size_mm, reach_mm)
        near, at = facets.first(origins[free], directions[free], start, so_far)
        met = np.isfinite(near) & (near <= so_far)
        distance[free[met]], face[free[met]] = near[met], mesh.face_ids[at[met]]
        free = free[~met]
        if len(free) == 0 or so_far >= reach_mm:
            break
    return distance, face


@dataclass(frozen=True, eq=False)
class _Facets:
    """A mesh's facets. ``edges`` are the Pluecker coordinates (m, 6) of their three edges."""

    boxes: Boxes
    edges: tuple[Array, ...]
    normals: Array
    offsets: Array

    def first(
        self, origins: Array, directions: Array, start_mm: float, reach_mm: float
    ) -> tuple[Array, NDArray[np.int64]]:
        """Distance (n,) of the first facet that each ray meets on a stretch, inf for none, and the facet.

        Nothing is met before the stretch.
        """
        rays = np.hstack([directions, np.cross(origins, directions)])
        distance = np.full(len(origins), np.inf)
        facet = np.zeros(len(origins), np.int64)
        for ray, near in self._beside(origins, directions, start_mm, reach_mm):
            # Pluecker coordinates: a ray passes all three edges of a triangle on one side, or misses it.
            x, y, z = (np.einsum("ij,ij->i", rays[ray], e[near]) for e in self.edges)
            met = ((x >= 0) & (y >= 0) & (z >= 0)) | ((x <= 0) & (y <= 0) & (z <= 0))
            ray, near = ray[met], near[met]
            normal = self.normals[near]
            with np.errstate(divide="ignore", invalid="ignore"):
                t = (self.offsets[near] - np.einsum("ij,ij->i", origins[ray], normal)) / np.einsum(
                    "ij,ij->i", directions[ray], normal
                )
            ahead = (t > 0) & np.isfinite(t)
            ray, near, t = ray[ahead], near[ahead], t[ahead]
            order = np.lexsort((-near, -t))  # the nearest, and of equals the first, is written last
            distance[ray[order]], facet[ray[order]] = t[order], near[order]
        return distance, facet

    def _beside(
        self, origins: Array, directions: Array, start_mm: float, reach_mm: float
    ) -> Iterator[tuple[NDArray[np.int64], NDArray[np.int64]]]:
        """Pairs of rays and facets whose boxes meet, in lots; all of a ray are in one lot."""
        with np.errstate(divide="ignore", invalid="ignore"):
            leaves = (np.where(directions > 0, self.boxes.most, self.boxes.least) - origins) / directions
        leaves = np.where(directions == 0, np.inf, leaves).min(axis=1)
        starts, ends = (origins + directions * np.clip(leaves, 0, mm)[:, None] for mm in (start_mm, reach_mm))
        first, last = np.minimum(starts, ends) - _BESIDE_MM, np.maximum(starts, ends) + _BESIDE_MM
        # In a plate the facets beside a stretch grow with the square of its length.
        size_mm = float(np.linalg.norm(self.boxes.most - self.boxes.least))
        share = min(1.0, (reach_mm - start_mm) / size_mm)
        chunk = max(10, int(_CHUNK / (1 + len(self.normals) * share**2)))
        for start in range(0, len(origins), chunk):
            ray, near = self.boxes.meeting(first[start : start + chunk], last[start : start + chunk])
            yield ray + start, near


@once_for_each
def _facets(mesh: Mesh) -> _Facets:
    a, b, c = mesh.vertices[mesh.triangles].transpose(1, 0, 2)
    edges = tuple(np.hstack([np.cross(p, q), q - p]) for p, q in ((a, b), (b, c), (c, a)))
    normals = np.cross(b - a, c - a)
    return _Facets(facet_boxes(mesh), edges, normals, np.sum(normals * a, axis=1))

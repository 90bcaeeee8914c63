"""What hides a feature from a tool that comes straight along a direction."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from featurize.brep.boxes import Boxes, facet_boxes
from featurize.brep.part import Face, Mesh
from featurize.brep.rays import first_hits
from featurize.brep.surfaces import Array, Cone, Cylinder, Plane
from featurize.feature import Vec3
from featurize.recognise.scene import vec
from routing.processes.context import JobContext

# A face that looks this far (sine) away from the tool is undercut; less is noise of a wall.
_AWAY_SINE = 0.005
# Share of samples that may be hidden: those beside an inner edge stand off into the next face.
_HIDDEN_SHARE = 0.03
# Side edges of a wall stand at most this far (cosine of 30 deg) off the wire.
_UPRIGHT_COS = 0.866
# Boxes are looked into this much beside a ray, far over the rounding.
_BESIDE_MM = 1e-6
# How far rays are followed at a time, in sizes of the part: each stretch as long as all before it.
_STEPS = (*(2.0**-k for k in range(7, 0, -1)), np.inf)
# So many pairs of rays and facets are looked at together, as far as can be told: bounds the memory.
_LOT = 1_000_000


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
    return job.kept(key, lambda: _hidden_from(job, ids, direction))


def _hidden_from(job: JobContext, ids: Sequence[int], direction: Array) -> Hidden | None:
    normals = np.vstack([job.part.faces[i].normals for i in ids])
    own = np.concatenate([np.full(len(job.part.faces[i].points), i) for i in ids])
    points = np.vstack([job.scene.off_surface(i) for i in ids])
    away = normals @ direction < -_AWAY_SINE
    if float(np.mean(away)) > _HIDDEN_SHARE:
        face = Counter(own[away].tolist()).most_common(1)[0][0]
        return Hidden(face, float(np.mean(away)), True, vec(points[away & (own == face)].mean(axis=0)))
    distance, face_hit = first_hits(job.part.mesh, points, direction)
    return _worst(np.isfinite(distance), face_hit, points)


def hidden_from_wire(job: JobContext, faces: Iterable[Face], along: Array) -> Hidden | None:
    """The worst obstacle on either side of the rulings of some walls; None when the wire passes."""
    points, rulings = [], []
    for face in faces:
        points.append(job.scene.off_surface(face.id))
        rulings.append(rulings_of(job, face, along))
    p, r = np.vstack(points), np.vstack(rulings)
    worst: Hidden | None = None
    for sense in (1.0, -1.0):
        distance, hit = hits(job.part.mesh, p, sense * r)
        found = _worst(np.isfinite(distance), hit, p)
        if found and (worst is None or found.share > worst.share):
            worst = found
    return worst


def rulings_of(job: JobContext, face: Face, along: Array) -> Array:
    """Unit directions (n, 3) in the surface at a wall's samples, as near as can be to ``along``.

    Exact on cylinders and cones, on extrusions, and on flat walls whose two side edges meet or are parallel.
    """
    if isinstance(face.surface, Cylinder):
        axis = face.surface.axis * np.sign(face.surface.axis @ along)
        return np.broadcast_to(axis, face.points.shape).copy()
    if isinstance(face.surface, Cone):
        # From the apex; the sign follows the wire.
        rays = face.points - face.surface.apex
        rays /= np.linalg.norm(rays, axis=1, keepdims=True)
        return np.asarray(rays * np.sign(rays @ along)[:, None])
    if isinstance(face.surface, Plane):
        return _fan(job, face, face.surface.normal, along)
    tangent = along - (face.normals @ along)[:, None] * face.normals
    return np.asarray(tangent / np.linalg.norm(tangent, axis=1, keepdims=True))


def _fan(job: JobContext, face: Face, normal: Array, along: Array) -> Array:
    """Rulings of a flat wall: a wire turns from the direction of one side edge to the other's.

    At distances a and b from edges of unit directions u and v the line through their meeting point has
    the direction b u + a v (law of sines).
    """
    straight = along - (along @ normal) * normal
    straight /= np.linalg.norm(straight)
    across = np.cross(normal, straight)
    lines = _side_lines(job, face, straight)
    if not lines:
        return np.broadcast_to(straight, face.points.shape).copy()
    sides = np.cross([u for _, u in lines], normal)
    sides *= np.sign(sides @ across)[:, None]
    # How far each edge lies to the right of each sample.
    offset = np.array([(p - face.points) @ side for (p, _), side in zip(lines, sides, strict=True)])
    directions = np.array([u for _, u in lines])
    right = np.where(offset >= 0, offset, np.inf)
    left = np.where(offset < 0, -offset, np.inf)
    k, m = np.argmin(right, axis=0), np.argmin(left, axis=0)
    a, b = right.min(axis=0), left.min(axis=0)
    with np.errstate(invalid="ignore"):
        share = np.where(np.isinf(a), 0.0, np.where(np.isinf(b), 1.0, b / (a + b)))[:, None]
    found = share * directions[k] + (1 - share) * directions[m]
    return np.asarray(found / np.linalg.norm(found, axis=1, keepdims=True))


def tilt_deg(job: JobContext, face: Face, along: Array) -> float:
    """How far a wire leans at most along a wall, its corners included."""
    edges = [u for _, u in _side_lines(job, face, along)] if isinstance(face.surface, Plane) else []
    cosines = np.vstack([rulings_of(job, face, along), *edges]) @ along
    return float(np.degrees(np.arccos(np.clip(cosines.min(), -1.0, 1.0))))


def _side_lines(job: JobContext, face: Face, along: Array) -> list[tuple[Array, Array]]:
    """A point and the unit direction of each straight edge that bounds a wall beside the wire."""
    lines = []
    for e in job.part.edges_of(face.id):
        chord = e.points[-1] - e.points[0]
        chord = chord * np.sign(chord @ along)
        length = float(np.linalg.norm(chord))
        if e.curve == "line" and length > 0 and chord @ along > _UPRIGHT_COS * length:
            lines.append((e.points[0], chord / length))
    return lines


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
        lot = max(10, int(_LOT / (1 + len(self.normals) * share**2)))
        for start in range(0, len(origins), lot):
            ray, near = self.boxes.meeting(first[start : start + lot], last[start : start + lot])
            yield ray + start, near


@lru_cache(maxsize=2)
def _facets(mesh: Mesh) -> _Facets:
    a, b, c = mesh.vertices[mesh.triangles].transpose(1, 0, 2)
    edges = tuple(np.hstack([np.cross(p, q), q - p]) for p, q in ((a, b), (b, c), (c, a)))
    normals = np.cross(b - a, c - a)
    return _Facets(facet_boxes(mesh), edges, normals, np.sum(normals * a, axis=1))

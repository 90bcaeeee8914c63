"""What hides a feature from a tool that comes straight along a direction."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from featurize.brep.part import Face, Mesh
from featurize.brep.rays import first_hits
from featurize.brep.surfaces import Array, Cone, Cylinder
from featurize.feature import Vec3
from featurize.recognise.scene import vec
from routing.processes.base import JobContext

# A face that looks this far (sine) away from the tool is undercut; less is noise of a wall.
_AWAY_SINE = 0.005
# Share of samples that may be hidden: those beside an inner edge stand off into the next face.
_HIDDEN_SHARE = 0.03
# Bytes of one batch of rays against all triangles.
_BATCH = 2_000_000


@dataclass(frozen=True)
class Hidden:
    """``face`` is in the way (or, undercut, looks away); ``share`` of the samples that it costs."""

    face: int
    share: float
    undercut: bool
    place: Vec3


def hidden_from(job: JobContext, ids: Iterable[int], direction: Array) -> Hidden | None:
    """The worst obstacle between some faces and a tool outside along ``direction``; None when none is."""
    ids = list(ids)
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
        rulings.append(rulings_of(face, along))
    p, r = np.vstack(points), np.vstack(rulings)
    worst: Hidden | None = None
    for sense in (1.0, -1.0):
        distance, hit = hits(job.part.mesh, p, sense * r)
        found = _worst(np.isfinite(distance), hit, p)
        if found and (worst is None or found.share > worst.share):
            worst = found
    return worst


def rulings_of(face: Face, along: Array) -> Array:
    """Unit directions (n, 3) in the surface at a wall's samples, as near as can be to ``along``.

    Exact rulings of planes, of cylinders and cones about ``along``, and of extrusions.
    """
    if isinstance(face.surface, Cylinder):
        axis = face.surface.axis * np.sign(face.surface.axis @ along)
        return np.broadcast_to(axis, face.points.shape).copy()
    if isinstance(face.surface, Cone):
        # From the apex; the sign follows the wire.
        rays = face.points - face.surface.apex
        rays /= np.linalg.norm(rays, axis=1, keepdims=True)
        return np.asarray(rays * np.sign(rays @ along)[:, None])
    tangent = along - (face.normals @ along)[:, None] * face.normals
    return np.asarray(tangent / np.linalg.norm(tangent, axis=1, keepdims=True))


def _worst(blocked: NDArray[np.bool_], hit: NDArray[np.int64], points: Array) -> Hidden | None:
    share = float(np.mean(blocked))
    if share <= _HIDDEN_SHARE:
        return None
    face = Counter(hit[blocked].tolist()).most_common(1)[0][0]
    return Hidden(int(face), share, False, vec(points[blocked & (hit == face)].mean(axis=0)))


def hits(mesh: Mesh, origins: Array, directions: Array) -> tuple[Array, NDArray[np.int64]]:
    """First hit of rays of many directions: distances (n,), inf when free, and faces (n,), -1 when free."""
    if np.allclose(directions, directions[0], atol=1e-9):
        return first_hits(mesh, origins, directions[0])
    a, b, c = (mesh.vertices[mesh.triangles[:, k]] for k in range(3))
    u, v = b - a, c - a
    distance = np.full(len(origins), np.inf)
    face = np.full(len(origins), -1, np.int64)
    step = max(1, _BATCH // max(len(a), 1))
    for start in range(0, len(origins), step):
        o, d = origins[start : start + step, None], directions[start : start + step, None]
        # Moeller and Trumbore, "Fast, minimum storage ray/triangle intersection" (1997).
        h = np.cross(d, v[None])
        det = np.sum(u[None] * h, axis=2)
        with np.errstate(divide="ignore", invalid="ignore"):
            s = o - a[None]
            x = np.sum(s * h, axis=2) / det
            q = np.cross(s, u[None])
            y = np.sum(d * q, axis=2) / det
            t = np.sum(v[None] * q, axis=2) / det
            met = (np.abs(det) > 1e-14) & (x >= 0) & (y >= 0) & (x + y <= 1) & (t > 0)
        t = np.where(met, t, np.inf)
        first = np.argmin(t, axis=1)
        rows = np.arange(len(t))
        distance[start : start + step] = t[rows, first]
        face[start : start + step] = np.where(np.isfinite(t[rows, first]), mesh.face_ids[first], -1)
    return distance, face

"""Places that may break out under a cut, found by computation: thin walls and ribs, thin floors, sharp edges.

Thickness is measured straight into the material from every flat wall and floor (lines of sight at points a
fortieth of the part apart, and at all corners of the mesh) and exactly around bores. Between parallel faces
it is known to the mesh's deflection; round walls are sampled. What counts as thin is the material's
(``thin_mm``, ``thin_ratio`` of the shop file), a wall's height what stands free of it: where both its ends
are held, no more than its length.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from featurize import tolerances as tol
from featurize.brep.part import Convexity
from featurize.brep.surfaces import Array, Plane
from featurize.brep.surfaces_at import NormalTable
from featurize.feature import Feature, Kind, Role, Vec3
from featurize.recognise.scene import vec
from routing.plan.threads import around_bore
from routing.processes.context import JobContext
from routing.processes.sight import hits

# Two faces this near to parallel (cosine of 20 degrees) enclose a wall; steeper ones an edge.
_FACING = float(np.cos(np.radians(20)))
# An edge with less material than this between its faces stands unsupported (common practice, no source).
SHARP_DEG = 60.0
# A floor spans so many times more than a wall may stand, being held all round (common practice, no source).
_FLOOR_RATIO = 3.0
# Of a wall as thick as the thinnest place by this share its height is taken.
_AS_THIN = 1.25
# Rays cast together, of whole faces: bounds the memory.
_CHUNK = 50_000
# Their walls are held at both ends.


class ThinKind(StrEnum):
    WALL = "wall"
    RIB = "rib"
    FLOOR = "floor"
    EDGE = "edge"


@dataclass(frozen=True)
class Fragile:
    """One place. ``other`` is the feature on its far side, "" for an edge.

    ``height_mm`` of a floor is its span, of an edge its length; ``thickness_mm`` of an edge is 0, and
    ``angle_deg`` the material's there, 180 elsewhere.
    """

    what: ThinKind
    feature: str
    other: str
    thickness_mm: float
    height_mm: float
    place: Vec3
    angle_deg: float = 180.0

    @property
    def words(self) -> str:
        if self.what == ThinKind.EDGE:
            return f"has an edge of {self.angle_deg:.0f} deg, unsupported over {self.height_mm:.1f} mm"
        if self.what == ThinKind.FLOOR:
            return (
                f"leaves a floor {self.thickness_mm:.2f} thick over {self.other}, {self.height_mm:.2f} across"
            )
        if self.what == ThinKind.RIB:
            return f"leaves a rib {self.thickness_mm:.2f} thick and {self.height_mm:.2f} high"
        return f"leaves a wall {self.thickness_mm:.2f} thick beside {self.height_mm:.2f} of height"


@dataclass(frozen=True, eq=False)
class _Behind:
    """``face`` is behind points (n, 3) of another, whose normals (n, 3) are there, ``ahead_mm`` (n,) away."""

    face: int
    points: Array
    normals: Array
    ahead_mm: Array


def fragile_places(job: JobContext) -> tuple[Fragile, ...]:
    """The thinnest place between each two features, and sharp edges, as far as they are fragile."""
    return job.kept("fragile places", lambda: tuple(_fragile(job)))


def thin_places(job: JobContext) -> tuple[Fragile, ...]:
    """The thinnest place between each two features, however thick it is."""
    return job.kept("thin places", lambda: tuple(p for f in job.features for p in _thin(job, f)))


def _fragile(job: JobContext) -> Iterator[Fragile]:
    rule = job.shop.rule(job.material)
    for place in thin_places(job):
        ratio = rule.thin_ratio * (_FLOOR_RATIO if place.what == ThinKind.FLOOR else 1.0)
        if place.thickness_mm < rule.thin_mm or place.height_mm / place.thickness_mm > ratio:
            yield place
    yield from _edges(job)


def _thin(job: JobContext, feature: Feature) -> Iterator[Fragile]:
    if feature.kind == Kind.OUTSIDE_FACE:
        return
    best: dict[tuple[str, bool], Fragile] = {}
    for found in (*_beside_walls(job, feature), *_beside_bores(job, feature)):
        key = found.other, found.what == ThinKind.FLOOR
        if key not in best or found.thickness_mm < best[key].thickness_mm:
            best[key] = found
    yield from best.values()


def _beside_walls(job: JobContext, feature: Feature) -> Iterator[Fragile]:
    """From flat walls and floors, and from round walls that are no bores."""
    part, skin = job.part, 2 * job.part.mesh.deflection_mm
    behind = job.kept("behind walls", lambda: _behind(job))
    up = part.frame.axes[2] if feature.axis is None else np.array(feature.axis.direction)
    for face in (part.faces[i] for i in _measured(feature)):
        for seen in behind.get(face.id, ()):
            other, points, ahead = seen.face, seen.points, seen.ahead_mm
            k = int(np.argmin(ahead))
            thin = points[ahead <= ahead[k] * _AS_THIN + skin]
            owner = job.owner.get(other)
            name = owner.id if owner else ""
            thickness, place = float(ahead[k]), vec(points[k])
            if feature.roles[face.id] == Role.FLOOR:
                # On an outside face it lies, or is held: only what is hollow below lets it bend.
                if owner is not None and owner.kind != Kind.OUTSIDE_FACE:
                    across = min(_narrow(job.cloud([i])) for i in (face.id, other))
                    yield Fragile(ThinKind.FLOOR, feature.id, name, thickness, across, place)
                continue
            what = ThinKind.RIB if _is_rib(feature, owner) else ThinKind.WALL
            free = float(np.ptp(thin @ up))
            if feature.kind.traits.closed and not feature.kind.traits.hole:
                along = np.cross(up, seen.normals[k])
                free = min(free, float(np.ptp(thin @ along)))
            if free > tol.VOID_MM:  # less is a line of sight along a rim
                yield Fragile(what, feature.id, name, thickness, free, place)


def _measured(feature: Feature) -> tuple[int, ...]:
    """The faces from which it is measured into the material."""
    if feature.kind == Kind.OUTSIDE_FACE:
        return ()
    more = (Role.FACE,) if feature.kind == Kind.RIB else ()
    return feature.faces_with(Role.WALL, Role.LAND, Role.FLOOR, *more)


def _behind(job: JobContext) -> dict[int, list[_Behind]]:
    """The faces behind each that is measured, those near to parallel."""
    faces = tuple(i for f in job.features for i in _measured(f))
    return job.seen(("behind walls", faces), lambda: _behind_faces(job, faces))


def _behind_faces(job: JobContext, faces: Sequence[int]) -> dict[int, list[_Behind]]:
    found: dict[int, list[_Behind]] = {}
    rays = [_rays(job, i) for i in faces]
    chunks = np.cumsum([len(points) for points, _ in rays]) // _CHUNK
    for chunk in np.unique(chunks):
        first, last = np.searchsorted(chunks, [chunk, chunk + 1])
        for own, behind in _pairs(job, faces[first:last], rays[first:last]):
            found.setdefault(own, []).append(behind)
    return found


def _pairs(
    job: JobContext, faces: Sequence[int], rays: Sequence[tuple[Array, Array]]
) -> Iterator[tuple[int, _Behind]]:
    """The rays (points, normals) of some faces, those together that go from one face to one other."""
    skin = 2 * job.part.mesh.deflection_mm
    points, normals = (np.vstack([r[k] for r in rays]) for k in (0, 1))
    own = np.repeat(faces, [len(p) for p, _ in rays])
    # Parallel rays are cast in one view: those of the flat faces that look one way, then all the others.
    flat = np.array([isinstance(f.surface, Plane) for f in job.part.faces])[own]
    _, ways = np.unique(np.where(flat[:, None], np.round(normals, 9) + 0.0, 0.0), axis=0, return_inverse=True)
    ahead, met = np.empty(len(points)), np.empty(len(points), np.int64)
    for way in range(int(ways.max()) + 1):
        same_way = np.flatnonzero(ways.ravel() == way)
        start, along = points[same_way] - skin * normals[same_way], -normals[same_way]
        ahead[same_way], met[same_way] = hits(job.part.mesh, start, along)
    ahead += skin
    seen = np.flatnonzero(met >= 0)
    far = _normals(job, met[seen], points[seen] - ahead[seen, None] * normals[seen])
    seen = seen[np.sum(normals[seen] * far, axis=1) < -_FACING]
    order = seen[np.lexsort((seen, met[seen], own[seen]))]
    starts = np.flatnonzero(np.diff(own[order]) | np.diff(met[order])) + 1
    for pair in np.split(order, starts) if len(order) else ():
        yield int(own[pair[0]]), _Behind(int(met[pair[0]]), points[pair], normals[pair], ahead[pair])


def _normals(job: JobContext, faces: NDArray[np.int64], points: Array) -> Array:
    """Outward normals (n, 3) at points of faces (n,); of a free form those of its nearest samples."""
    table = job.seen("normals", lambda: NormalTable([f.surface for f in job.part.faces]))
    found = table.at(faces, points[:, None])[:, 0]
    free = ~table.known[faces]
    for i in np.unique(faces[free]):
        own, face = np.flatnonzero(free & (faces == i)), job.part.faces[i]
        nearest = np.argmin(np.linalg.norm(points[own, None] - face.points[None], axis=2), axis=1)
        found[own] = face.normals[nearest]
    return found


def _is_rib(feature: Feature, other: Feature | None) -> bool:
    """A rib's own two sides, or what stands between two walls of one recess."""
    return feature.kind == Kind.RIB or (other is not None and other.id == feature.id)


def _rays(job: JobContext, face_id: int) -> tuple[Array, Array]:
    """Points (n, 3) spread over a face, none on its rim, and its normals there."""
    face = job.part.faces[face_id]
    if not isinstance(face.surface, Plane):
        return face.points, face.normals
    own = job.seen("skin by face", lambda: _skin(job))[face_id]
    corners = job.triangles([face_id])
    # Corners of the mesh lie on the rim: they are drawn in by a hair, towards their facet's middle.
    drawn = corners + 1e-3 * (corners.mean(axis=1, keepdims=True) - corners)
    points = np.vstack([face.points, own, drawn.reshape(-1, 3), corners.mean(axis=1)])
    return points, np.broadcast_to(face.surface.normal, points.shape)


def _skin(job: JobContext) -> list[Array]:
    """The points spread over each face, in model coordinates."""
    spread, ids = job.scene.skin
    order = np.argsort(ids, kind="stable")
    bounds = np.searchsorted(ids[order], np.arange(1, len(job.part.faces)))
    return np.split(job.part.frame.world(spread[order]), bounds)


def _narrow(points: Array) -> float:
    """The smaller of two extents of flat points."""
    if len(points) < 3:
        return 0.0
    ways = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2]
    return float(np.sort(np.ptp(points @ ways.T, axis=0))[-2])


def _beside_bores(job: JobContext, feature: Feature) -> Iterator[Fragile]:
    if feature.axis is None:
        return
    at, out = np.array(feature.axis.origin), np.array(feature.axis.direction)
    for bore in (b for b in feature.bores if b.is_cylinder):
        radius, high = bore.start_diameter_mm / 2, bore.end_mm - bore.start_mm
        if high < 2 * tol.VOID_MM:
            continue
        free = min(high, 2 * radius)
        reach = radius + max(job.shop.rule(job.material).thin_mm, free / 2)
        nearest: dict[str, float] = {}
        for _, distance, face in around_bore(job.part, feature, bore, reach):
            owner = job.owner.get(face)
            name = owner.id if owner else ""
            nearest[name] = min(distance - radius, nearest.get(name, np.inf))
        for name, wall in nearest.items():
            if wall > tol.SURFACE_MM:
                yield Fragile(ThinKind.WALL, feature.id, name, wall, free, vec(at - bore.start_mm * out))


def _edges(job: JobContext) -> Iterator[Fragile]:
    """Convex edges with little material between their faces."""
    for edge in job.part.edges:
        if edge.convexity != Convexity.CONVEX or edge.dihedral_deg > SHARP_DEG:
            continue
        owners = [job.owner[f] for f in edge.faces if f in job.owner]
        own = next((f for f in owners if f.kind != Kind.OUTSIDE_FACE), None)
        if own is not None:
            middle = vec(edge.points[len(edge.points) // 2])
            yield Fragile(ThinKind.EDGE, own.id, "", 0.0, edge.length_mm, middle, edge.dihedral_deg)


def crossed(
    job: JobContext, features: Sequence[Feature], others: Sequence[Feature]
) -> dict[str, tuple[str, ...]]:
    """For each feature those of the others whose rim its cut runs out over, in the others' order."""
    beside: dict[int, list[str]] = {}
    for o in others:
        for face in frozenset().union(*(job.part.across(f, Convexity.CONVEX) for f in o.faces)):
            beside.setdefault(face, []).append(o.id)
    place = {o.id: k for k, o in enumerate(others)}
    found = {}
    for feature in features:
        names = {name for f in feature.faces for name in beside.get(f, ())} - {feature.id}
        found[feature.id] = tuple(sorted(names, key=place.__getitem__))
    return found


def runs_out(feature: Feature) -> bool:
    """Whether a cut of the feature leaves the part over a free edge at a side, not only at its mouth."""
    return any(side[1] != "z" for side in feature.opens_to)

"""What every feature family works from: the part, arrays per face, and who owns which face.

A family is a module with ``ORDER`` (when it is asked) and ``find(scene) -> list[Feature]``; it reads
``scene.free`` and returns features over free faces only. Nothing in a scene is changed by a family:
the registry in ``featurize.recognise`` takes the faces of what was found out of ``free``.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from featurize import tolerances as tol
from featurize.brep.coincident import coincident_surfaces
from featurize.brep.frame import SIDES
from featurize.brep.part import Convexity, Edge, Face, Part
from featurize.brep.point_grid import PointGrid
from featurize.brep.rays import escapes
from featurize.brep.surfaces import Array, Cylinder, Plane
from featurize.brep.surfaces_at import same_surface, square
from featurize.feature import Feature, Vec3

T = TypeVar("T")

# A sample whose normal is this near (cosine) to a direction shows that a round face turns through it:
# half a mesh facet.
_NEAR_COS = float(np.cos(np.radians(tol.MESH_ANGLE_DEG)))


@dataclass(eq=False)
class Scene:
    """``free`` faces belong to no feature yet; ``found`` are the features so far."""

    part: Part
    free: frozenset[int]
    found: tuple[Feature, ...] = ()
    # What was worked out of the part, by what and of which faces: in any frame, and in this one.
    memo: dict[Hashable, object] = field(default_factory=dict, repr=False)
    here: dict[Hashable, object] = field(default_factory=dict, repr=False)

    def kept(self, key: Hashable, make: Callable[[], T], *, here: bool = False) -> T:
        """A value made once for this part in any frame, or (``here``) in this one."""
        memo = self.here if here else self.memo
        if key not in memo:
            memo[key] = make()
        return cast("T", memo[key])

    def face(self, id_: int) -> Face:
        return self.part.faces[id_]

    @cached_property
    def owner(self) -> dict[int, Feature]:
        """The feature of each face that has one."""
        return {f: feature for feature in self.found for f in feature.faces}

    @cached_property
    def standing(self) -> frozenset[int]:
        """Faces of what stands on a floor, as far as it was found."""
        return frozenset(i for f in self.found if f.kind.traits.protrusion for i in f.faces)

    def vertices(self, id_: int) -> Array:
        """Mesh corners (n, 3) of one face, in model coordinates; its samples if it has no mesh."""

        def make() -> Array:
            mesh = self.part.mesh
            used = mesh.corners([id_])
            return np.asarray(mesh.vertices[used]) if len(used) else self.face(id_).points

        return self.kept(("vertices", id_), make)

    def triangles(self, ids: Iterable[int]) -> Array:
        """Corners (m, 3, 3) of the mesh facets of several faces."""
        mesh = self.part.mesh
        return np.asarray(mesh.vertices[mesh.triangles[mesh.rows(ids)]])

    def cloud(self, ids: Iterable[int]) -> Array:
        """Mesh corners (n, 3) of several faces."""
        return np.vstack([self.vertices(i) for i in ids])

    @property
    def skin(self) -> tuple[Array, NDArray[np.int64]]:
        """Points (n, 3) spread over the surface, in the part's frame, about a fortieth of it apart, and
        the face (n,) each lies on."""

        def make() -> tuple[Array, NDArray[np.int64]]:
            spread, ids = self.kept("skin", self._spread)
            return self.part.frame.local(spread), ids

        return self.kept("skin", make, here=True)

    @property
    def skin_grid(self) -> PointGrid:
        """The points of the skin by their place."""
        return self.kept("skin grid", lambda: PointGrid(self.skin[0]), here=True)

    def _spread(self) -> tuple[Array, NDArray[np.int64]]:
        """The skin in model coordinates."""
        mesh = self.part.mesh
        corners = self.part.frame.local(mesh.vertices)[mesh.triangles]
        pitch = float(np.max(self.part.high - self.part.low)) / 40
        sides = np.roll(corners, -1, axis=1) - corners
        lengths = np.linalg.norm(sides, axis=2)
        areas = np.linalg.norm(np.cross(sides[:, 0], sides[:, 1]), axis=1) / 2
        clouds, ids = [corners[:, 0]], [mesh.face_ids]
        # Broad facets are filled; long thin ones need points along their longest side only.
        fill = np.clip(np.ceil(np.sqrt(2 * areas) / pitch), 1, 40).astype(int)
        for n in np.unique(fill):
            i, j = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
            a, b = (i[i + j < n] + 1 / 3) / n, (j[i + j < n] + 1 / 3) / n
            weights = np.column_stack([1 - a - b, a, b])
            clouds.append(np.einsum("wk,tkc->twc", weights, corners[fill == n]).reshape(-1, 3))
            ids.append(np.repeat(mesh.face_ids[fill == n], len(weights)))
        rows, longest = np.arange(len(corners)), lengths.argmax(axis=1)
        steps = np.clip(np.ceil(lengths[rows, longest] / pitch), 1, 40).astype(int)
        for n in np.unique(steps[steps > fill]):
            thin = (steps == n) & (steps > fill)
            shares = np.arange(1, n)[None, :, None] / n
            start, side = corners[rows[thin], longest[thin]], sides[rows[thin], longest[thin]]
            clouds.append((start[:, None] + shares * side[:, None]).reshape(-1, 3))
            ids.append(np.repeat(mesh.face_ids[thin], n - 1))
        return self.part.frame.world(np.vstack(clouds)), np.concatenate(ids)

    def groups(self, ids: Iterable[int], *kinds: Convexity) -> list[list[int]]:
        """Connected sets of faces, joined by edges of these convexities (any when none given)."""
        pool = set(ids)
        found = []
        for seed in sorted(pool):
            if seed not in pool:
                continue
            pool.discard(seed)
            group, stack = [seed], [seed]
            while stack:
                for other in self.part.across(stack.pop(), *kinds) & pool:
                    pool.discard(other)
                    group.append(other)
                    stack.append(other)
            found.append(sorted(group))
        return found

    def rejoined(self, groups: Iterable[Sequence[int]]) -> list[list[int]]:
        """Groups that lie on one surface put together: another feature has parted them."""
        listed = [list(g) for g in groups]
        faces = [f for g in listed for f in g]
        group_of = [k for k, g in enumerate(listed) for _ in g]
        last = list(range(len(listed)))  # the last group each is joined with

        def top(k: int) -> int:
            while last[k] != k:
                k = last[k]
            return k

        for b, others in enumerate(coincident_surfaces([self.face(f).surface for f in faces])):
            for a in others:
                one, two = top(group_of[a]), top(group_of[b])
                if a < b and one != two and self.one_surface(faces[a], faces[b]):
                    last[min(one, two)] = max(one, two)
        merged: dict[int, list[int]] = {}
        for k, group in enumerate(listed):
            merged.setdefault(top(k), []).extend(group)
        return [sorted(merged[k]) for k in sorted(merged)]

    @property
    def surface(self) -> dict[int, int]:
        """For each face the least face that lies on the same surface."""

        def make() -> dict[int, int]:
            near = coincident_surfaces([f.surface for f in self.part.faces])
            least: dict[int, int] = {}
            for f, others in enumerate(near):
                first = next((o for o in others if o < f and self.one_surface(o, f)), None)
                least[f] = f if first is None else least[first]
            return least

        return self.kept("surface", make)

    def one_surface(self, a: int, b: int) -> bool:
        """Whether two faces lie on one surface."""
        return same_surface(self.face(a).surface, self.face(b).surface, self.face(b).centroid)

    @property
    def about(self) -> dict[int, list[int]]:
        """For each cylindrical face the cylindrical faces that may lie about its axis, itself among them."""

        def make() -> dict[int, list[int]]:
            round_ = [f.id for f in self.part.faces if isinstance(f.surface, Cylinder)]
            found = coincident_surfaces([self.face(f).surface for f in round_])
            return {f: [round_[k] for k in near] for f, near in zip(round_, found, strict=True)}

        return self.kept("about", make)

    def rim(self, ids: Iterable[int]) -> list[tuple[Edge, int, int]]:
        """Edges that leave a set of faces, with the face inside and the face outside."""
        inside = set(ids)
        out = []
        for f in sorted(inside):
            for e in self.part.edges_of(f):
                a, b = e.faces
                if (a in inside) != (b in inside):
                    out.append((e, a, b) if a in inside else (e, b, a))
        return out

    def side_of(self, face: Face) -> str | None:
        """The side of the frame a flat face looks to."""
        if not isinstance(face.surface, Plane):
            return None
        return self.part.frame.side_of(face.surface.normal)

    def level(self, side: str) -> float:
        """Where a side of the part's box lies along its axis, in the frame."""
        k = "xyz".index(side[1])
        return float(self.part.high[k] if side[0] == "+" else self.part.low[k])

    def on_box(self, face: Face) -> bool:
        """Whether a flat face lies on a side of the part's box."""
        side = self.side_of(face)
        if side is None:
            return False
        k = "xyz".index(side[1])
        return abs(float(self.part.frame.local(face.centroid)[k]) - self.level(side)) < tol.SURFACE_MM

    def off_surface(self, id_: int) -> Array:
        """A face's samples (n, 3) moved out of the material, clear of the mesh's chords."""
        face = self.face(id_)
        return np.asarray(face.points + 2 * self.part.mesh.deflection_mm * face.normals)

    def seen_from(self, ids: Iterable[int], share: float = 0.08) -> tuple[str, ...]:
        """Sides along which sight from more than a share of these faces' samples is free.

        Samples stand off by a hair along the normal, so a face never hides itself.
        """
        points = np.vstack([self.off_surface(i) for i in ids])
        open_to = []
        for side in SIDES:
            free = escapes(self.part.mesh, points, self.part.frame.direction(side))
            if float(np.mean(free)) > share:
                open_to.append(side)
        return tuple(open_to)


def reach(scene: Scene, ids: Iterable[int], direction: Array) -> float:
    """How far faces reach along a unit direction; exact on cylinders and arcs, whose mesh falls short."""
    along = tuple(np.round(direction, 12).tolist())
    return max((_face_reach(scene, i, along) for i in ids), default=-np.inf)


def _face_reach(scene: Scene, i: int, along: tuple[float, ...]) -> float:
    def make() -> float:
        direction = np.array(along)
        best = float((scene.vertices(i) @ direction).max())
        s = scene.face(i).surface
        if isinstance(s, Cylinder) and square(s.axis, direction, tol.AXIS_DEG):
            normals = scene.face(i).normals * (-1.0 if s.hollow else 1.0)
            if float((normals @ direction).max()) > _NEAR_COS:
                best = max(best, float(s.origin @ direction) + s.radius_mm)
        for e in scene.part.edges_of(i):
            if e.circle is not None:
                best = max(best, _arc_reach(e.points, *e.circle, direction))
        return best

    return scene.kept(("reach", i, along), make)


def mesh_span(scene: Scene, i: int, direction: Array) -> tuple[float, float]:
    """Lowest and highest coordinate of a face's mesh corners along a direction, looked up once."""
    along = tuple(np.round(direction, 12).tolist())
    return scene.kept(("span", i, along), lambda: span(scene.vertices(i), np.array(along)))


def _arc_reach(points: Array, centre: Array, axis: Array, radius_mm: float, direction: Array) -> float:
    across = direction - (direction @ axis) * axis
    size = float(np.linalg.norm(across))
    if size < tol.LENGTH_MM:
        return -np.inf
    summit = centre + radius_mm * across / size
    spacing = float(np.linalg.norm(points[1] - points[0]))
    near = float(np.min(np.linalg.norm(points - summit, axis=1))) < 0.6 * spacing
    return float(summit @ direction) if near else -np.inf


def extent(scene: Scene, ids: Sequence[int], direction: Array) -> float:
    """Size of faces along a unit direction, in mm."""
    return reach(scene, ids, direction) + reach(scene, ids, -direction)


def vec(a: Array) -> Vec3:
    """A plain tuple of three floats."""
    return (float(a[0]), float(a[1]), float(a[2]))


def span(points: Array, direction: Array) -> tuple[float, float]:
    """Lowest and highest coordinate of points (n, 3) along a direction."""
    heights = points @ direction
    return float(heights.min()), float(heights.max())

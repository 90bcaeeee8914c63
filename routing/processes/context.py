"""What every process may look at."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import Any, TypeVar
from typing import cast as typed

import numpy as np
from numpy.typing import NDArray

from featurize import tolerances as tol
from featurize.brep.part import Face, Mesh, Part
from featurize.brep.rays import hit_counts
from featurize.brep.silhouette import View, cast
from featurize.brep.surfaces import Array
from featurize.feature import Feature
from featurize.kept import kept_with
from featurize.recognise.scene import Scene, vec
from routing.processes.blank import Blanks, Shape
from routing.processes.material import Material
from routing.processes.material_rules import MaterialRule
from routing.processes.preferences import SOFT, Preferences
from routing.processes.protocol import Approach, Pierced, Process
from routing.processes.rooms import all_processes
from routing.processes.shop import Shop

T = TypeVar("T")
# Tool steel as it is supplied, annealed (common practice: some 20 HRC, no source).
SOFT_STEEL = Material.named("steel-20hrc")


def bearing(direction: Array) -> tuple[float, ...]:
    """A direction (3,) as a key: one for all that differ by rounding alone."""
    return _bearing(np.asarray(direction, float).tobytes())


@lru_cache(maxsize=1024)
def _bearing(raw: bytes) -> tuple[float, ...]:
    return tuple(np.round(np.frombuffer(raw), 9).tolist())


def _mesh_of(facets: Array) -> Mesh:
    count = len(facets)
    corners = np.arange(3 * count).reshape(-1, 3)
    return Mesh(facets.reshape(-1, 3), corners, np.zeros(count, np.int64), tol.MESH_DEFLECTION_MM)


@dataclass(frozen=True, eq=False)
class JobContext:
    """What every process may look at. ``part.frame`` has +z on the working side."""

    part: Part
    features: tuple[Feature, ...]
    shop: Shop
    choices: Preferences
    pieces: tuple[Feature, ...] = ()
    blanks: Blanks | None = None  # the part's box where none are given
    _kept: dict[Hashable, object] = field(default_factory=dict, repr=False)

    @cached_property
    def material(self) -> Material:
        return self.choices.made_of()

    @cached_property
    def scene(self) -> Scene:
        """Mesh corners, facets and lines of sight for each face."""
        return self.seen("scene", lambda: Scene(self.part, frozenset()))

    @cached_property
    def owner(self) -> dict[int, Feature]:
        """The feature of each face."""
        return {face: feature for feature in (*self.features, *self.pieces) for face in feature.faces}

    @cached_property
    def by_id(self) -> dict[str, Feature]:
        return {feature.id: feature for feature in self.features}

    @cached_property
    def processes(self) -> dict[str, Process]:
        """Every process by name, first to be asked first."""
        return {process.name: process for process in all_processes()}

    @cached_property
    def squarer(self) -> Process:
        """Who squares the blank; raises LookupError where nobody does."""
        for process in self.processes.values():
            if process.squaring(self, self.features[:1]):
                return process
        raise LookupError("no process squares the blank")

    def approach(self, toward: Array, traverse: Array | None = None) -> Approach:
        """A way for a tool to come, named in the part's frame."""
        run = None if traverse is None else vec(traverse)
        return Approach(vec(toward), self.side_name(toward), run)

    def side_name(self, toward: Array) -> str:
        """A side such as "+z", or a slanted direction in the part's own frame."""
        side = self.part.frame.side_of(toward)
        if side is not None:
            return side
        x, y, z = (round(float(c), 3) + 0.0 for c in self.part.frame.axes @ toward)
        return f"({x:g}, {y:g}, {z:g})"

    @cached_property
    def is_soft(self) -> bool:
        """Whether steel comes soft and is hardened on the way."""
        return self.choices.supplied == SOFT and self.material.binder_percent is None

    def rule(self, *, soft: bool = False) -> MaterialRule:
        """What the shop's rules make of the material, before it is hardened or as it will be."""
        return self.shop.rule(SOFT_STEEL if soft else self.material)

    def uses(self, process: str) -> bool:
        """Whether the shop uses a process on this material."""
        used = self.shop.rule(self.material).processes
        return not used or process in used

    def piercing(self, diameter_mm: float, depth_mm: float) -> Pierced | None:
        """How the first process that makes a plain hole right through does so; None where none does."""
        asked = (p.pierces(self, diameter_mm, depth_mm) for p in self.processes.values())
        return next((made for made in asked if made), None)

    def with_pieces(self, pieces: Iterable[Feature]) -> JobContext:
        """The same with regions of a feature beside the features; what is kept is shared."""
        return replace(self, pieces=tuple(pieces))

    @property
    def thickness(self) -> Array:
        """Unit direction out of the working side."""
        return np.asarray(self.part.frame.axes[2])

    def faces(self, feature: Feature) -> list[Face]:
        return [self.part.faces[i] for i in feature.faces]

    def cloud(self, ids: Iterable[int]) -> Array:
        """Mesh corners (n, 3) of several faces, in model coordinates."""
        return self.scene.cloud(ids)

    def triangles(self, ids: Iterable[int]) -> Array:
        """Corners (m, 3, 3) of the mesh facets of several faces, in model coordinates."""
        return self.scene.triangles(ids)

    def call(self, face_id: int) -> str:
        """A face as a person would name it: its role, its feature and its own name."""
        owner = self.owner.get(face_id)
        name = " ".join(self.part.faces[face_id].names)
        label = f" ({name})" if name else ""
        if owner is None:
            return f"face {face_id}{label}"
        role = str(owner.roles[face_id])
        return f"the {role} of {owner.kind} {owner.id}{label}"

    def kept(self, key: Hashable, make: Callable[[], T]) -> T:
        """A value made once for this job, by whoever first needs it."""
        if key not in self._kept:
            self._kept[key] = make()
        return typed("T", self._kept[key])

    def seen(self, key: Hashable, make: Callable[[], T]) -> T:
        """A value that hangs on the part alone, made once for all jobs on it: a new choice finds it again."""
        return kept_with(self.part, key, make)

    @property
    def blank_mm3(self) -> float:
        """Of the squared blank."""
        box = float(np.prod(self.part.high - self.part.low))
        return self.blanks.squared.volume_mm3 if self.blanks else box

    def in_blank(self, points: Array) -> NDArray[np.bool_]:
        """Which points (n, 3) of the part's box lie in the squared blank."""
        if self.blanks is None or self.blanks.squared.shape == Shape.BLOCK:
            return np.ones(len(points), bool)
        facets = self.blanks.facets
        mesh = self.kept("blank's mesh", lambda: _mesh_of(facets))
        return np.asarray(hit_counts(mesh, points, self.part.frame.axes[2]) % 2 == 1)

    def extent_mm(self, direction: Array) -> float:
        """Size of the whole part along a unit direction."""
        along = np.asarray(direction)
        return self.seen(("extent", along.tobytes()), lambda: float(np.ptp(self.part.mesh.vertices @ along)))

    def silhouette(self, along: Array) -> tuple[View, Any]:
        """The whole part's silhouette along a unit direction (shapely), and the view it is in."""
        view = View.of(self.part, along)
        return view, self.seen(("silhouette", bearing(along)), lambda: cast(self.part, view))

    def top_mm(self, direction: Array) -> float:
        """The part's highest level along a unit direction, over its frame's origin."""
        along = np.asarray(direction)

        def make() -> float:
            return float(((self.part.mesh.vertices - self.part.frame.origin) @ along).max())

        return self.seen(("top over the origin", along.tobytes()), make)

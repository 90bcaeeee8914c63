"""What a process is asked and what it answers."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType
from typing import Any, Protocol, TypeVar
from typing import cast as typed

import numpy as np

from featurize.brep.part import Face, Part
from featurize.brep.shadow import View, cast
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Vec3
from featurize.recognise.scene import Scene
from routing.processes.material import Material
from routing.processes.preferences import Preferences
from routing.processes.shop import Shop

T = TypeVar("T")


@dataclass(frozen=True)
class Rest:
    """What a process leaves of a feature whose bulk it takes: inside corners, for a later process.

    ``words`` name them; ``volume_mm3`` and ``places`` (model mm) are theirs.
    """

    words: str
    volume_mm3: float
    places: tuple[Vec3, ...]


@dataclass(frozen=True)
class Verdict:
    """One process's answer about one feature.

    ``shortfall_mm3`` is what the process leaves of the feature's volume (an estimate from a height grid
    where no closed form applies, 0 when not measured), ``place`` (model mm) where most of it stands.
    ``details`` are the numbers behind the answer, with units in their names. ``rest`` is given with a
    refusal where the process can go ahead of the one that makes the feature whole.
    """

    process: str
    workable: bool
    reason: str
    shortfall_mm3: float = 0.0
    place: Vec3 | None = None
    details: Mapping[str, float | str] = field(default_factory=lambda: MappingProxyType({}))
    rest: Rest | None = None


class Process(Protocol):
    """``judge`` is pure; it must answer for every kind of feature, in one sentence without a full stop."""

    @property
    def name(self) -> str: ...

    def judge(self, job: JobContext, feature: Feature) -> Verdict: ...


@dataclass(frozen=True, eq=False)
class JobContext:
    """What every process may look at. ``part.frame`` has +z on the working side."""

    part: Part
    features: tuple[Feature, ...]
    shop: Shop
    choices: Preferences
    _kept: dict[Hashable, object] = field(default_factory=dict, repr=False)

    @cached_property
    def material(self) -> Material:
        return Material.named(self.choices.material)

    @cached_property
    def scene(self) -> Scene:
        """Mesh corners, facets and lines of sight for each face."""
        return Scene(self.part, frozenset())

    @cached_property
    def owner(self) -> dict[int, Feature]:
        """The feature of each face."""
        return {face: feature for feature in self.features for face in feature.faces}

    @cached_property
    def by_id(self) -> dict[str, Feature]:
        return {feature.id: feature for feature in self.features}

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

    def extent_mm(self, direction: Array) -> float:
        """Size of the whole part along a unit direction."""
        along = np.asarray(direction)
        return self.kept(("extent", along.tobytes()), lambda: float(np.ptp(self.part.mesh.vertices @ along)))

    def shadow(self, along: Array) -> tuple[View, Any]:
        """The whole part's shadow along a unit direction (shapely), and the view it is in."""
        view = View.of(self.part, along)
        return view, self.kept(("shadow", *np.round(along, 9)), lambda: cast(self.part, view))

    def top_mm(self, direction: Array) -> float:
        """The part's highest level along a unit direction, over its frame's origin."""
        along = np.asarray(direction)

        def make() -> float:
            return float(((self.part.mesh.vertices - self.part.frame.origin) @ along).max())

        return self.kept(("top over the origin", along.tobytes()), make)

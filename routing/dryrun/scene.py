"""What the dry run machines: the customer's part, the stock as it stands, and both as a setup sees them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from manifold3d import CrossSection, Manifold

from featurize.brep.surfaces import Array
from featurize.step.document import SolidPart
from routing.dryrun.pieces import Base
from routing.dryrun.solids import cone_chords_mm, flat, joined, local, of_shape
from routing.dryrun.written import WrittenFixture, WrittenSetup, WrittenZero


@dataclass(frozen=True, eq=False)
class Model:
    """The customer's part. ``places`` give the place in the file, as read, of the mesh's face ids."""

    solid: Manifold
    places: tuple[int, ...]
    chords_mm: Mapping[int, float] = field(default_factory=dict)  # of face ids where they are more than most

    @classmethod
    def of(cls, part: SolidPart) -> Model:
        """Raises MeshError where the solid's facets do not close."""
        solid = of_shape(part.solid)
        return cls(solid, part.source_faces, cone_chords_mm(part.solid, solid))

    @cached_property
    def base(self) -> Base:
        return Base.of(self.solid)

    @cached_property
    def cutting(self) -> Manifold:
        """The part as bodies are cut with it: its triangles are not taken for the part's own in a
        difference.
        """
        return self.solid.as_original()

    @cached_property
    def facets(self) -> Mapping[int, Array]:
        """Triangles (m, 3, 3) of each face, by its place in the file."""
        mesh = self.solid.to_mesh64()
        corners = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts)]
        places = np.array(self.places)[np.asarray(mesh.face_id, dtype=np.int64)]
        order = np.argsort(places, kind="stable")
        found, first = np.unique(places[order], return_index=True)
        return dict(zip(found.tolist(), np.split(corners[order], first[1:]), strict=True))

    def facets_of(self, faces: Sequence[int]) -> Array:
        own = [self.facets[f] for f in faces if f in self.facets]
        return np.concatenate(own) if own else np.empty((0, 3, 3))


# Less is what a body that lies against a fixture rounds to.
_MEETS_MM3 = 0.05
# Fixtures that stand in holes of the part, where no tool comes.
WITHIN = ("screw", "pin")
# What lies under all of the part; a drill that comes out there goes into it or into what is laid between.
_UNDER = "plate"


@dataclass(frozen=True, eq=False)
class Bench:
    """The part in one setup, in its coordinates."""

    setup: WrittenSetup
    model: Model

    @property
    def zero(self) -> WrittenZero:
        return self.setup.zero

    @cached_property
    def part(self) -> Manifold:
        return local(self.model.cutting, self.zero.axes, self.zero.origin)

    @cached_property
    def shadow(self) -> CrossSection:
        """The part seen from above."""
        return self.part.project()

    @cached_property
    def fixture(self) -> Manifold:
        """What holds the part from beside and below, in the setup's coordinates: not screws within it."""
        boxes = [f for f in self.setup.fixtures if f.kind not in WITHIN]
        return joined([_box(f) for f in boxes])

    @cached_property
    def beside(self) -> tuple[WrittenFixture, ...]:
        """Jaws, clamps, parallels and the like, which leave room between them."""
        return tuple(f for f in self.setup.fixtures if f.kind not in (*WITHIN, _UNDER))

    def met_by(self, body: Manifold) -> list[str]:
        """Names of those that a body in the setup's coordinates runs into."""
        return [f.name for f in self.beside if (body ^ _box(f)).volume() > _MEETS_MM3]

    def facets_of(self, faces: Sequence[int]) -> Array:
        """Triangles (m, 3, 3) in the setup's coordinates."""
        return self.zero.local(self.model.facets_of(faces))

    def plan_of(self, facets: Array) -> CrossSection:
        return flat(facets[:, :, :2])


def _box(fixture: WrittenFixture) -> Manifold:
    low, high = np.array(fixture.low_mm), np.array(fixture.high_mm)
    return Manifold.cube(tuple(map(float, high - low))).translate(tuple(map(float, low)))

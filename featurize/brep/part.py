"""The part graph: logical faces, the edges between them, and cheap derived geometry.

A *logical face* is one or more neighbouring faces of the solid as read that lie on the same
surface; exporters split faces freely and recognition must not care. ``Face.source`` keeps the
places in ``TopExp.MapShapes`` of the solid as read.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from featurize.brep.frame import Frame
from featurize.brep.surfaces import Array, Surface


class Convexity(StrEnum):
    CONVEX = "convex"
    CONCAVE = "concave"
    TANGENT = "tangent"


@dataclass(frozen=True, eq=False)
class Face:
    """A logical face.

    ``points``/``normals`` (n, 3) sample it inside its bounds, normals out of the material.
    """

    id: int
    source: tuple[int, ...]
    names: tuple[str, ...]
    surface: Surface
    area_mm2: float
    centroid: Array
    points: Array
    normals: Array
    low: Array  # bounds along the model's axes
    high: Array


@dataclass(frozen=True, eq=False)
class Edge:
    """A chain piece between two different logical faces.

    ``dihedral_deg`` is the angle through the material: below 180 convex, above it concave.
    ``points`` (k, 3) run along the edge from end to end; ``circle`` is (centre, axis, radius).
    ``place`` is the edge's in ``TopExp.MapShapes`` of ``Part.solid``.
    """

    id: int
    faces: tuple[int, int]
    convexity: Convexity
    dihedral_deg: float
    length_mm: float
    curve: str  # "line", "circle" or "other"
    points: Array
    ends: tuple[int, int]  # vertex ids, equal for a closed edge
    circle: tuple[Array, Array, float] | None = None
    place: int = -1


@dataclass(frozen=True, eq=False)
class Mesh:
    """Triangles of the solid; ``face_ids`` (m,) gives the logical face of each triangle.

    Corners lie on the part; no chord strays from it by more than ``deflection_mm``.
    """

    vertices: Array
    triangles: NDArray[np.int64]
    face_ids: NDArray[np.int64]
    deflection_mm: float

    @cached_property
    def _rows_of(self) -> list[NDArray[np.int64]]:
        order = np.argsort(self.face_ids, kind="stable")
        last = int(self.face_ids.max(initial=-1))
        return np.split(order, np.searchsorted(self.face_ids[order], np.arange(1, last + 1)))

    def rows(self, ids: Iterable[int]) -> NDArray[np.int64]:
        """Places in ``triangles`` of those of some faces, face by face."""
        found = [self._rows_of[i] for i in ids if i < len(self._rows_of)]
        return np.concatenate(found) if found else np.zeros(0, np.int64)

    def corners(self, ids: Iterable[int]) -> NDArray[np.int64]:
        """Places in ``vertices`` of the corners of some faces' triangles, each once, rising."""
        return np.unique(self.triangles[self.rows(ids)])


@dataclass(eq=False)
class Part:
    """One solid with its graph. ``solid`` is the kernel's TopoDS_Solid, in millimetres.

    ``frame`` has z along the thickness, pointing to the working side once sides are known
    (before that the sign is arbitrary); ``low``/``high`` (3,) are the box in that frame.
    """

    solid: Any
    faces: tuple[Face, ...]
    edges: tuple[Edge, ...]
    mesh: Mesh
    frame: Frame
    low: Array
    high: Array
    volume_mm3: float
    source_face_count: int
    name: str = ""
    count: int = 1
    healed: tuple[str, ...] = ()
    _around: dict[int, list[Edge]] = field(default_factory=dict, repr=False)
    _across: dict[tuple[int, tuple[Convexity, ...]], frozenset[int]] = field(default_factory=dict, repr=False)

    def edges_of(self, face: int) -> list[Edge]:
        """The edges that bound a logical face (not those inside it)."""
        if not self._around:
            self._around |= {f.id: [] for f in self.faces}
            for e in self.edges:
                for f in e.faces:
                    self._around[f].append(e)
        return self._around[face]

    def across(self, face: int, *kinds: Convexity) -> frozenset[int]:
        """Faces that meet ``face`` at an edge of one of these convexities (any when none given)."""
        key = (face, kinds)
        if key not in self._across:
            self._across[key] = frozenset(
                e.faces[0] if e.faces[1] == face else e.faces[1]
                for e in self.edges_of(face)
                if not kinds or e.convexity in kinds
            )
        return self._across[key]

    def in_frame(self, frame: Frame) -> Part:
        """The same part seen in another frame."""
        local = frame.local(self.mesh.vertices)
        return replace(self, frame=frame, low=local.min(axis=0), high=local.max(axis=0))

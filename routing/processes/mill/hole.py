"""A round hole as the tool meets it: its stages from the mouth inwards, what each ends on, and its mouth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurize import tolerances as tol
from featurize.brep.rays import first_hits
from featurize.brep.surfaces import Array, Cone, Sphere, Torus, orthonormal_basis
from featurize.brep.surfaces_at import normals_at, same_line
from featurize.feature import Bore, Feature, Role, from_far_mouth
from featurize.recognise.scene import span
from featurize.recognise.thread_bores import is_through
from routing.processes.context import JobContext

# Levels of one hole this near to each other are one: over what sewing moves.
_LEVEL_MM = 2 * tol.SURFACE_MM
# A drill that meets a face this far off square runs off (common practice, no source) ...
_SLANT_DEG = 2.0
# ... and a face so steep is a wall beside the hole, not the one that it starts from.
_WALL_DEG = 80.0
_TURNS = np.linspace(0, 2 * np.pi, 13)[:-1, None]


@dataclass(frozen=True)
class End:
    """What a stage ends on: ``kind`` is open, flat, fillet, ball or point, ``depth_mm`` its lowest.

    ``size`` is the radius of a fillet or ball, the angle of a point. ``inner_mm`` is the diameter of what
    goes on through a flat, 0 where nothing does. ``faces`` are those that are neither flat nor round walls.
    """

    kind: str
    depth_mm: float
    size: float = 0.0
    inner_mm: float = 0.0
    faces: tuple[int, ...] = ()

    @property
    def words(self) -> str:
        match self.kind:
            case "open":
                return "through"
            case "point":
                return f"point {self.size:.3g}"
            case "ball" | "fillet":
                return f"{self.kind} R{self.size:.3g}"
        return self.kind


@dataclass(frozen=True, eq=False)
class Hole:
    """``bores`` are stages from the mouth on the tool's side, at ``mouth``; ``toward`` points out of it.

    ``room_mm`` is the way ahead of a hole that is open below, until something stands there.
    """

    job: JobContext
    feature: Feature
    toward: Array
    mouth: Array
    bores: tuple[Bore, ...]
    room_mm: float

    @classmethod
    def of(cls, job: JobContext, feature: Feature, toward: Array) -> Hole:
        """Seen along its axis, from the far mouth where the tool comes from there."""
        assert feature.axis is not None
        mouth, out = np.array(feature.axis.origin), np.array(feature.axis.direction)
        bores = feature.bores
        if float(toward @ out) < 0:
            mouth = mouth - bores[-1].end_mm * out
            bores = from_far_mouth(bores)
        last = bores[-1]
        room = np.inf
        if is_through(feature) and last.end_diameter_mm > tol.SURFACE_MM:
            u, v, _ = orthonormal_basis(toward)
            ring = 0.49 * last.end_diameter_mm * (np.cos(_TURNS) * u + np.sin(_TURNS) * v)
            foot = mouth - (last.end_mm - tol.SURFACE_MM) * toward
            room = float(first_hits(job.part.mesh, np.vstack([foot, foot + ring]), -toward)[0].min())
        return cls(job, feature, toward, mouth, bores, room)

    @property
    def straight(self) -> list[int]:
        """Places in ``bores`` of those that keep their diameter."""
        return [n for n, b in enumerate(self.bores) if b.is_cylinder]

    def depths(self, face: int) -> tuple[float, float]:
        """The least and the greatest depth of a face below the mouth."""
        low, high = span(self.job.cloud([face]), self.toward)
        at = float(self.mouth @ self.toward)
        return at - high, at - low

    def end_of(self, n: int) -> End:
        """What the stage at a place ends on."""
        bore = self.bores[n]
        at = bore.end_mm
        below = self.bores[n + 1] if n + 1 < len(self.bores) else None
        shaped = [f for f in self.feature.faces if self._starts(f, at)]
        if shaped:
            deep = max(self.depths(f)[1] for f in shaped)
            surface = self.job.part.faces[shaped[0]].surface
            round_ = isinstance(surface, Sphere)
            size = surface.radius_mm if isinstance(surface, Sphere) else 0.0
            if isinstance(surface, Torus):
                size = surface.minor_mm
            return End("ball" if round_ else "fillet", deep, size, self._inner(deep), tuple(shaped))
        if any(abs(self.depths(f)[0] - at) < _LEVEL_MM for f in self._flats()):
            return End("flat", at, 0.0, self._inner(at))
        if below is not None and below.end_diameter_mm < tol.SURFACE_MM:
            return End("point", below.end_mm, angle_of(below))
        return End("open", at)

    def _starts(self, face: int, depth: float) -> bool:
        """Whether a shaped part of the floor begins at a depth."""
        surface = self.job.part.faces[face].surface
        hollow = isinstance(surface, Sphere | Torus) and surface.hollow
        return hollow and abs(self.depths(face)[0] - depth) < _LEVEL_MM

    def _flats(self) -> list[int]:
        return [f for f in self.feature.faces if self.feature.roles[f] in (Role.SHOULDER, Role.FLOOR)]

    def _inner(self, depth: float) -> float:
        """Diameter of the opening in a flat at a depth; 0 where it is whole or there is none."""
        flats = [f for f in self._flats() if abs(self.depths(f)[0] - depth) < _LEVEL_MM]
        radii = {
            round(e.circle[2], 3)
            for f in flats
            for e in self.job.part.edges_of(f)
            if e.circle is not None and same_line(e.circle[0], self.toward, self.mouth, self.toward)
        }
        return 2 * min(radii) if len(radii) > 1 else 0.0

    def uneven_mm(self) -> tuple[float, float] | None:
        """Depths of a mouth's highest and lowest where it slants or is curved; None where it is square.

        A cone or a round about the hole's own axis is cut after the hole and does not count.
        """
        first = self.bores[0]
        own = set(self.feature.faces)
        levels: list[float] = []
        slanted = False
        for face in self.feature.faces:
            for edge in self.job.part.edges_of(face):
                depths = (self.mouth - edge.points) @ self.toward
                other = next(iter(set(edge.faces) - own), None)
                middle = (first.start_mm + first.end_mm) / 2
                if other is None or float(depths.mean()) > middle or self._is_turned(other):
                    continue
                normals = normals_at(self.job.part.faces[other].surface, edge.points)
                normals = self.job.part.faces[other].normals if normals is None else normals
                lean = np.degrees(np.arccos(np.clip(np.abs(normals @ self.toward), 0, 1)))
                if float(lean.max()) < _WALL_DEG:
                    slanted |= float(lean.max()) > _SLANT_DEG
                    levels += depths.tolist()
        return (min(levels), max(levels)) if slanted else None

    def _is_turned(self, face: int) -> bool:
        """Whether a face is a cone or a round about the hole's axis."""
        surface = self.job.part.faces[face].surface
        if isinstance(surface, Cone):
            return same_line(surface.apex, surface.axis, self.mouth, self.toward)
        if isinstance(surface, Torus):
            return same_line(surface.centre, surface.axis, self.mouth, self.toward)
        return False


def angle_of(cone: Bore) -> float:
    """Angle between a cone's flanks, degrees."""
    across = abs(cone.start_diameter_mm - cone.end_diameter_mm) / 2
    return 2 * float(np.degrees(np.arctan2(across, cone.end_mm - cone.start_mm)))

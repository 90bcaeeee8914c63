"""The data that leaves the package: features, their faces, sizes and evidence.

Everything here is plain data (no kernel objects), safe to pickle and to compare.
Lengths are millimetres, angles degrees; names end in ``_mm`` or ``_deg``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from types import MappingProxyType

from featurize.kinds import Kind as Kind

Vec3 = tuple[float, float, float]


class Role(StrEnum):
    """What one face does inside its feature."""

    WALL = "wall"
    FLOOR = "floor"
    CORNER = "corner"  # a concave radius between two walls
    FOOT = "foot"  # a fillet between wall and floor
    LAND = "land"  # the straight part of a through profile
    RELIEF = "relief"  # the tapered part below the land
    BORE = "bore"
    POINT = "point"  # conical drill bottom
    SHOULDER = "shoulder"  # flat ring between two bores
    SINK = "sink"  # countersink cone
    ISLAND = "island"  # stands inside a recess
    THREAD = "thread"  # modelled thread flank
    ROOF = "roof"  # overhangs the floor: looks away from the mouth
    FACE = "face"  # the feature's only kind of face


class CrossSection(StrEnum):
    """Shape of the opening, for prismatic features."""

    THREE = "three-sided"
    FOUR = "four-sided"
    SIX = "six-sided"
    ROUND = "round"
    OTHER = "other"


@dataclass(frozen=True)
class Axis:
    """A line with a sense: ``direction`` (unit) leaves the material at ``origin``."""

    origin: Vec3
    direction: Vec3


@dataclass(frozen=True)
class Bore:
    """One coaxial stage of a hole, listed from the mouth inwards.

    ``start_mm``/``end_mm`` are depths below the mouth along the axis;
    a cylinder has equal diameters, a cone different ones.
    """

    start_mm: float
    end_mm: float
    start_diameter_mm: float
    end_diameter_mm: float

    @property
    def is_cylinder(self) -> bool:
        """Whether the stage keeps its diameter (within a micron)."""
        return abs(self.start_diameter_mm - self.end_diameter_mm) < 1e-3


def from_far_mouth(bores: Sequence[Bore]) -> tuple[Bore, ...]:
    """The stages of a through hole as they are met from its other mouth."""
    length = bores[-1].end_mm
    return tuple(
        Bore(length - b.end_mm, length - b.start_mm, b.end_diameter_mm, b.start_diameter_mm)
        for b in reversed(bores)
    )


@dataclass(frozen=True)
class Thread:
    """What is known of a hole's thread.

    ``designation`` is the size ("M5", "M6x0.75", "1/4-20 UNC"); ``asked`` lists the sizes a
    person has to choose from while ``designation`` is None.
    """

    designation: str | None
    major_mm: float
    pitch_mm: float
    left_hand: bool = False
    asked: tuple[str, ...] = ()


@dataclass(frozen=True)
class Callout:
    """What the file asks of some faces: a dimension, a geometric tolerance, a datum or a texture.

    ``kind`` is the trade's word ("diameter", "flatness", "datum", "surface texture", ...).
    ``value_mm`` is the nominal size, the width of the tolerance zone, or Ra; ``upper_mm`` and ``lower_mm``
    are signed deviations from a nominal size. ``datum`` is a datum's own letter, or the letters referred to
    ("A|B"). ``faces`` are places (from 0) among the faces of the solid as read.
    """

    kind: str
    value_mm: float | None = None
    upper_mm: float | None = None
    lower_mm: float | None = None
    text: str = ""
    datum: str = ""
    faces: tuple[int, ...] = ()

    @property
    def width_mm(self) -> float | None:
        """How far a dimension may vary in all; None when it has no limits."""
        if self.upper_mm is None or self.lower_mm is None:
            return None
        return self.upper_mm - self.lower_mm

    def on(self, faces: tuple[int, ...]) -> Callout:
        """The same callout on other faces."""
        return replace(self, faces=faces)


@dataclass(frozen=True)
class Feature:
    """One machining feature.

    ``faces`` are ids of the part's logical faces (``Part.faces``), ``roles`` has one role for
    each of them. ``axis`` of a recess points out of its mouth; of a slot or step ``run`` is the
    unit direction of its straight run. ``opens_to`` are side labels of the part's frame:
    "+z" (working side), "-z" (mounting side), "+x", "-x", "+y", "-y".
    """

    id: str
    kind: Kind
    faces: tuple[int, ...]
    roles: Mapping[int, Role]
    dims: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    axis: Axis | None = None
    run: Vec3 | None = None
    opens_to: tuple[str, ...] = ()
    cross_section: CrossSection | None = None
    bores: tuple[Bore, ...] = ()
    thread: Thread | None = None
    text: str = ""  # names and PMI found on the faces
    callouts: tuple[Callout, ...] = ()
    parent: str | None = None  # the feature this one stands in, e.g. an island's pocket
    evidence: tuple[str, ...] = ()
    confidence: float = 1.0

    def faces_with(self, *roles: Role) -> tuple[int, ...]:
        """Ids of the faces that have one of these roles."""
        return tuple(f for f in self.faces if self.roles[f] in roles)

    def but(self, **changes: object) -> Feature:
        """A copy with some fields changed."""
        return replace(self, **changes)  # type: ignore[arg-type]

"""What a drawing's text says once it is understood: plain data, lengths in millimetres."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class What(StrEnum):
    """What a callout is about."""

    THREAD = "thread"
    DIAMETER = "diameter"
    RADIUS = "radius"
    LENGTH = "length"
    TEXTURE = "surface texture"
    UNCLEAR = "unclear"  # a hole or a thread is named, but not plainly as what the part has


@dataclass(frozen=True)
class Called:
    """One callout. ``text`` is as drawn, its signs in words; ``count`` how many features it stands for.

    ``thread`` is a designation that :func:`featurize.standards.threads.parse` knows, with LH where it is
    left-handed, or None for one that it does not know. ``upper_mm`` and ``lower_mm`` are deviations, both
    None where no tolerance is written or ``fit`` is not tabulated. ``bore_depth_mm`` and ``bore_mm`` are of
    a thread's own drill. ``textures`` are (parameter, micrometres), such as ("Ra", 0.4). ``slack_mm`` is half
    of the last place of a size in inches, which is a metric one rounded.
    """

    what: What
    text: str
    count: int = 1
    value_mm: float | None = None
    thread: str | None = None
    upper_mm: float | None = None
    lower_mm: float | None = None
    fit: str = ""
    depth_mm: float | None = None
    through: bool = False
    bore_mm: float | None = None
    bore_depth_mm: float | None = None
    counterbore_mm: float | None = None
    counterbore_depth_mm: float | None = None
    countersink_mm: float | None = None
    textures: tuple[tuple[str, float], ...] = ()
    slack_mm: float = 0.0
    reference: bool = False  # in brackets, or a circle that holes lie on: it binds nothing

    @property
    def is_toleranced(self) -> bool:
        return bool(self.fit) or self.upper_mm is not None

    def limits_mm(self) -> tuple[float, float]:
        """Least and greatest size at which a model may be drawn: nominal, or anywhere within the limits."""
        assert self.value_mm is not None
        upper, lower = self.upper_mm or 0.0, self.lower_mm or 0.0
        return self.value_mm + min(lower, 0.0), self.value_mm + max(upper, 0.0)


class Topic(StrEnum):
    """What a note of the sheet, which is about no single feature, is about."""

    HARDNESS = "hardness"
    MATERIAL = "material"
    GENERAL_TOLERANCE = "general tolerance"
    EDGES = "edges"
    GENERAL_TEXTURE = "general surface texture"


EDGES_SHARP, EDGES_BROKEN = "sharp", "broken"


@dataclass(frozen=True)
class SheetNote:
    """``value`` is what the note comes to: "60 HRC", "mK", "sharp" ...; ``low`` and ``high`` bound a number.

    ``unit`` is the number's: HRC, HRA, HV, um, mm.
    """

    about: Topic
    text: str
    value: str = ""
    low: float | None = None
    high: float | None = None
    unit: str = ""


@dataclass(frozen=True)
class Spot:
    """Where something is written: sheet from 1, mm from its lower left corner; the words' size."""

    page: int
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    angle_deg: float = 0.0

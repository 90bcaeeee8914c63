"""What a dry run finds: figures with their place, feature and step."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from typing import Any

from featurize.feature import Vec3


class Fault(StrEnum):
    GOUGE = "gouge"  # material of the part is removed
    LEFTOVER = "leftover"  # material stays on the part
    NO_CUT = "cuts nothing"
    OUT_OF_REACH = "out of reach"
    IN_THE_WAY = "in the way"  # a fixture, or the holder
    STOCK = "stock differs"
    SURPLUS = "stock shows more"  # air is cut, no more
    CORNERS = "stock shows no corners"  # what a cutter's round leaves for a later step
    ALLOWANCE = "allowance stays"  # nobody takes it off
    ZERO = "zero differs"
    DOUBT = "reckoned differently"  # by meshes and by lines: one of them fails
    RECORD = "records differ"  # two papers, or a paper and the model


# What would not scrap the part or break a tool.
_MINOR = frozenset({Fault.NO_CUT, Fault.SURPLUS, Fault.CORNERS})


@dataclass(frozen=True)
class Finding:
    """``place_mm`` in model coordinates; ``depth_mm`` is the largest distance to the part's surface."""

    fault: Fault
    message: str
    feature: str | None = None
    step: int | None = None
    place_mm: Vec3 | None = None
    volume_mm3: float | None = None
    depth_mm: float | None = None

    @property
    def blocking(self) -> bool:
        return self.fault not in _MINOR

    def as_dict(self) -> dict[str, Any]:
        found = asdict(self) | {"fault": str(self.fault), "blocking": self.blocking}
        for key in ("volume_mm3", "depth_mm"):
            found[key] = None if found[key] is None else round(found[key], 5)
        if self.place_mm is not None:
            found["place_mm"] = [round(x, 4) for x in self.place_mm]
        return found

    def __str__(self) -> str:
        where = " ".join(w for w in (f"step {self.step}" if self.step else "", self.feature or "") if w)
        at = "" if self.place_mm is None else " at " + ", ".join(f"{x:.3f}" for x in self.place_mm)
        size = "" if self.volume_mm3 is None else f", {self.volume_mm3:.4g} mm3"
        deep = "" if self.depth_mm is None else f", {self.depth_mm:.3f} deep"
        return f"{self.fault}: {where + ': ' if where else ''}{self.message}{size}{deep}{at}"


def together(findings: Iterable[Finding]) -> list[Finding]:
    """Those alike but for their place as one: the deepest, with the volume of all."""
    found: dict[tuple[object, ...], list[Finding]] = {}
    for f in findings:
        found.setdefault((f.fault, f.message, f.feature, f.step), []).append(f)
    return [_as_one(same) for same in found.values()]


def _as_one(same: Sequence[Finding]) -> Finding:
    deepest = max(same, key=lambda f: f.depth_mm or 0.0)
    volumes = [f.volume_mm3 for f in same if f.volume_mm3 is not None]
    return replace(deepest, volume_mm3=sum(volumes)) if volumes else deepest

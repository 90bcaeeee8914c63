"""What a person wants of the processes: the material, processes forced on features, allowances."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from routing.processes.material import Material

# Left on ground floors for the finishing cutter (common practice, no source).
ALLOWANCE_FLOOR_MM = 0.010
# How steel comes into the shop.
HARDENED, SOFT = "hardened", "soft"


@dataclass(frozen=True)
class Preferences:
    """``blank`` is "auto" (a disc for a part with a round outside, else a block), "block", "disc" or a path.

    ``processes``: feature id or kind to a process. ``allowances``: feature id or kind to what stays on its
    ground floors and walls (mm) in place of the two common ones. ``present``: feature ids or kinds that the
    blank has already. ``supplied``: "hardened", or "soft" for steel that is hardened on the way.
    """

    material: str = "steel-60hrc"
    blank: str = "auto"
    blank_margin_mm: float = 0.0
    allowance_floor_mm: float = ALLOWANCE_FLOOR_MM
    allowance_wall_mm: float = 0.0
    processes: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    allowances: Mapping[str, tuple[float, float]] = field(default_factory=lambda: MappingProxyType({}))
    present: tuple[str, ...] = ()
    supplied: str = HARDENED

    def process_for(self, feature_id: str, kind: str) -> str | None:
        """The process forced on a feature: by its id before by its kind."""
        return self.processes.get(feature_id, self.processes.get(kind))

    def allowance_for(self, feature_id: str, kind: str) -> tuple[float, float]:
        """(floor, wall) in mm of a feature: by its id before by its kind, else the common ones."""
        common = (self.allowance_floor_mm, self.allowance_wall_mm)
        return self.allowances.get(feature_id, self.allowances.get(kind, common))

    def is_present(self, feature_id: str, kind: str) -> bool:
        """Whether a person says that the blank has a feature already."""
        return feature_id in self.present or kind in self.present

    def made_of(self) -> Material:
        """Raises ValueError for a material that is not known."""
        return Material.named(self.material)

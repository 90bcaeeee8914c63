"""What a part is made of: steel by its hardness, cemented carbide by its binder and grain."""

from __future__ import annotations

import re
from dataclasses import dataclass

from routing.processes.hardness import GRAINS_UM

_STEEL = re.compile(r"steel-(\d+(?:\.\d+)?)hrc")
_CARBIDE = re.compile(rf"carbide-(\d+(?:\.\d+)?)(?:-(?:({'|'.join(GRAINS_UM)})|(\d+(?:\.\d+)?)um))?")

FAMILIES = ("steel", "carbide")


@dataclass(frozen=True)
class Material:
    """``hardness_hrc`` for steel; ``binder_percent`` (by mass), perhaps ``grain_um``, for carbide."""

    name: str
    hardness_hrc: float | None = None
    binder_percent: float | None = None
    grain_um: float | None = None

    @property
    def family(self) -> str:
        return FAMILIES[self.binder_percent is not None]

    @classmethod
    def named(cls, name: str) -> Material:
        """From "steel-60hrc", "carbide-12", "carbide-12-fine" or "carbide-12-0.8um"; raises ValueError."""
        if (match := _STEEL.fullmatch(name)) and 20 <= float(match[1]) <= 70:
            return cls(name, hardness_hrc=float(match[1]))
        if (match := _CARBIDE.fullmatch(name)) and 3 <= float(match[1]) <= 30:
            grain = GRAINS_UM[match[2]] if match[2] else float(match[3]) if match[3] else None
            if grain is None or 0.2 <= grain <= 10:
                return cls(name, binder_percent=float(match[1]), grain_um=grain)
        raise ValueError(f"{name} is no material that is known")

"""What a shop has for jig grinding. Lengths mm, times minutes."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class JigGrinder:
    smallest_mm: float
    deepest_mm: float
    leave_mm: float
    mm2_per_min: float


@dataclass(frozen=True)
class JigShop:
    jig_grinder: JigGrinder

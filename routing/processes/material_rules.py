"""The rule of one material, drawn between the rules that the shop file gives for its family."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

from routing.processes.hardness import carbide_hv
from routing.processes.material import Material

# Binder shares between which one of equal hardness is sought: as far as the hardness is worth something.
_BINDERS = (1.0, 40.0)
# What goes with the mass, not with the hardness.
_BY_MASS = ("density_g_per_cm3", "price_per_kg")


@dataclass(frozen=True)
class MaterialRule:
    """``smallest_cutter_mm`` and ``length_ratio`` bound the sensible cutters, ``cutters`` names them.

    ``small_cutter_mm`` and ``small_length_ratio`` are the ratio for cutters under a diameter. Up to
    ``stiff_ratio`` diameters a cutter keeps its rate. The scales are shares of the rates in ``Rates``, which
    are steel's, and of a cutter's life. ``finishing_passes`` follow an eroding cut, ``chipping`` is from 0 to
    1, ``careful_feed`` a share of the feed, ``processes`` those that the shop uses on it (none named: all).
    Of ``hardness_hrc`` (steel) and ``binder_percent`` (carbide, with its usual ``grain_um``) one says what
    the numbers hold for.
    """

    cutters: str
    smallest_cutter_mm: float
    length_ratio: float
    small_cutter_mm: float
    small_length_ratio: float
    stiff_ratio: float
    feed_scale: float
    hole_scale: float
    life_scale: float
    wire_scale: float
    grind_scale: float
    erode_scale: float
    finishing_passes: int
    chipping: float
    careful_feed: float
    thin_mm: float
    thin_ratio: float
    tensile_mpa: float
    safety: float
    magnet_share: float
    density_g_per_cm3: float
    price_per_kg: float
    cutter_cost_per_hour: float
    processes: tuple[str, ...] = ()
    hardness_hrc: float | None = None
    binder_percent: float | None = None
    grain_um: float | None = None


def rule_for(material: Material, rules: Iterable[MaterialRule]) -> MaterialRule:
    """Every number along straight lines between the nearest rules of the family, beyond the last as there.

    A whole number is rounded up, words and processes are the nearest rule's. The grain of a carbide moves it
    to the binder share that is as hard at the usual grain. Raises ValueError where no rule is of its family.
    """
    if material.binder_percent is None:
        return _drawn(_sorted(rules, "hardness_hrc"), material.hardness_hrc or 0.0)
    family = _sorted(rules, "binder_percent")
    own = _drawn(family, material.binder_percent)
    if material.grain_um is None:
        return own
    as_hard = _drawn(family, _as_hard(family, material.binder_percent, material.grain_um))
    return replace(as_hard, **{name: getattr(own, name) for name in _BY_MASS})


def like_binder_percent(material: Material, rules: Iterable[MaterialRule]) -> float | None:
    """The binder share of the usual grain that is as hard as a carbide of a named grain; None for others."""
    if material.binder_percent is None or material.grain_um is None:
        return None
    return _as_hard(_sorted(rules, "binder_percent"), material.binder_percent, material.grain_um)


_Placed = Sequence[tuple[float, MaterialRule]]


def _sorted(rules: Iterable[MaterialRule], key: str) -> _Placed:
    found = [(float(at), r) for r in rules if (at := getattr(r, key)) is not None]
    if not found:
        raise ValueError(f"no material of the shop file has {key}")
    return sorted(found, key=lambda pair: pair[0])


def _as_hard(family: _Placed, binder_percent: float, grain_um: float) -> float:
    """By halving: less binder is harder, at the usual grain too."""
    sought = carbide_hv(binder_percent, grain_um)
    low, high = _BINDERS
    for _ in range(40):
        middle = (low + high) / 2
        if carbide_hv(middle, _drawn(family, middle).grain_um or grain_um) > sought:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _drawn(family: _Placed, at: float) -> MaterialRule:
    after = next((n for n, (x, _) in enumerate(family) if x >= at), len(family) - 1)
    before = max(0, after - 1) if family[after][0] > at else after
    (low, a), (high, b) = family[before], family[after]
    share = 0.0 if high <= low else min(1.0, max(0.0, (at - low) / (high - low)))
    nearest = a if share < 0.5 else b
    return replace(nearest, **{f.name: _between(f.name, a, b, share) for f in fields(MaterialRule)})


def _between(name: str, a: MaterialRule, b: MaterialRule, share: float) -> Any:
    low, high = getattr(a, name), getattr(b, name)
    if isinstance(low, int | float) and isinstance(high, int | float):
        value = low + share * (high - low)
        return math.ceil(value - 1e-9) if isinstance(low, int) else value
    return low if share < 0.5 else high

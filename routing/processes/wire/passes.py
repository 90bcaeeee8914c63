"""The passes of a wire as the trade names them: which walls, how many trims, what they take."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from featurize.brep.silhouette import View
from featurize.brep.surfaces import Array
from routing.processes.tools import Wire
from routing.processes.wire.profiles import WireCut
from routing.processes.wire.rulings import Ruled
from routing.processes.wire.shop import WireRates
from routing.processes.wire.verdict import Wall, WirePass


def passes_of(
    cuts: Sequence[WireCut],
    view: View,
    thickness: Array,
    span_mm: tuple[float, float],
    wire: Wire,
    trims: Trims,
) -> Iterator[WirePass]:
    """Every pass of some paths in cutting order; ``span_mm`` are the part's ends along the view."""
    level = float(view.origin @ view.along)
    for path, cut in enumerate(cuts, 1):
        opens = sum(float(cut.first.at(h).lengths.sum()) for h in span_mm) / 2 * (span_mm[1] - span_mm[0])
        for number, p in enumerate(cut.passes, 1):
            wall = wall_of(cut, p.ruled, float(view.along @ thickness))
            speeds, trimmed = trims.of(wall, number == 1 or p.stock_mm > wire.kerf_mm)
            yield WirePass(
                words=str(wall),
                high_mm=p.ruled.high_mm + level,
                low_mm=p.ruled.low_mm + level,
                angle_deg=p.ruled.lean_deg,
                path=path,
                number=number,
                wall=wall,
                area_mm2=p.area_mm2,
                open_mm2=opens if number == 1 else 0.0,
                stock_mm=p.stock_mm if number > 1 else 0.0,
                speeds=speeds,
                trims=trimmed,
            )


def wall_of(cut: WireCut, ruled: Ruled, up: float) -> Wall:
    """What a pass makes; ``up`` is the cosine of the view's direction with that out of the working side."""
    if all(p.ruled.straight for p in cut.passes):
        return Wall.PROFILE
    if ruled.straight:
        return Wall.LAND
    if len(cut.passes) == 1:
        return Wall.TAPER
    if not cut.closed or abs(up) < np.cos(np.radians(1.0)):
        return Wall.TAPER
    grows = abs(ruled.upper.area_mm2) - abs(ruled.lower.area_mm2)
    return Wall.LEAD_IN if grows * up > 0 else Wall.RELIEF


class Trims:
    """How often each wall is gone over, at what speeds over the main cut's.

    A land, and what leads into it, gets all the passes of the shop's rates, and as many as the material
    asks for at least; a relief, which nothing slides on, ``relief_trims`` or half of what the material asks
    for (common practice, no source).
    """

    def __init__(self, rates: WireRates, finishing_passes: int) -> None:
        self._shares = rates.pass_shares
        self._full = max(len(rates.pass_shares) - 1, finishing_passes)
        self._few = min(self._full, max(rates.relief_trims, finishing_passes // 2))

    def of(self, wall: Wall, is_main: bool) -> tuple[tuple[float, ...], int]:
        """The speeds of all cuts, and how many of them are trims; ``is_main`` where the first takes more than
        a kerf. What is thinner is taken by trims alone, one at least.
        """
        trims = self._few if wall == Wall.RELIEF else self._full
        trims = trims if is_main else max(1, trims)
        speeds = [self._shares[min(k, len(self._shares) - 1)] for k in range(0 if is_main else 1, trims + 1)]
        return tuple(speeds), trims

"""Minutes of wire cutting from sizes and the shop's rates: closed forms, no geometry.

Lengths are mm, areas mm2, volumes mm3, times minutes. The forms are common practice, no source; every rate
in them stands in the shop file. No form gets quicker when a depth, an area or a volume grows.
"""

from __future__ import annotations

from routing.processes.protocol import Effort
from routing.processes.wire.shop import WireRates


def wire_cut(
    area: float, height: float, rates: WireRates, *, scale: float, wire_mm: float, passes: int, closed: bool
) -> Effort:
    """Cut area over the rate, once for each pass; ``passes`` counts from the last: 1 is one trim more.

    Thin work cuts as if it were ``lost_height_mm`` taller, so the rate at height h is h / (h + lost) of
    the full one.
    """
    shares = rates.pass_shares[-passes:]
    rate = rates.main_mm2_per_min(wire_mm) * scale * height / (height + rates.lost_height_mm)
    slug = rates.slug_min if closed and passes == len(rates.pass_shares) else 0.0
    return Effort(
        area / rate * sum(1 / s for s in shares),
        rates.threading_min + slug,
        (
            f"cut area {area:.4g} mm2, {len(shares)} passes at {' '.join(f'{s * rate:.3g}' for s in shares)} "
            f"mm2/min with wire {wire_mm:g} at height {height:.4g}",
        ),
    )

"""The wire's programme sheet: every pass in the zero of its setup, for the route file and as a table."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from routing.export.numbers import rounded, vector
from routing.export.table import harmless
from routing.processes.protocol import feature_of

if TYPE_CHECKING:  # these load the kernel
    from featurize.brep.surfaces import Array
    from routing.plan.zero import Zero
    from routing.processes.wire.outline import Outline
    from routing.processes.wire.paths import Leg, Path

_COLUMNS = (
    "setup",
    "step",
    "path",
    "pass",
    "makes",
    "file",
    "upper layer",
    "lower layer",
    "upper Z",
    "lower Z",
    "height",
    "angle deg",
    "wire",
    "offset",
    "side",
    "travel",
    "cuts",
    "trims",
    "minutes",
    "start X",
    "start Y",
    "start hole",
    "hole from Z",
    "hole to Z",
    "upper meets X",
    "upper meets Y",
    "lower meets X",
    "lower meets Y",
)


@dataclass(frozen=True, eq=False)
class PlacedPath:
    """A path in the zero of its setup; ``minutes`` are those of its legs."""

    path: Path
    setup: int
    step: int
    zero: Zero
    file: str
    minutes: tuple[float, ...]

    @property
    def shift(self) -> Array:
        """From the path's own coordinates (3,): both have the same axes. Raises ValueError where not."""
        import numpy as np

        view = self.path.view
        if not np.allclose(self.zero.axes, [view.across, view.up, view.along], atol=1e-9):
            raise ValueError(f"{self.path.name}: the setup's zero does not look along the wire")
        return self.zero.local(view.origin)

    def flat(self, points: Array) -> Array:
        """Points (..., 2) in the setup's X and Y."""
        return points + self.shift[:2]

    def z(self, height_mm: float) -> float:
        return round(float(height_mm + self.shift[2]), 9) + 0.0  # no -0.000 on paper

    def outline(self, o: Outline) -> Outline:
        return o.but(self.flat(o.points), o.bulges)


def layers(leg: Leg) -> tuple[str, str]:
    """Of a pass's upper and lower outline."""
    return f"{leg.name}_UPPER", f"{leg.name}_LOWER"


def travel(path: Path) -> str:
    if not path.cut.closed:
        return "from the drawn start to the drawn end"
    return "against the clock" if path.cut.opening else "with the clock"


def passes(placed: PlacedPath) -> Iterator[dict[str, Any]]:
    """What the route file says of each pass of a path."""
    path = placed.path
    for leg, minutes in zip(path.legs, placed.minutes, strict=True):
        made, ruled, lead = leg.made, leg.ruled, leg.lead
        yield {
            "name": leg.name,
            "cut": path.name,
            "feature": feature_of(path.feature),
            "setup": placed.setup,
            "step": placed.step,
            "number": made.number,
            "makes": str(made.wall),
            "file": placed.file,
            "layers": list(layers(leg)),
            "heights_mm": [rounded(placed.z(ruled.high_mm)), rounded(placed.z(ruled.low_mm))],
            "angle_deg": rounded(made.angle_deg),
            "tilt_deg": rounded(ruled.tilt_deg),
            "closed": ruled.closed,
            "corners": len(ruled.lower.points),
            "lengths_mm": [rounded(float(o.lengths.sum())) for o in (ruled.upper, ruled.lower)],
            "wire_mm": rounded(path.wire.diameter_mm),
            "gap_mm": rounded(path.wire.gap_mm),
            "offset_mm": rounded(path.wire.corner_mm),
            "side": "left",
            "travel": travel(path),
            "speeds": vector(made.speeds),
            "trims": made.trims,
            "area_mm2": rounded(made.area_mm2),
            "stock_mm": rounded(made.stock_mm),
            "minutes": rounded(minutes, 2),
            "deviation_mm": rounded(path.cut.deviation_mm),
            "lead": {
                "layer": f"{leg.name}_LEAD",
                "upper_mm": _line(placed, lead.upper),
                "lower_mm": _line(placed, lead.lower),
                "meets": lead.rule,
                "problem": lead.problem,
            },
            "out": None
            if lead.out_upper is None or lead.out_lower is None
            else {"upper_mm": _line(placed, lead.out_upper), "lower_mm": _line(placed, lead.out_lower)},
            "start_hole": start_hole(placed),
        }


def _line(placed: PlacedPath, points: Array) -> list[list[float]]:
    return [vector(p) for p in placed.flat(points)]


def start_hole(placed: PlacedPath) -> dict[str, Any] | None:
    """Where a path is started, through what; None where it comes from the edge."""
    path = placed.path
    hole = path.hole
    if hole is None:
        return None
    import numpy as np

    low, high = path.span_mm
    x, y = placed.flat(np.array(hole.circle.centre))
    return {
        "name": path.name,
        "feature": feature_of(path.feature),
        "setup": placed.setup,
        "file": placed.file,
        "x_mm": rounded(float(x)),
        "y_mm": rounded(float(y)),
        "from_z_mm": rounded(placed.z(high)),
        "to_z_mm": rounded(placed.z(low)),
        "inscribed_mm": rounded(hole.inscribed_mm),
        "diameter_mm": None if hole.diameter_mm is None else rounded(hole.diameter_mm),
        "by": hole.made.how if hole.made else "none",
        "problem": hole.problem,
    }


def text(every: Sequence[PlacedPath]) -> str:
    """The sheet as CSV (RFC 4180); lengths mm, in the zero of each setup."""
    stream = io.StringIO()
    writer = csv.writer(stream)
    writer.writerow(_COLUMNS)
    for placed in every:
        for entry in passes(placed):
            writer.writerow(harmless(c) if isinstance(c, str) else c for c in _row(entry))
    return stream.getvalue()


def _row(entry: dict[str, Any]) -> Sequence[Any]:
    hole, lead = entry["start_hole"] or {}, entry["lead"]
    high, low = entry["heights_mm"]
    start = lead["upper_mm"][0]
    return (
        entry["setup"],
        entry["step"],
        entry["cut"],
        entry["number"],
        entry["makes"],
        entry["file"],
        *entry["layers"],
        high,
        low,
        rounded(high - low),
        entry["angle_deg"],
        entry["wire_mm"],
        entry["offset_mm"],
        entry["side"],
        entry["travel"],
        len(entry["speeds"]),
        entry["trims"],
        entry["minutes"],
        *start,
        "" if hole.get("diameter_mm") is None else hole["diameter_mm"],
        "" if not hole else hole["from_z_mm"],
        "" if not hole else hole["to_z_mm"],
        *lead["upper_mm"][-1],
        *lead["lower_mm"][-1],
    )

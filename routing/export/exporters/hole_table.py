"""Every hole and thread in the zero of its own setup, as a table and in the route file.

A setup looks onto the side a hole opens in. Its Z points out of that side; its X is the first axis of the
part's frame that lies in the side, in its positive sense; Y follows by the right hand. Its zero is the
middle of the part's box, on the box's own face of that side.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from featurize.feature import Bore, Callout, Feature
from routing.export.work import Work

if TYPE_CHECKING:
    from featurize.brep.part import Part
    from featurize.brep.surfaces import Array

ORDER = 31
TABLE = "holes.csv"
FILES = (TABLE,)
ZERO = (
    "Z points out of the setup's side; X is the first axis of the part's frame in that side, positive; "
    "Y by the right hand. Zero: middle of the part's box, on the box's face of that side."
)


@dataclass(frozen=True, eq=False)
class Setup:
    """``axes`` (3, 3) rows X, Y, Z and ``zero`` (3,), in model coordinates; ``side`` such as "+z"."""

    side: str
    zero: Array
    axes: Array


@dataclass(frozen=True)
class Hole:
    """One row. Lengths mm; depths count from the mouth; ``count`` is how many rows are alike in a setup.

    ``diameters`` run from the mouth inwards as "diameter x depth to its end". ``full_thread_mm`` is what is
    left of the bore after a pitch of run-out where it is blind.
    """

    feature: str
    setup: str
    process: str
    count: int
    x_mm: float
    y_mm: float
    mouth_z_mm: float
    diameter_mm: float
    diameters: str
    depth_mm: float
    bottom: str
    thread: str
    hand: str
    tap_drill_mm: float | None
    full_thread_mm: float | None
    relief_diameter_mm: float | None
    relief_depth_mm: float | None
    callouts: str


def setup_of(part: Part, direction: Array) -> Setup:
    """The setup whose side looks along a unit direction (model coordinates), slanted ones included."""
    import numpy as np

    z = direction / np.linalg.norm(direction)
    axes = part.frame.axes
    first = next(a for a in axes if abs(float(a @ z)) < np.sqrt(0.5) + 1e-9)
    x = first - (first @ z) * z
    x /= np.linalg.norm(x)
    corners = part.frame.world(
        np.array([[(part.low, part.high)[b >> k & 1][k] for k in range(3)] for b in range(8)])
    )
    middle = corners.mean(axis=0)
    zero = middle + float(((corners - middle) @ z).max()) * z
    return Setup(part.frame.side_of(z) or "slanted", zero, np.array([x, np.cross(z, x), z]))


def holes(work: Work) -> tuple[list[Setup], list[Hole]]:
    """Setups in the order of the sides, and a row for each hole in the order of setup, size and place."""
    import numpy as np

    setups: dict[tuple[float, ...], Setup] = {}
    rows = []
    for routed in work.route.features:
        feature = routed.feature
        if not feature.bores or feature.axis is None:
            continue
        along, bores, mouth = _approach(work.part, feature, routed.process, routed.verdict)
        setup = setups.setdefault(tuple(np.round(along, 6) + 0.0), setup_of(work.part, along))
        x, y, z = setup.axes @ (mouth - setup.zero)
        rows.append(_row(feature, setup.side, routed.process, (x, y, z), bores))
    alike = [_alike(r) for r in rows]
    counted = [replace(r, count=alike.count(k)) for r, k in zip(rows, alike, strict=True)]
    order = sorted(counted, key=lambda r: (r.setup, -r.diameter_mm, r.thread, r.y_mm, r.x_mm, r.feature))
    return sorted(setups.values(), key=lambda s: (s.side, *np.round(s.axes[2], 6))), order


def _alike(row: Hole) -> Hole:
    return replace(row, feature="", x_mm=0.0, y_mm=0.0)


def _approach(
    part: Part, feature: Feature, process: str, verdict: Any
) -> tuple[Array, tuple[Bore, ...], Array]:
    """Direction out of the mouth, bores from there, and the mouth: from the side its process works from."""
    import numpy as np

    assert feature.axis is not None
    out, mouth = np.array(feature.axis.direction), np.array(feature.axis.origin)
    key = "axis" if process == "wire" else "side"
    side = "" if verdict is None else str(verdict.details.get(key, ""))
    turned = len(side) == 2 and float(part.frame.direction(side) @ out) < -0.999999
    if not turned:
        return out, feature.bores, mouth
    length = feature.bores[-1].end_mm
    bores = tuple(
        Bore(length - b.end_mm, length - b.start_mm, b.end_diameter_mm, b.start_diameter_mm)
        for b in reversed(feature.bores)
    )
    return -out, bores, mouth - length * out


def _row(
    feature: Feature, side: str, process: str, place: tuple[float, float, float], bores: Sequence[Bore]
) -> Hole:
    from featurize.recognise.threads import is_through, relief_bore, thread_bore
    from featurize.standards.threads import parse
    from routing.export.numbers import rounded
    from routing.plan.threads import RUN_OUT_PITCHES

    straight = [b for b in bores if b.is_cylinder] or list(bores)
    through = is_through(feature)
    drill = full = relief = None
    thread, hand = "", ""
    if feature.thread is not None and feature.thread.designation is None:
        thread = " or ".join(feature.thread.asked) + "?"
    elif feature.thread is not None:
        size, _ = parse(str(feature.thread.designation))
        thread, hand = size.designation, "left" if feature.thread.left_hand else "right"
        carrier, relief = thread_bore(feature, size), relief_bore(feature, size)
        drill = rounded(size.tap_drill_mm)
        run_out = 0.0 if through else RUN_OUT_PITCHES * size.pitch_mm
        full = rounded(max(0.0, carrier.end_mm - carrier.start_mm - run_out))
    return Hole(
        feature=feature.id,
        setup=side,
        process=process,
        count=1,
        x_mm=rounded(place[0]),
        y_mm=rounded(place[1]),
        mouth_z_mm=rounded(place[2]),
        diameter_mm=rounded(min(b.start_diameter_mm for b in straight)),
        diameters=", ".join(_stage(b) for b in bores),
        depth_mm=rounded(straight[-1].end_mm if not through else bores[-1].end_mm),
        bottom="through" if through else _bottom(bores),
        thread=thread,
        hand=hand,
        tap_drill_mm=drill,
        full_thread_mm=full,
        relief_diameter_mm=None if relief is None else rounded(relief.start_diameter_mm),
        relief_depth_mm=None if relief is None else rounded(relief.end_mm - relief.start_mm),
        callouts="; ".join(_callout(c) for c in feature.callouts),
    )


def _stage(bore: Bore) -> str:
    from routing.export.numbers import rounded

    ends = [f"{rounded(d, 3):g}" for d in (bore.start_diameter_mm, bore.end_diameter_mm)]
    wide = ends[0] if bore.is_cylinder else f"{ends[0]} to {ends[1]}"
    return f"{wide} x {rounded(bore.end_mm, 3):g}"


def _bottom(bores: Sequence[Bore]) -> str:
    """A cone to a point with its full angle, or flat."""
    import math

    last = bores[-1]
    if last.is_cylinder:
        return "flat"
    rise = last.end_mm - last.start_mm
    angle = 2 * math.degrees(math.atan2((last.start_diameter_mm - last.end_diameter_mm) / 2, rise))
    return f"cone {angle:.0f} deg"


def _callout(callout: Callout) -> str:
    if callout.upper_mm is not None and callout.lower_mm is not None and callout.value_mm is not None:
        return f"{callout.kind} {callout.value_mm:.6g} {callout.upper_mm:+.6g}/{callout.lower_mm:+.6g}"
    value = "" if callout.value_mm is None else f" {callout.value_mm:.6g}"
    return f"{callout.kind}{value}{f' {callout.datum}' if callout.datum else ''}".strip()


def text(rows: Sequence[Hole]) -> str:
    """CSV (RFC 4180)."""
    from dataclasses import asdict, fields

    from routing.export.table import harmless

    stream = io.StringIO()
    writer = csv.DictWriter(stream, [f.name for f in fields(Hole)])
    writer.writeheader()
    for row in rows:
        cells = {k: "" if v is None else v for k, v in asdict(row).items()}
        writer.writerow({k: harmless(v) if isinstance(v, str) else v for k, v in cells.items()})
    return stream.getvalue()


def write(work: Work, folder: Path) -> dict[str, Any]:
    """The table, empty where there are no holes, and the same rows with their setups for the route file."""
    from routing.export.numbers import vector
    from routing.export.route_json import plain

    setups, rows = holes(work)
    (folder / TABLE).write_text(text(rows), encoding="utf-8", newline="")
    told = [
        {
            "side": s.side,
            "zero_mm": vector(s.zero),
            **{n: vector(a, 9) for n, a in zip("xyz", s.axes, strict=True)},
        }
        for s in setups
    ]
    return {"holes": {"zero": ZERO, "setups": told, "rows": [plain(r) for r in rows]}}

"""Every hole and thread in the zero of its own setup, as a table and in the route file.

Setups, steps and zeros are the plan's (see ``routing.plan.zero``).
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

if TYPE_CHECKING:  # these load the kernel
    from featurize.brep.surfaces import Array
    from routing.plan.plan import PlannedStep, Setup

ORDER = 31
TABLE = "holes.csv"
FILES = (TABLE,)


@dataclass(frozen=True)
class Hole:
    """One row. Lengths mm; depths count from the mouth; ``count`` is how many rows are alike in a setup.

    ``diameters`` run from the mouth inwards as "diameter x depth to its end". ``full_thread_mm`` is what is
    left of the bore after a pitch of run-out where it is blind.
    """

    feature: str
    setup: int | None
    step: int | None
    side: str
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


def holes(work: Work) -> tuple[list[Setup], list[Hole]]:
    """Setups that make holes, in order, and a row for each hole in the order of setup, size and place.

    A hole that nothing makes counts from the zero of its own axis, in no setup.
    """
    import numpy as np

    from routing.plan.zero import zero_for

    setups: dict[int, Setup] = {}
    rows = []
    for routed in work.plan.features:
        feature = routed.feature
        if not feature.bores or feature.axis is None:
            continue
        step = work.plan.step_of(feature.id)
        if step is None:
            setup, zero = None, zero_for(work.plan.job, np.array(feature.axis.direction))
            toward = zero.axes[2]
        else:
            setup = work.plan.setup_of(step.number)
            setups[setup.number] = setup
            zero, toward = setup.zero, step.approach.direction
        bores, mouth = _from_side(feature, toward)
        x, y, z = zero.local(mouth)
        rows.append(_row(feature, setup, step, routed.process, (x, y, z), bores))
    alike = [_alike(r) for r in rows]
    counted = [replace(r, count=alike.count(k)) for r, k in zip(rows, alike, strict=True)]
    order = sorted(counted, key=lambda r: (r.setup or 0, -r.diameter_mm, r.thread, r.y_mm, r.x_mm, r.feature))
    return [setups[n] for n in sorted(setups)], order


def _alike(row: Hole) -> Hole:
    return replace(row, feature="", x_mm=0.0, y_mm=0.0)


def _from_side(feature: Feature, toward: Array) -> tuple[tuple[Bore, ...], Array]:
    """The bores from the mouth that a tool comes in by, and that mouth: the far one where it comes from there."""
    import numpy as np

    from featurize import tolerances as tol
    from featurize.bores import from_far

    assert feature.axis is not None
    out, mouth = np.array(feature.axis.direction), np.array(feature.axis.origin)
    if float(toward @ out) > -np.cos(np.radians(tol.AXIS_DEG)):
        return feature.bores, mouth
    length = feature.bores[-1].end_mm
    return from_far(feature.bores, length), mouth - length * out


def _row(
    feature: Feature,
    setup: Setup | None,
    step: PlannedStep | None,
    process: str,
    place: tuple[float, float, float],
    bores: Sequence[Bore],
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
        setup=setup.number if setup else None,
        step=step.number if step else None,
        side=step.from_side if step else "",
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
    from routing.plan.zero import WORDS

    setups, rows = holes(work)
    (folder / TABLE).write_text(text(rows), encoding="utf-8", newline="")
    told = [
        {
            "setup": s.number,
            "side": s.approach.side,
            "zero_mm": vector(s.zero.origin_mm),
            **{n: vector(a, 9) for n, a in zip("xyz", s.zero.axes, strict=True)},
        }
        for s in setups
    ]
    return {"holes": {"zero": WORDS, "setups": told, "rows": [plain(r) for r in rows]}}

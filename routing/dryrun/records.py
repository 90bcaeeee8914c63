"""What needs no machining to be found: papers that do not fit one another, the zero, or the customer's
file.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from featurize.brep.surfaces import Array
from routing.dryrun.bores import HoleTable, Row
from routing.dryrun.findings import Fault, Finding
from routing.dryrun.scene import Model
from routing.dryrun.written import BY_HAND, Written, WrittenSetup, WrittenStep

# Places are written to four decimals; two of them add up.
_ROUNDING_MM = 1e-3
# What a wall or a bore may be off before it is a finding.
_TOLERANCE_MM = 0.005
_PARALLEL = 1e-6
# A core lies between its thread's basic minor diameter and this share of the pitch over it (ISO 965-1,
# from memory).
_MINOR, _LOOSE, _ROUNDED_MM = 1.0825, 0.3, 0.02


def records(written: Written, model: Model, holes: HoleTable) -> Iterator[Finding]:
    yield from _numbers(written)
    yield from _allowances(written)
    yield from _makers(written)
    for setup in written.setups:
        yield from _zero(written, model, setup)
        yield from _side(written, setup)
    yield from _bores(written, holes)
    yield from _threads(written, holes)
    yield from _stock(written)


def _numbers(written: Written) -> Iterator[Finding]:
    for expected, step in enumerate(written.steps, 1):
        if step.number != expected:
            yield Finding(Fault.RECORD, f"step {expected} is missing before it", None, step.number)
            return


def _allowances(written: Written) -> Iterator[Finding]:
    """What is left must be taken off by a later step of the same feature."""
    by_number = {s.number: s for s in written.steps}
    for step in written.steps:
        for p in step.passes:
            if not p.leaves:
                continue
            later = by_number.get(p.taken_off_by) if p.taken_off_by is not None else None
            left = f"{max(p.floor_mm, p.wall_mm):g} stay"
            if p.taken_off_by is None:
                text = f"{left} and no step is told to take them off"
            elif later is None or later.number <= step.number:
                text = f"{left} for step {p.taken_off_by}, which does not come after it"
            elif all(q.feature != p.feature for q in later.passes):
                text = f"{left} for step {p.taken_off_by}, which does not touch {p.feature}"
            else:
                continue
            yield Finding(Fault.ALLOWANCE, text, p.feature, step.number)


def _makers(written: Written) -> Iterator[Finding]:
    """A feature with a process has a step of that process; its thread a step that cuts it."""
    for name, feature in written.features.items():
        process, steps = feature["process"], written.cutting(name)
        if process != "none" and not feature.get("present") and all(s.process != process for s in steps):
            yield Finding(Fault.RECORD, f"is to be made by {process}, no step of that does it", name)
        threads = (feature.get("thread") or {}).get("designation")
        if threads and process == "mill" and all(s.stage != "thread" for s in steps):
            yield Finding(Fault.RECORD, f"no step cuts its thread {threads}", name)


def _zero(written: Written, model: Model, setup: WrittenSetup) -> Iterator[Finding]:
    """Axes that are set on a face must be 0 where that face is."""
    step = setup.steps[0].number if setup.steps else None
    for entry in setup.zero.touched_off:
        if entry["how"] != "face":
            continue
        axis = "XYZ".index(entry["axis"])
        for feature, at in zip(entry["features"], entry["at_mm"], strict=False):
            if feature not in written.features:
                yield Finding(Fault.ZERO, f"{entry['words']}: no such feature", feature, step)
                continue
            facets = model.facets_of(written.faces_of(feature))
            facets = facets + _proud_mm(written, feature, setup) * _out(facets)
            heights = setup.zero.local(facets.reshape(-1, 3))[:, axis]
            if not len(heights) or float(np.abs(heights - at).max()) > _TOLERANCE_MM:
                off = float(np.abs(heights - at).max()) if len(heights) else None
                text = f"setup {setup.number}: {entry['words']}, the model has it elsewhere"
                yield Finding(Fault.ZERO, text, feature, step, depth_mm=off)


def _proud_mm(written: Written, feature: str, setup: WrittenSetup) -> float:
    """What the last pass at an outside face has left on it by a setup, such as for hardening."""
    left = 0.0
    for other in written.setups:
        if other.number >= setup.number:
            break
        for step in (s for s in other.steps if s.process not in BY_HAND):
            left = next((p.floor_mm for p in step.passes if p.feature == feature), left)
    return left


def _out(facets: Array) -> Array:
    """The unit normal (3,) of flat triangles (m, 3, 3), nothing where there are none."""
    total = np.cross(facets[:, 1] - facets[:, 0], facets[:, 2] - facets[:, 0]).sum(axis=0)
    length = float(np.linalg.norm(total))
    return np.asarray(total / length) if length > 0 else np.zeros(3)


def _side(written: Written, setup: WrittenSetup) -> Iterator[Finding]:
    """A setup's Z points out of the side that it is worked from."""
    out = _direction(written, setup.from_side)
    if out is None or not setup.steps:
        return
    z = setup.zero.axes[2]
    if float(out @ z) < 1 - _PARALLEL:
        step = next((s for s in setup.steps if s.passes), setup.steps[0])
        text = f"setup {setup.number} is from {setup.from_side}, its Z points elsewhere"
        feature = step.passes[0].feature if step.passes else None
        yield Finding(Fault.ZERO, text, feature, step.number)


def _direction(written: Written, side: str) -> Array | None:
    """Of a side's name, in model coordinates; None for what is none, such as "all"."""
    frame = written.content["part"]["frame"]
    if side[:1] not in "+-" or side[1:] not in ("x", "y", "z") or not side:
        return None
    return np.array(frame[side[1]], dtype=float) * (1.0 if side[0] == "+" else -1.0)


def _bores(written: Written, holes: HoleTable) -> Iterator[Finding]:
    """Each row of the table against the bore in route.json, and its setup against the step's."""
    by_number = {s.number: s for s in written.steps}
    for (number, feature), rows in holes.rows.items():
        step = by_number.get(number)
        for row in rows:
            if step is None or step.setup != row.setup or all(p.feature != feature for p in step.passes):
                text = f"holes.csv has {row.what} of {feature} in step {number}, the route does not"
                yield Finding(Fault.RECORD, text, feature, number)
            else:
                yield from _bore(written, step, row)


def _bore(written: Written, step: WrittenStep, row: Row) -> Iterator[Finding]:
    entry = written.features.get(row.feature)
    if entry is None or not entry.get("axis") or step.stage == "start hole":
        return
    setup = next(s for s in written.setups if s.number == row.setup)
    if row.side and setup.from_side != row.side:
        text = f"holes.csv says from {row.side}, setup {row.setup} is from {setup.from_side}"
        yield Finding(Fault.RECORD, text, row.feature, row.step)
    origin = setup.zero.local(np.array([entry["axis"]["origin_mm"]], dtype=float))[0]
    along = setup.zero.axes @ np.array(entry["axis"]["direction"], dtype=float)
    off = np.array([row.x_mm, row.y_mm, row.mouth_mm]) - origin
    beside = float(np.linalg.norm(off - (off @ along) * along))
    if beside > _ROUNDING_MM:
        text = f"holes.csv has its axis {beside:.3f} beside the model's"
        yield Finding(Fault.RECORD, text, row.feature, row.step, depth_mm=beside)


def _threads(written: Written, holes: HoleTable) -> Iterator[Finding]:
    """A thread's core is bored to its size, and as deep as it is cut."""
    for rows in holes.rows.values():
        for thread in (r for r in rows if r.is_thread):
            earlier = [
                r
                for own in holes.rows.values()
                for r in own
                if r.feature == thread.feature and r.step < thread.step and r.end_diameter_mm is None
            ]
            known = written.features.get(thread.feature, {}).get("thread") or {}
            if (
                known.get("pitch_mm")
                and abs(float(known["pitch_mm"]) - (thread.pitch_mm or 0)) > _ROUNDING_MM
            ):
                text = f"holes.csv cuts pitch {thread.pitch_mm:g}, the thread has {known['pitch_mm']:g}"
                yield Finding(Fault.RECORD, text, thread.feature, thread.step)
            if known.get("major_mm") and abs(float(known["major_mm"]) - thread.diameter_mm) > _ROUNDING_MM:
                text = f"holes.csv cuts {thread.diameter_mm:g}, the thread is {known['major_mm']:g}"
                yield Finding(Fault.RECORD, text, thread.feature, thread.step)
            if not earlier:
                yield Finding(Fault.RECORD, "is threaded before it is bored", thread.feature, thread.step)
                continue
            core = min(earlier, key=lambda r: r.diameter_mm)
            pitch = float(thread.pitch_mm or 0.0)
            least = thread.diameter_mm - _MINOR * pitch
            if not least - _ROUNDED_MM <= core.diameter_mm <= least + _LOOSE * pitch:
                text = f"core {core.diameter_mm:g} does not suit {thread.thread}, minor diameter {least:.3f}"
                yield Finding(Fault.RECORD, text, core.feature, core.step)


def _stock(written: Written) -> Iterator[Finding]:
    """The stock files that setups name are there."""
    for setup in written.content["setups"]:
        for key in ("stock_before", "stock_after"):
            name = setup.get(key)
            if name and not (written.folder / str(name)).is_file():
                steps = setup["steps"]
                yield Finding(Fault.STOCK, f"{name} is missing", None, steps[0]["number"] if steps else None)
    for stage in written.content["stock"].get("stages", ()):
        path = written.folder / Path(str(stage["file"])).with_suffix(".stl")
        if not path.is_file():
            text = f"{path.name} is missing"
            yield Finding(Fault.STOCK, text, None, int(stage["step"]) or None)

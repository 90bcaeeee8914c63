"""The plan of an insert, written in some way, beside its key."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from support.transforms import as_bsplines, mirrored, moved, write_step

from featurize.brep.build import build_part
from featurize.recognise import recognise
from featurize.step.read import read_step
from inserts import Insert, Row
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.plan.choice import RoutedFeature
from routing.plan.make import make_plan
from routing.plan.plan import Plan

AXIS, ANGLE_DEG, SHIFT = (1, 2, 3), 77, (11.0, -7.0, 23.0)


def _turned(shape: Any) -> Any:
    return moved(shape, AXIS, ANGLE_DEG, SHIFT)


WAYS = {
    "as drawn": (lambda shape: shape, "MM"),
    "turned": (_turned, "MM"),
    "mirrored": (mirrored, "MM"),
    "inches": (lambda shape: shape, "INCH"),
    "splines": (as_bsplines, "MM"),
}


def planned(insert: Insert, way: str, folder: Path) -> Plan:
    change, unit = WAYS[way]
    solid = _read(change(insert.build().val().wrapped), folder / "insert.step", unit)
    choices = dict(insert.choices)
    if insert.given is not None:
        blank = change(insert.given().val().wrapped)
        choices["blank"] = str(write_step(blank, folder / "blank.step", unit=unit))
    up = np.array(insert.working)
    if way == "turned":
        axis, a = np.array(AXIS) / np.linalg.norm(AXIS), np.radians(ANGLE_DEG)
        up = up * np.cos(a) + np.cross(axis, up) * np.sin(a) + axis * (axis @ up) * (1 - np.cos(a))
    found = recognise(build_part(solid), working_side=up, threads=dict(insert.threads) or {"all": "plain"})
    return make_plan(found, load_shop(), Choices(**choices))


def _read(shape: Any, path: Path, unit: str) -> Any:
    (part,) = read_step(write_step(shape, path, unit=unit), isolate=False).parts
    return part.solid


def side_word(side: str) -> str:
    return {"+z": "working", "-z": "mounting", "all": "all"}.get(side, "side")


def differences(insert: Insert, plan: Plan) -> Iterator[str]:
    """What the key says and the plan does not, in words."""
    left = list(plan.features)
    for row in insert.rows:
        hits = [r for r in left if _is(row, r)][: row.count]
        if len(hits) < row.count:
            near = [f"{dict(r.feature.dims)}" for r in left if str(r.feature.kind) == row.kind]
            yield f"{row.count - len(hits)} of {row.count} {row.kind} {dict(row.dims)} missing; seen {near}"
        for hit in hits:
            left.remove(hit)
            yield from _row_differences(row, hit, plan)
    setups = [(s.process, side_word(s.approach.side)) for s in plan.setups if s.process not in _STATIONS]
    if setups != list(insert.setups):
        yield f"setups {list(insert.setups)} are {setups}"
    steps = [(s.stage.words, s.process) for s in plan.steps]
    at = -1
    for step in insert.order:
        if step not in steps[at + 1 :]:
            yield f"{step} is not after the one before it in {steps}"
            break
        at = steps.index(step, at + 1)
    blocking = [f"{f.code} {f.feature}: {f.message}" for f in plan.flags if str(f.severity) == "blocking"]
    if blocking:
        yield f"blocking: {blocking}"


_STATIONS = ("bench", "inspect", "bought in")


def _is(row: Row, routed: RoutedFeature) -> bool:
    f = routed.feature
    return str(f.kind) == row.kind and all(
        k in f.dims and abs(f.dims[k] - v) < 1e-3 * max(1.0, v) for k, v in row.dims.items()
    )


def _row_differences(row: Row, routed: RoutedFeature, plan: Plan) -> Iterator[str]:
    name = f"{routed.feature.id} {row.kind} {dict(row.dims)}"
    if not row.pieces and str(routed.process) != row.process:
        yield f"{name}: {row.process} is {routed.process} ({[v.reason for v in routed.verdicts][:2]})"
    if row.thread and (routed.feature.thread is None or routed.feature.thread.designation != row.thread):
        yield f"{name}: thread {row.thread} is {routed.feature.thread}"
    made = sorted(
        (r.process, side_word(r.verdict.approach.side) if r.verdict else "") for r in routed.regions
    )
    if row.pieces and made != sorted(row.pieces):
        yield f"{name}: pieces {sorted(row.pieces)} are {made}"
    tools = [str(p.tool) for s in plan.steps for p in s.passes if p.feature == routed.feature.id and p.tool]
    for word in row.tools:
        if not any(word in tool for tool in tools):
            yield f"{name}: no {word!r} among {tools}"

"""The setups with their zeros, steps and holding, and what may break out; a model of each for the CAM seat.

The model is an assembly: the part, the stock as it comes into the setup, what holds it, and the axes of the
setup's zero.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from routing.export.numbers import rounded, vector
from routing.export.route_json import plain
from routing.export.tool_words import diameter_of
from routing.export.work import Work

if TYPE_CHECKING:  # these load the kernel
    from featurize.brep.part import Part
    from routing.plan.holding.by_threads import Screwed
    from routing.plan.holding.fixtures import Fixture
    from routing.plan.holding.setup import Answer
    from routing.plan.plan import Pass, PlannedStep, Setup
    from routing.plan.thin_walls import Fragile

ORDER = 20
AFTER = ("stock bodies",)
OF_PLAN = True
FILES = ("setup_[0-9][0-9].step",)
# Colours in the models (sRGB): what is cut stands out, what holds it does not.
_PART, _STOCK, _FIXTURE = (0.82, 0.55, 0.25), (0.72, 0.74, 0.77), (0.38, 0.45, 0.52)


def depends(work: Work) -> Hashable:
    """All that the plan says of setups; the stock is the job's to add, its files stand in the route file."""
    entries = [(_setup(s, (), {}, work.plan.job.part), s.held.fixtures) for s in work.plan.setups]
    return repr((entries, work.plan.fragile, work.content["stock"].get("stages"), work.header))


def planned(work: Work) -> dict[str, Any]:
    """As the plan stands, before there is a file of any stock or model."""
    return {
        "setups": [_setup(setup, (), {}, work.plan.job.part) for setup in work.plan.setups],
        "fragile": [_fragile(place) for place in work.plan.fragile],
    }


def write(work: Work, folder: Path) -> dict[str, Any]:
    stages = work.content["stock"].get("stages", ())
    made = {s.number: name for s in work.plan.setups if (name := _model(work, s, stages, folder))}
    return {
        "setups": [_setup(setup, stages, made, work.plan.job.part) for setup in work.plan.setups],
        "fragile": [_fragile(place) for place in work.plan.fragile],
    }


def stock_file(stages: Sequence[Mapping[str, Any]], setup: int) -> str | None:
    """The file of the stock after a setup, 0 before the first: that of the last stage up to then."""
    return next((s["file"] for s in reversed(stages) if s["setup"] <= setup), None)


def _model(work: Work, setup: Setup, stages: Sequence[Mapping[str, Any]], folder: Path) -> str | None:
    """The name of a setup's model, written; None for what is done by hand or elsewhere."""
    if (
        setup.process not in work.plan.job.processes
        or (before := stock_file(stages, setup.number - 1)) is None
    ):
        return None
    from routing.export.assembly import Component, write_assembly
    from routing.export.fixture_bodies import solid_of
    from routing.export.kept_bodies import body

    parts = [
        Component("part", work.solid.solid, _PART),
        Component("stock before", body(folder, before), _STOCK),
        *(Component(f.name, solid_of(f), _FIXTURE) for f in setup.held.fixtures),
    ]
    name = f"setup_{setup.number:02}"
    write_assembly(f"{work.solid.name} {name}", parts, setup.zero, folder / f"{name}.step", work.header)
    return f"{name}.step"


def _fragile(place: Fragile) -> dict[str, Any]:
    return {
        "what": str(place.what),
        "feature": place.feature,
        "other": place.other or None,
        "thickness_mm": rounded(place.thickness_mm),
        "height_mm": rounded(place.height_mm),
        "angle_deg": rounded(place.angle_deg, 2),
        "place_mm": vector(place.place),
        "words": f"{place.feature} {place.words}",
    }


def _setup(
    setup: Setup, stages: Sequence[Mapping[str, Any]], models: Mapping[int, str], part: Part
) -> dict[str, Any]:
    held = setup.held
    answer, zero = held.answer, setup.zero
    return {
        "number": setup.number,
        "process": setup.process,
        "from_side": setup.approach.side,
        "up": vector(setup.approach.toward, 9),
        "zero": {
            "origin_mm": vector(zero.origin_mm),
            **{name: vector(getattr(zero, name), 9) for name in "xyz"},
            "kind": zero.kind,
            "along": list(zero.along),
            "touched_off": [{**plain(t), "words": t.words} for t in zero.touched_off],
            "words": zero.words,
        },
        "stock_before": stock_file(stages, setup.number - 1),
        "stock_after": stock_file(stages, setup.number),
        "model": models.get(setup.number),
        "steps": [_step(step, part) for step in setup.steps],
        "held_by": answer.way if answer else "nothing",
        "grade": str(answer.grade) if answer else "no",
        "reason": answer.reason if answer else "nothing in the shop's order holds it",
        "seat": {
            "side": held.seat,
            "flat_mm2": rounded(held.seat_mm2, 1),
            "whole_mm2": rounded(held.seat_whole_mm2, 1),
        },
        "bears_on": list(held.bears_on),
        "fixtures": [_fixture(f, setup) for f in held.fixtures],
        "refused": [_said(a) for a in held.refused],
        "threads": [_screwed(s) for s in held.screws],
    }


def _fixture(fixture: Fixture, setup: Setup) -> dict[str, Any]:
    """What it is, and the box round it in the setup's zero."""
    corners = [setup.zero.local(shape.corners()) for shape in fixture.solids]
    low, high = (
        [rounded(f(float(c[:, k].min() if f is min else c[:, k].max()) for c in corners)) for k in range(3)]
        for f in (min, max)
    )
    return {
        "name": fixture.name,
        "kind": fixture.kind,
        "bears_on": fixture.bears_on,
        "low_mm": low,
        "high_mm": high,
    }


def _step(step: PlannedStep, part: Part) -> dict[str, Any]:
    return {
        "number": step.number,
        "stage": step.stage.words,
        "process": step.process,
        "traverse": None if step.approach.traverse is None else vector(step.approach.traverse, 9),
        "features": list(step.features),
        "minutes": rounded(step.minutes, 1),
        "passes": [_pass(p, part) for p in step.passes],
    }


def _pass(p: Pass, part: Part) -> dict[str, Any]:
    return {
        "feature": p.feature,
        "region": p.region,
        "faces": sorted(place for f in p.task.feature.faces for place in part.faces[f].source),
        "tool": None if p.tool is None else {"words": str(p.tool), **plain(p.tool)},
        "heights_mm": [rounded(p.high_mm), rounded(p.low_mm)],
        "leaves_mm": {"floor": p.leaves.floor_mm, "wall": p.leaves.wall_mm},
        "taken_off_by": p.taken_off_by,
        "minutes": rounded(p.minutes, 2),
        "held": _held(p),
    }


def _held(p: Pass) -> dict[str, float] | None:
    """How far the tool stands out, and its shank and its holder across; None where that is not known."""
    verdict, tool = p.task.verdict, p.tool
    nose, least = getattr(verdict, "holder_mm", 0.0), getattr(tool, "stick_out_mm", None)
    if verdict is None or not nose or least is None:
        return None
    asked = getattr(verdict, "stick_out_mm", 0.0) if tool == verdict.tool else 0.0
    return {
        "stick_out_mm": rounded(max(least, asked)),
        "shank_mm": rounded(max(getattr(verdict, "shank_mm", 0.0), diameter_of(tool) or 0.0)),
        "holder_mm": rounded(nose),
    }


def _said(answer: Answer) -> dict[str, str]:
    return {"way": answer.way, "grade": str(answer.grade), "reason": answer.reason}


def _screwed(screwed: Screwed) -> dict[str, Any]:
    bears = screwed.bears
    return {
        "feature": screwed.feature,
        "thread": screwed.thread,
        "grade": str(screwed.grade),
        "reason": screwed.reason,
        "wall_mm": _known(screwed.wall_mm),
        "wall_error_mm": rounded(screwed.wall_error_mm),
        "floor_mm": _known(screwed.floor_mm),
        "engaged_mm": rounded(bears.engaged_mm),
        "pull_n": rounded(bears.pull_n, 0),
        "torque_nm": rounded(screwed.torque_nm, 1),
        "strip_mpa": _known(bears.strip_mpa, 1),
        "ring_mpa": _known(bears.ring_mpa, 1),
        "floor_mpa": _known(bears.floor_mpa, 1),
        "allowed_mpa": rounded(bears.allowed_mpa, 1),
        "used": _known(bears.used),
    }


def _known(value: float | None, places: int = 4) -> float | None:
    """None for what is endless: no face near, no floor, nothing left."""
    return None if value is None or not math.isfinite(value) else rounded(value, places)

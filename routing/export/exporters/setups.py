"""The setups with their zeros, steps and holding, and what may break out; no file of its own."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from routing.export.numbers import rounded, vector
from routing.export.route_json import plain
from routing.export.work import Work

if TYPE_CHECKING:  # these load the kernel
    from featurize.brep.part import Part
    from routing.plan.holding.by_threads import Screwed
    from routing.plan.holding.setup import Answer
    from routing.plan.plan import Pass, PlannedStep, Setup
    from routing.plan.thin_walls import Fragile

ORDER = 20
FILES = ()


def write(work: Work, _folder: Path) -> dict[str, Any]:
    return {
        "setups": [_setup(setup, work.plan.job.part) for setup in work.plan.setups],
        "fragile": [_fragile(place) for place in work.plan.fragile],
    }


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


def _setup(setup: Setup, part: Part) -> dict[str, Any]:
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
            "touched_off": [plain(t) for t in zero.touched_off],
        },
        "stock_before": setup.stock_before,
        "stock_after": setup.stock_after,
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
        "refused": [_said(a) for a in held.refused],
        "threads": [_screwed(s) for s in held.screws],
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
        "strip_mpa": _known(bears.strip_mpa, 1),
        "ring_mpa": _known(bears.ring_mpa, 1),
        "floor_mpa": _known(bears.floor_mpa, 1),
        "allowed_mpa": rounded(bears.allowed_mpa, 1),
        "used": _known(bears.used),
    }


def _known(value: float | None, places: int = 4) -> float | None:
    """None for what is endless: no face near, no floor, nothing left."""
    return None if value is None or not math.isfinite(value) else rounded(value, places)

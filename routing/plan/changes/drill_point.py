"""The flat bottom of a blind hole given up for the drill's point: no second tool for the bottom."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from math import radians, tan
from typing import Any

from featurize import tolerances as tol
from featurize.brep.edits import bored, less
from featurize.brep.part import Part
from featurize.feature import Bore, Feature
from featurize.recognise.thread_bores import is_through
from routing.plan.changes.proposal import Proposal, alike, at_stake, named, sized
from routing.plan.plan import Plan
from routing.processes.mill.verdict import MillVerdict
from routing.processes.tools import Drill

ORDER = 90


def propose(plan: Plan) -> Iterator[Proposal]:
    """Where a drill makes the hole but for its bottom."""
    part = plan.job.part
    found: dict[str, Drill] = {}
    for routed in plan.features:
        feature, verdict = routed.feature, routed.verdict
        if (
            not isinstance(verdict, MillVerdict)
            or not feature.bores
            or feature.axis is None
            or is_through(feature)
        ):
            continue
        last = feature.bores[-1]
        drill = next((s.tool for s in verdict.bore if isinstance(s.tool, Drill)), None)
        if (
            drill
            and last.is_cylinder
            and any(s.bottom == "flat" and s.to_mm > last.end_mm - tol.SURFACE_MM for s in verdict.bore)
        ):
            found[feature.id] = drill
    for group in alike([plan.job.by_id[i] for i in found]):
        ids, drill = tuple(f.id for f in group), found[group[0].id]
        yield Proposal(
            kind="drill point",
            features=ids,
            text=f"{sized(group)} with the drill's point of {drill.point_deg:g} deg below the depth in place "
            "of a flat bottom",
            ask=f"May the bottom of {named(group)} be the drill's point, below the same full depth?",
            risk="a pin or spring that stands on the bottom would stand on a cone; less stays under the hole",
            at_stake=at_stake(plan, ids),
            apply=partial(_apply, part, group, drill),
        )


def _apply(part: Part, group: Sequence[Feature], drill: Drill) -> Any:
    return less(part.solid, *(body for f in group for body in _point(f, drill)))


def _point(feature: Feature, drill: Drill) -> list[Any]:
    last = feature.bores[-1]
    assert feature.axis is not None
    deep = last.end_diameter_mm / 2 / tan(radians(drill.point_deg / 2))
    return bored(feature.axis, [Bore(last.end_mm, last.end_mm + deep, last.end_diameter_mm, 0.0)])

"""Inside corners enlarged so that a cutter makes the whole of a recess, and no electrode is needed."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from featurize import tolerances as tol
from routing.plan.changes.proposal import Proposal, alike, at_stake, named, radius_words, round_up, sized
from routing.plan.changes.upright import upright_corners, with_corners
from routing.plan.choice import RoutedFeature
from routing.plan.plan import Plan
from routing.processes.mill.shop import MillShop
from routing.processes.mill.verdict import MillVerdict
from routing.processes.tools import Cutter

ORDER = 20


def propose(plan: Plan) -> Iterator[Proposal]:
    """The radius of the cutter that takes the bulk, where it leaves but corners to a later process."""
    job = plan.job
    margin = job.shop[MillShop].milling.corner_margin_mm
    waiting = {r.feature.id: v for r in plan.features if (v := _bulk(r)) is not None}
    for group in alike([job.by_id[i] for i in waiting]):
        first = group[0]
        refusal = waiting[first.id]
        assert isinstance(refusal.tool, Cutter)
        along, radius = refusal.approach.direction, round_up(refusal.tool.radius_mm + margin)
        corners = {f.id: upright_corners(job, f, along) for f in group}
        if not all(corners.values()):
            continue
        tight = [c for found in corners.values() for c in found or () if c.radius_mm < radius - tol.LENGTH_MM]
        if not tight:
            continue
        now, ids = min(c.radius_mm for c in tight), tuple(f.id for f in group)
        yield Proposal(
            kind="corners for a cutter",
            features=ids,
            text=f"{len(tight)} inside corner{'s' if len(tight) > 1 else ''} of {sized(group)} from "
            f"{radius_words(now)} to R {radius:g}: milled whole by the {refusal.tool}, no electrode",
            ask=f"May the upright inside corners of {named(group)} have R {radius:g} in place of "
            f"{radius_words(now)}?",
            risk="what sits in the recess must clear the corners: a close-fitting piece needs its own "
            "corners broken, a form that is pressed or coined shows the radius",
            at_stake=at_stake(plan, ids),
            apply=partial(with_corners, job.part, tight, along, radius),
        )


def _bulk(routed: RoutedFeature) -> MillVerdict | None:
    """The refusal of a cutter that goes ahead of whoever makes the feature."""
    if len(routed.regions) > 1:
        return None
    ahead = [v for v in routed.ahead if isinstance(v, MillVerdict) and isinstance(v.tool, Cutter)]
    return ahead[0] if ahead else None

"""Inside corners enlarged so that the next larger cutter fits: it roughs and finishes quicker."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from featurize import tolerances as tol
from routing.plan.changes.proposal import Proposal, alike, at_stake, named, radius_words, round_up, sized
from routing.plan.changes.upright import upright_corners, with_corners
from routing.plan.plan import Plan
from routing.processes.mill.pace import owned
from routing.processes.mill.shop import MillShop
from routing.processes.mill.verdict import MillVerdict
from routing.processes.tools import Cutter

ORDER = 30
# A cutter larger by less than this share is no quicker to speak of.
_WORTH = 1.25
# A corner radius leaves so much of the width straight between two of them.
_STRAIGHT = 0.2


def propose(plan: Plan) -> Iterator[Proposal]:
    """For what is milled whole with a cutter that its corners hold small."""
    job = plan.job
    margin = job.shop[MillShop].milling.corner_margin_mm
    milled = [r for r in plan.features if len(r.regions) == 1 and isinstance(r.verdict, MillVerdict)]
    for group in alike([r.feature for r in milled if not r.feature.kind.traits.hole]):
        first = group[0]
        verdict = plan.by_id[first.id].verdict
        tool = verdict.tool if verdict else None
        if verdict is None or not isinstance(tool, Cutter):
            continue
        along = verdict.approach.direction
        corners = {f.id: upright_corners(job, f, along) for f in group}
        if not all(corners.values()):
            continue
        every = [c for found in corners.values() for c in found or ()]
        now = min(c.radius_mm for c in every)
        if now > tool.radius_mm + margin + tol.LENGTH_MM and now > _WORTH * tool.radius_mm:
            continue  # something else holds the cutter small
        sizes = sorted({c.radius_mm for c in owned(job) if c.radius_mm > _WORTH * tool.radius_mm})
        wide = min(f.dims.get("width_mm", 0.0) for f in group) / 2 * (1 - _STRAIGHT)
        radius = next((r for s in sizes if (r := round_up(s + margin)) > now), None)
        if radius is None or radius > wide:
            continue
        ids = tuple(f.id for f in group)
        yield Proposal(
            kind="corners for a larger cutter",
            features=ids,
            text=f"inside corners of {sized(group)} from {radius_words(now)} to R {radius:g}: "
            "the next larger cutter fits",
            ask=f"May the upright inside corners of {named(group)} have R {radius:g} in place of "
            f"{radius_words(now)}?",
            risk="what sits in the recess must clear the larger corners; a form that is pressed or coined "
            "shows them",
            at_stake=at_stake(plan, ids),
            apply=partial(with_corners, job.part, [c for c in every if c.radius_mm < radius], along, radius),
        )

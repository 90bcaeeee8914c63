"""Inside corners of an opening enlarged for a thicker wire: the minutes go with its section."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import numpy as np

from featurize import tolerances as tol
from routing.plan.changes.proposal import Proposal, alike, at_stake, named, radius_words, round_up, sized
from routing.plan.changes.upright import upright_corners, with_corners
from routing.plan.plan import Plan
from routing.processes.tools import Wire
from routing.processes.wire.shop import WireShop
from routing.processes.wire.verdict import WIRE, WireVerdict

ORDER = 10


def propose(plan: Plan) -> Iterator[Proposal]:
    """For what a thin wire makes, and for what no wire makes, for its corners: those of the thickest wire."""
    job = plan.job
    thickest = max(job.shop[WireShop].wires, key=lambda w: w.corner_mm)
    radius = round_up(thickest.corner_mm)
    for group in alike([r.feature for r in plan.features if len(r.regions) == 1]):
        answer = next((v for v in plan.verdicts[group[0].id] if isinstance(v, WireVerdict)), None)
        if answer is None or answer.corner_radius_mm is None or not answer.approaches:
            continue
        made_so = plan.process_of(group[0].id) == WIRE
        if (made_so and answer.wire == thickest) or not (made_so or answer.rest):
            continue
        along = answer.approach.direction
        corners = {f.id: upright_corners(job, f, along) for f in group}
        if not all(corners.values()):
            continue
        tight = [c for own in corners.values() for c in own or () if c.radius_mm < radius - tol.LENGTH_MM]
        if not tight:
            continue
        now, ids = min(c.radius_mm for c in tight), tuple(f.id for f in group)
        wire = answer.wire if made_so else None
        yield Proposal(
            kind="corners for a thicker wire",
            features=ids,
            text=f"{len(tight)} inside corner{'s' if len(tight) > 1 else ''} of {sized(group)} from "
            f"{radius_words(now)} to R {radius:g}: {_wired(thickest, wire)}",
            ask=f"May the inside corners of {named(group)} have R {radius:g} in place of "
            f"{radius_words(now)}? Not where they are the corners of a cutting edge "
            "that the pressed part shows",
            risk="a corner of a cutting edge comes out on the pressed part, and its punch needs the same "
            "radius; a close-fitting piece needs its own corners broken",
            at_stake=at_stake(plan, ids),
            apply=partial(with_corners, job.part, tight, np.asarray(along), radius),
        )


def _wired(wire: Wire, instead: Wire | None) -> str:
    return f"wired with {wire.diameter_mm:g}" + (
        f" instead of {instead.diameter_mm:g}" if instead else ", which is asked before any other"
    )

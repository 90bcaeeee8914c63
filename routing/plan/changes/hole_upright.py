"""A slanted hole stood upright: it needs no setup of its own, and no flat for the drill to start on."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import numpy as np

from featurize.feature import Axis
from featurize.recognise.scene import vec
from featurize.recognise.thread_bores import is_through
from routing.plan.changes.bores import bored_anew
from routing.plan.changes.proposal import Proposal, at_stake, named, sized
from routing.plan.plan import Plan

ORDER = 80
# A hole that slants more is on another side.
_LIMIT_DEG = 45.0


def propose(plan: Plan) -> Iterator[Proposal]:
    """For each blind hole that slants from the side that it opens to."""
    part = plan.job.part
    for feature in plan.job.features:
        if not feature.kind.traits.hole or feature.axis is None or not feature.bores or is_through(feature):
            continue
        out = np.array(feature.axis.direction)
        toward = part.frame.axes[int(np.argmax(np.abs(part.frame.axes @ out)))]
        toward = toward * np.sign(toward @ out)
        lean = float(np.degrees(np.arccos(np.clip(toward @ out, -1, 1))))
        if part.frame.side_of(out) is not None or lean > _LIMIT_DEG:
            continue
        yield Proposal(
            kind="hole upright",
            features=(feature.id,),
            text=f"{sized([feature])} square to its side in place of {lean:.3g} deg, its mouth where it is "
            "and as deep: drilled with the others",
            ask=f"Must {named([feature])} slant by {lean:.3g} deg, or may it stand square?",
            risk="what it leads to, or what goes through it, would be met at another place",
            at_stake=at_stake(plan, {feature.id}),
            apply=partial(
                bored_anew, part, [(feature, Axis(feature.axis.origin, vec(toward)), feature.bores)]
            ),
        )

"""Chamfers and rounds left out, where they ask for a setup or a dressed wheel of their own."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

from featurize.brep.edits import without
from featurize.brep.kernel_faces import kernel_faces
from featurize.brep.part import Part
from featurize.feature import Feature
from routing.plan.changes.proposal import Proposal, at_stake, faces_of, named
from routing.plan.plan import Plan
from routing.processes.protocol import Approach

ORDER = 50
# A wider one is a shape that does something, a lead-in or a clearance (common practice, no source).
_BREAK_MM = 2.5


def propose(plan: Plan) -> Iterator[Proposal]:
    """Those that come from one side by one process together: they share their setup."""
    groups: dict[tuple[str, str], list[Feature]] = {}
    for routed in plan.features:
        if routed.feature.kind.traits.edge_break and routed.verdict and _size(routed.feature) <= _BREAK_MM:
            way: Approach | None = plan.approach_of(routed.feature.id)
            groups.setdefault((routed.process, way.side if way else ""), []).append(routed.feature)
    for (process, side), group in groups.items():
        ids = tuple(f.id for f in group)
        sizes = ", ".join(f"{s:g}" for s in sorted({round(_size(f), 3) for f in group}))
        yield Proposal(
            kind="edge break left out",
            features=ids,
            text=f"{named(group)} ({sizes} mm) left out: no {process} from {side} for it",
            ask=f"Is {named(group)} needed, or will an edge do that is left sharp, or broken by hand where "
            "it must be?",
            risk="a lead-in, room for a neighbour's corner or an edge that must not cut would be missing",
            at_stake=at_stake(plan, ids),
            apply=partial(_apply, plan.job.part, faces_of(group)),
        )


def _size(feature: Feature) -> float:
    return max((v for k, v in feature.dims.items() if k in ("width_mm", "radius_mm")), default=0.0)


def _apply(part: Part, faces: tuple[int, ...]) -> Any:
    return without(part.solid, [k for i in faces for k in kernel_faces(part)[i]])

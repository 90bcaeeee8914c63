"""A closed recess opened right through, so that a wire makes it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any

import numpy as np

from featurize import tolerances as tol
from featurize.brep.edits import CLEAR_MM, less, swept
from featurize.brep.kernel_faces import kernel_faces
from featurize.brep.part import Part
from featurize.brep.surfaces import Array, Plane
from featurize.feature import Kind, Role
from routing.plan.changes.proposal import Proposal, alike, at_stake, named, round_up, sized
from routing.plan.changes.upright import UprightCorner, upright_corners, with_radius
from routing.plan.plan import Plan
from routing.processes.wire.shop import WireShop
from routing.processes.wire.verdict import WIRE

ORDER = 60


def propose(plan: Plan) -> Iterator[Proposal]:
    """For pockets with one flat floor and upright walls that no wire makes for that floor."""
    job, part = plan.job, plan.job.part
    if not job.uses(WIRE):
        return
    radius = round_up(max(w.corner_mm for w in job.shop[WireShop].wires))
    for group in alike(
        [r.feature for r in plan.features if r.feature.kind == Kind.POCKET and len(r.regions) == 1]
    ):
        floors = [f.faces_with(Role.FLOOR) for f in group]
        plain = all(set(f.roles.values()) <= {Role.FLOOR, Role.WALL, Role.CORNER} for f in group)
        surfaces = [part.faces[i].surface for own in floors for i in own]
        if not plain or any(len(own) != 1 for own in floors):
            continue
        normals = [
            s.normal for s in surfaces if isinstance(s, Plane) and part.frame.side_of(s.normal) is not None
        ]
        if len(normals) < len(group):
            continue
        corners = {f.id: upright_corners(job, f, np.asarray(normals[0])) or [] for f in group}
        sharp = [c for own in corners.values() for c in own if c.radius_mm < tol.LENGTH_MM]
        rounded_ = f", its sharp corners at R {radius:g}" if sharp else ""
        ids, deep = tuple(f.id for f in group), float(np.ptp(part.mesh.vertices @ normals[0]))
        yield Proposal(
            kind="opened through",
            features=ids,
            text=f"{sized(group)} right through the part, {deep:.4g} deep{rounded_}: wired",
            ask=f"May {named(group)} go right through{rounded_}, with an insert or a "
            "backing plate as its floor?",
            risk="there is no floor any more: what it carries needs a plate below, and the part is weaker",
            at_stake=at_stake(plan, ids),
            apply=partial(_apply, part, [own[0] for own in floors], normals, sharp, radius),
        )


def _apply(
    part: Part,
    floors: Sequence[int],
    normals: Sequence[Array],
    sharp: Sequence[UprightCorner],
    radius_mm: float,
) -> Any:
    size = float(np.linalg.norm(part.high - part.low)) + CLEAR_MM
    faces = [(k, n) for i, n in zip(floors, normals, strict=True) for k in kernel_faces(part)[i]]
    opened = less(part.solid, *(swept(face, -size * n) for face, n in faces))
    return with_radius(opened, sharp, normals[0], radius_mm) if sharp else opened

"""What squaring takes: all that stands outside a flat or round outside face."""

from __future__ import annotations

import numpy as np
from manifold3d import Manifold

from routing.dryrun.scene import Bench
from routing.dryrun.solids import moved
from routing.dryrun.sweeps import Taken
from routing.dryrun.written import WrittenPass, WrittenStep

_FAR_MM = 1000.0


def squared(bench: Bench, step: WrittenStep, p: WrittenPass) -> Taken:
    facets = bench.model.facets_of(p.faces)
    normals = np.cross(facets[:, 1] - facets[:, 0], facets[:, 2] - facets[:, 0])
    out = normals.sum(axis=0)
    out /= np.linalg.norm(out)
    x = np.cross(out, np.eye(3)[int(np.argmin(np.abs(out)))])
    x /= np.linalg.norm(x)
    axes = np.array([x, np.cross(out, x), out])
    level = float((facets.reshape(-1, 3) @ out).max()) + p.floor_mm
    half = Manifold.cube((2 * _FAR_MM, 2 * _FAR_MM, _FAR_MM)).translate((-_FAR_MM, -_FAR_MM, 0))
    body = moved(half, axes, out * level)
    return Taken(p.feature, step.number, body)

"""A dry run for viewers: the stock after each step, which way the tool comes, and what is off at the end.

One JSON file. ``steps`` has an entry for each step that took something: its numbers, stage, process, the
unit directions ``up`` (to the tool) and ``traverse`` (or null), and ``stock``: a mesh. ``difference`` is a
mesh of the last stock with ``off_mm`` (float32) for each vertex: how far it stands out of the part, positive
where something is left. A mesh has ``points`` (float32, x y z) and ``corners`` (uint32, three a triangle),
each base64, little-endian, in model coordinates, mm.
"""

from __future__ import annotations

import base64
import json
from pathlib import Path
from typing import Any

import numpy as np
from manifold3d import Manifold
from scipy.spatial import cKDTree

from featurize.brep.surfaces import Array
from routing.dryrun.machine import DryRun
from routing.dryrun.pieces import corners_of
from routing.dryrun.sampling import sampled

# As coarse as a viewer may show a stock.
SHOWN_MM = 0.02
# Nearest of so many points of the part, whose triangles' planes tell the distance.
_POINTS = 40_000


def play(run: DryRun) -> dict[str, Any]:
    """What ``write_play`` writes."""
    steps = [
        {
            "setup": s.setup.number,
            "step": s.step.number,
            "stage": s.step.stage,
            "process": s.step.process,
            "features": list(dict.fromkeys(p.feature for p in s.step.passes)),
            "up": s.setup.zero.axes[2].round(9).tolist(),
            "traverse": None if s.step.traverse is None else s.step.traverse.round(9).tolist(),
            "stock": _mesh(s.stock),
        }
        for s in run.stages
    ]
    last = run.stock.simplify(SHOWN_MM / 4)
    return {
        "steps": steps,
        "difference": _mesh(last) | {"off_mm": _packed(_off(last, run.model.solid), "<f4")},
    }


def write_play(run: DryRun, path: Path) -> Path:
    """Writes the steps of a dry run for viewers."""
    path.write_text(json.dumps(play(run), separators=(",", ":")), encoding="utf-8")
    return path


def _mesh(solid: Manifold) -> dict[str, str]:
    mesh = solid.simplify(SHOWN_MM).to_mesh64()
    points = np.asarray(mesh.vert_properties)[:, :3]
    return {"points": _packed(points, "<f4"), "corners": _packed(np.asarray(mesh.tri_verts), "<u4")}


def _packed(values: Array, kind: str) -> str:
    return base64.b64encode(np.ascontiguousarray(values, dtype=kind).tobytes()).decode("ascii")


def _off(stock: Manifold, part: Manifold) -> Array:
    """How far each vertex of a mesh (as ``_mesh`` gives it) stands out of the part, about."""
    points = np.asarray(stock.simplify(SHOWN_MM).to_mesh64().vert_properties)[:, :3]
    spots, normals = sampled(corners_of(part), _POINTS)
    _, near = cKDTree(spots).query(points)
    return np.asarray(np.einsum("ij,ij->i", points - spots[near], normals[near]))

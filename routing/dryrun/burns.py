"""What electrodes burn: the cavity as far as an electrode comes within its undersize of it.

An electrode at the end of its burn stands off the finished wall by its undersize (spark gap and orbit)
everywhere
that it sparks. So material of the cavity is gone where the wall behind it is no farther than that from the
electrode.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from manifold3d import Manifold
from OCP.IFSelect import IFSelect_ReturnStatus
from OCP.STEPControl import STEPControl_Reader
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopoDS import TopoDS

from featurize.brep.shapes import each
from featurize.brep.surfaces import Array
from routing.dryrun.findings import Fault, Finding
from routing.dryrun.pieces import corners_of, loose, near_of, nearest
from routing.dryrun.sampling import contains, sampled
from routing.dryrun.scene import Bench
from routing.dryrun.solids import MeshError, joined, moved, of_shape
from routing.dryrun.written import FolderError

# What an electrode may stand nearer or farther than its undersize.
_OFF_MM = 0.005
# A wall this near a corner sees the electrode's own corner, which is as much rounder: three walls at right
# angles.
_CORNER = math.sqrt(3.0)
# So many points of a piece's walls tell whether it is burnt, and so many of them may not be: slivers.
_ENOUGH, _SHARE = 150, 0.02
# A wall of a piece lies so near to the face that it is of.
_ON_MM = 1e-3
_NOTHING_MM3 = 1e-6
# Stock thinner than this along a wall is how a cutter's reach is measured, not what it leaves.
_HAIR_MM = 0.02


@dataclass(frozen=True, eq=False)
class Electrode:
    """``body`` as its own file has it, moved to where it stands at the end of its burn; model coordinates."""

    entry: Mapping[str, Any]
    body: Manifold

    @property
    def undersize_mm(self) -> float:
        return float(self.entry["undersize_mm"])

    @property
    def feature(self) -> str:
        return str(self.entry["feature"])


def electrodes_of(folder: Path, entry: Sequence[Mapping[str, Any]], bench: Bench) -> list[Electrode]:
    """Those of a step that have a file. Raises FolderError where one is missing or no solid."""
    return [Electrode(e, _placed(e, _body(folder / e["file"]), bench)) for e in entry if e.get("file")]


def _body(path: Path) -> Manifold:
    reader = STEPControl_Reader()
    if not path.is_file() or reader.ReadFile(str(path)) != IFSelect_ReturnStatus.IFSelect_RetDone:
        raise FolderError(f"{path} is missing or no STEP file: route the part again")
    reader.TransferRoots()
    solids = [TopoDS.Solid_s(s) for s in each(reader.OneShape(), TopAbs_ShapeEnum.TopAbs_SOLID)]
    try:
        return joined([of_shape(s) for s in solids])
    except MeshError as error:
        raise FolderError(f"{path} cannot be used: {error}") from None


def _placed(entry: Mapping[str, Any], body: Manifold, bench: Bench) -> Manifold:
    """From its own frame, Z up the shank, to the model's: it hangs from its base with the form down."""
    c = math.radians(entry["c_deg"])
    x, z = np.array([math.cos(c), math.sin(c), 0.0]), np.array([0.0, 0.0, 1.0])
    axes = np.array([x, np.cross(z, x), z])
    here = moved(body, axes, np.array(entry["position_mm"], dtype=float))
    return moved(here, bench.zero.axes, bench.zero.origin)


def burnt(
    electrodes: Sequence[Electrode], need: Manifold, part: Manifold, faces: Array, step: int
) -> tuple[Manifold, Manifold, list[Finding]]:
    """What of the cavity's rest the electrodes of one feature take, what they leave, and which are too near.

    ``faces`` are the cavity's own triangles (m, 3, 3).
    """
    found = [f for e in electrodes for f in _too_near(e, part, step)]
    last = [e for e in electrodes if not e.entry.get("leaves_mm")]
    every = loose(need, _NOTHING_MM3)
    stays = joined([p for p in every if not last or not _is_burnt(p, faces, last)])
    return need - stays, stays, found


def _too_near(electrode: Electrode, part: Manifold, step: int) -> Iterator[Finding]:
    wanted = electrode.undersize_mm - _OFF_MM
    gap = float(part.min_gap(electrode.body, wanted + 1.0))
    if gap >= wanted:
        return
    needed = wanted + _OFF_MM
    text = f"{electrode.entry['file']} stands {gap:.4f} off the part, its gap and orbit are {needed:.4f}"
    yield Finding(Fault.GOUGE, text, electrode.feature, step, None, None, wanted + _OFF_MM - gap)


def _is_burnt(piece: Manifold, faces: Array, electrodes: Sequence[Electrode]) -> bool:
    """Whether the walls behind a piece are within the undersize of an electrode, but for a small share."""
    left = _walls(piece, faces)
    asked = len(left)
    for electrode in electrodes:
        if len(left):
            away, _ = nearest(left, near_of(corners_of(electrode.body), left))
            left = left[away > _CORNER * electrode.undersize_mm + _OFF_MM]
    return len(left) <= _SHARE * asked


def _walls(piece: Manifold, faces: Array) -> Array:
    """Points (n, 3) evenly by area on those walls of a piece that lie in the cavity's faces.

    Where the piece is as thin as a hair they tell nothing.
    """
    corners = corners_of(piece)
    points, normals = sampled(corners, _ENOUGH)
    if not len(points) or not len(faces):
        return np.empty((0, 3))
    own = nearest(points, near_of(faces, points))[0] < _ON_MM
    points, normals = points[own], normals[own]
    if not len(points):
        return points
    inside = points - _HAIR_MM * normals  # a piece's normals look out of it
    thick = nearest(inside, corners)[0] > (1 - _SHARE) * _HAIR_MM
    return np.asarray(points[thick & contains(corners, inside)])

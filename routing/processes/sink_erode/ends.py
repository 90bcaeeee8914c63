"""Where a cavity ends below, and how much of it stands over its own faces. Lengths mm."""

from __future__ import annotations

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.surfaces import Array
from featurize.feature import Feature


def goes_through(part: Part, feature: Feature, toward: Array) -> bool:
    """Whether a cavity opens to the far side of the part."""
    return any(float(part.frame.direction(s) @ toward) < -0.9 for s in feature.opens_to)


def opens_below(part: Part, feature: Feature, toward: Array) -> bool:
    """Whether it ends below in the air of another feature, as a flare over a bore does: at a level rim."""
    own = set(feature.faces)
    edges = [e for i in own for e in part.edges_of(i) if not own.issuperset(e.faces)]
    rims = [e.points @ toward for e in edges]
    low = min(float(np.min(h)) for h in (*rims, *(part.faces[i].points @ toward for i in own)))
    at_rim = any(float(h.max()) - low < tol.LENGTH_MM for h in rims)
    return at_rim and not _has_floor(part, feature, toward, low)


def over_faces(part: Part, feature: Feature, toward: Array) -> tuple[float, float]:
    """Area (mm2) of the faces as the electrode's end sees it, and the volume (mm3) over it up to the rim.

    What another feature's opening takes of the middle is in neither.
    """
    corners = part.mesh.vertices[part.mesh.triangles[part.mesh.rows(feature.faces)]]
    area = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) @ toward / 2
    heights = corners @ toward
    deep = float(heights.max()) - heights.mean(axis=1)
    seen = area > 0
    return float(area[seen].sum()), float((area[seen] * deep[seen]).sum())


def _has_floor(part: Part, feature: Feature, toward: Array, level_mm: float) -> bool:
    """Whether one of its own faces is level and the lowest."""
    for i in feature.faces:
        face = part.faces[i]
        if (
            np.all(face.normals @ toward > 1 - 1e-9)
            and abs(float((face.points @ toward).min()) - level_mm) < tol.SURFACE_MM
        ):
            return True
    return False

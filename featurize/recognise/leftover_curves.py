"""Curved faces that no recess, hole or outline explains: contoured, and said to be doubtful."""

from __future__ import annotations

from featurize.brep.surfaces import Plane
from featurize.feature import Feature
from featurize.recognise.contoured import contour
from featurize.recognise.scene import Scene

ORDER = 90


def find(scene: Scene) -> list[Feature]:
    """Groups of free curved faces."""
    curved = [f for f in scene.free if not isinstance(scene.face(f).surface, Plane)]
    return [
        contour(scene, group).but(
            confidence=0.5, evidence=("curved, and part of no recess that was understood",)
        )
        for group in scene.groups(curved)
    ]

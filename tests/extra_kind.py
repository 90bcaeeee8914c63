"""A whole kind beside those of the program, in one module: dimples, shallow balls in a face."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from featurize.brep.surfaces import Plane, Sphere
from featurize.feature import Axis, Feature, Role
from featurize.kinds import Kind, Traits
from featurize.recognise.scene import Scene, vec

NAME, TRAITS = "dimple", Traits(recess=True, closed=True, one_mouth=True)
ORDER = 0  # before what takes rounded faces
_DEEPEST_MM = 2.0


def find(scene: Scene) -> Iterator[Feature]:
    for face in (scene.part.faces[i] for i in sorted(scene.free)):
        if not isinstance(face.surface, Sphere) or not face.surface.hollow:
            continue
        around = [scene.part.faces[i].surface for i in scene.part.across(face.id)]
        if len(around) != 1 or not isinstance(around[0], Plane):
            continue  # an end of something longer
        toward = around[0].normal
        levels = scene.vertices(face.id) @ toward
        deep = float(np.ptp(levels))
        mouth = face.surface.centre + (levels.max() - face.surface.centre @ toward) * toward
        side = scene.part.frame.side_of(toward)
        if deep > _DEEPEST_MM or side is None:
            continue
        yield Feature(
            id="",
            kind=Kind(NAME),
            faces=(face.id,),
            roles={face.id: Role.FLOOR},
            dims={"depth_mm": deep, "radius_mm": face.surface.radius_mm},
            axis=Axis(vec(mouth), vec(toward)),
            opens_to=(side,),
            evidence=("a shallow ball in a face",),
        )

"""Where a solid lies and how large it is: odd sizes are told, and one far from the origin is moved near."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from OCP.Bnd import Bnd_Box
from OCP.BRepBndLib import BRepBndLib
from OCP.BRepBuilderAPI import BRepBuilderAPI_Transform
from OCP.gp import gp_Trsf, gp_Vec
from OCP.TopoDS import TopoDS

from featurize.errors import Code, StepError
from featurize.step.notes import ReadNote, warning

# Die inserts measure from a few millimetres to a few hundred: outside this a unit was mistaken.
_LARGEST_MM, _SMALLEST_MM = 1500.0, 1.0
# Single precision, in which STL files and screens hold a coordinate, has 24 bits (IEEE 754): 0.001 mm x 2^24.
_FAR_MM = 16_000.0
# Double precision has 53 bits: out here neighbouring numbers are 2 nm apart, and the kernel tells points
# 100 nm apart from one (Precision::Confusion).
_FARTHEST_MM = 1e7
# A far part is moved by whole metres, which a person can type into the CAM seat.
_STEP_MM = 1000.0


@dataclass(frozen=True, eq=False)
class NearOrigin:
    """A solid (TopoDS_Solid) as it is worked on, by how much it was moved (mm), and what is to be told."""

    solid: Any
    moved_mm: tuple[float, float, float]
    notes: tuple[ReadNote, ...]


def placed(name: str, solid: Any) -> NearOrigin:
    """The solid near the origin; raises StepError where its numbers are too large to work with."""
    box = Bnd_Box()
    BRepBndLib.Add_s(solid, box, False)
    corners = np.array([box.CornerMin().Coord(), box.CornerMax().Coord()])
    size_mm, farthest_mm = float(np.ptp(corners, axis=0).max()), float(np.abs(corners).max())
    notes = tuple(_size_notes(name, size_mm))
    if farthest_mm <= _FAR_MM:
        return NearOrigin(solid, (0.0, 0.0, 0.0), notes)
    if size_mm > _LARGEST_MM:
        raise StepError(Code.UNREADABLE, notes[0].message)
    if not farthest_mm <= _FARTHEST_MM:
        text = (
            f"{name} reaches {farthest_mm:.6g} mm from the origin, and over {_FARTHEST_MM:g} mm not every "
            "file keeps 0.001 mm: move it to the origin in the CAD system and export it again."
        )
        raise StepError(Code.UNREADABLE, text)
    x, y, z = (float(c) for c in -_STEP_MM * np.round(corners.mean(axis=0) / _STEP_MM) + 0.0)
    move = gp_Trsf()
    move.SetTranslation(gp_Vec(x, y, z))
    near = TopoDS.Solid_s(BRepBuilderAPI_Transform(solid, move, True).Shape())
    text = (
        f"{name} lies {farthest_mm:.6g} mm from the model's origin: it was moved by X{x:+.0f} Y{y:+.0f} "
        f"Z{z:+.0f} mm, and all files and figures are of the part so moved. Move the model likewise before "
        "it is laid over them."
    )
    return NearOrigin(near, (x, y, z), (*notes, warning("far-from-origin", text)))


def _size_notes(name: str, size_mm: float) -> Iterator[ReadNote]:
    """A size that is odd for an insert."""
    if _SMALLEST_MM <= size_mm <= _LARGEST_MM:
        return
    scale = (1 / 25.4, 1 / 1000) if size_mm > _LARGEST_MM else (25.4, 1000)
    inch, metre = (f"{size_mm * s:.5g} mm" for s in scale)
    yield warning(
        "odd-size",
        f"{name} is {size_mm:.5g} mm long, odd for a die insert: is it in the right unit? If {inch} "
        f"(25.4 times off) or {metre} (1000 times off) is right, the file's unit is wrong: export it again.",
    )

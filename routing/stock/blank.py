"""What the part is cut from: a block, a disc, or a customer's own blank."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.shapes import each
from featurize.brep.surfaces import Array, Cylinder
from featurize.brep.surfaces_at import parallel
from routing.processes.blank import Blank, Blanks, Shape
from routing.processes.preferences import Preferences


class BlankError(ValueError):
    """A blank that cannot be used. ``str()`` is one line."""


def blank_for(part: Part, *, shape: Shape | None = None, margin_mm: float = 0.0) -> Blank:
    """The smallest blank about a part, with a margin on every face (0: ground square to size).

    Without ``shape`` a part whose outside is round about its thickness gets a disc.
    """
    if margin_mm < 0:
        raise BlankError("a blank cannot be smaller than the part: the margin is negative")
    outside = round_outside(part)
    if shape is None:
        shape = Shape.DISC if outside is not None else Shape.BLOCK
    if shape == Shape.DISC:
        return _disc(part, outside, margin_mm)
    if shape == Shape.BLOCK:
        return _block(part, margin_mm)
    raise BlankError("a given blank is read with blank_from_step")


def blanks_for(part: Part, choices: Preferences, left_mm: float = 0.0) -> Blanks:
    """The blank as bought and as squared; raises BlankError, in one line, for one that cannot be used.

    Squaring takes a given blank down to the smallest block or disc about the part; ``left_mm`` a side stay on
    until after hardening.
    """
    shape = Shape(choices.blank) if choices.blank in (Shape.BLOCK, Shape.DISC) else None
    envelope = blank_for(part, shape=shape)
    if choices.blank in ("auto", Shape.BLOCK, Shape.DISC):
        soft = blank_for(part, shape=shape, margin_mm=left_mm) if left_mm > 0 else None
        margin = max(choices.blank_margin_mm, left_mm)
        return Blanks(blank_for(part, shape=shape, margin_mm=margin), envelope, soft)
    bought = blank_from_step(Path(choices.blank), part)
    return Blanks(bought, _common(bought, envelope))


def _common(bought: Blank, envelope: Blank) -> Blank:
    """What of a given blank lies in an envelope; raises BlankError where that is not one solid."""
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Common

    from featurize.brep.solids import solids_of, volume_of

    solids = solids_of(BRepAlgoAPI_Common(bought.solid, envelope.solid).Shape())
    if len(solids) != 1:
        raise BlankError(f"squared to the part's size the blank falls into {len(solids)} pieces")
    return Blank(
        Shape.GIVEN, solids[0], volume_of(solids[0]), envelope.corners, f"given, squared to {envelope.size}"
    )


def blank_from_step(path: Path, part: Part | None = None) -> Blank:
    """A customer's blank, in the same coordinates as the part.

    BlankError, in one line, when the file is not one solid, or when ``part`` is given and not inside it.
    """
    from OCP.IFSelect import IFSelect_ReturnStatus
    from OCP.STEPControl import STEPControl_Reader
    from OCP.TopAbs import TopAbs_ShapeEnum
    from OCP.TopoDS import TopoDS

    reader = STEPControl_Reader()
    if reader.ReadFile(str(path)) != IFSelect_ReturnStatus.IFSelect_RetDone:
        raise BlankError(f"{path.name}: not a readable STEP file")
    reader.TransferRoots()
    solids = each(reader.OneShape(), TopAbs_ShapeEnum.TopAbs_SOLID)
    if len(solids) != 1:
        raise BlankError(f"{path.name}: a blank is one solid, this file has {len(solids)}")
    blank = given_blank(TopoDS.Solid_s(solids[0]))
    if part is not None and (trouble := _does_not_hold(blank, part)):
        raise BlankError(f"{path.name}: {trouble}")
    return blank


def _does_not_hold(blank: Blank, part: Part) -> str:
    """Why a given blank does not hold the part, and the move that could help; empty when it does."""
    from featurize.brep.solids import cut, volume_of

    if blank.volume_mm3 <= 0:
        return "the blank is inside out"
    outside = volume_of(cut(part.solid, [blank.solid]))
    if outside <= tol.VOLUME_SHARE * part.volume_mm3:
        return ""
    place = part.mesh.vertices
    low, high = blank.corners.min(axis=0), blank.corners.max(axis=0)
    size = np.ptp(place, axis=0)
    text = f"{outside:.3f} mm3 of the part stand outside this blank"
    if np.all(high - low >= size - tol.LENGTH_MM):
        # By as little as brings the part's box into the blank's.
        move = np.minimum(place.min(axis=0) - low, 0) + np.maximum(place.max(axis=0) - high, 0)
        if float(np.abs(move).max()) > tol.LENGTH_MM:
            shift = ", ".join(f"{v + 0.0:.3f}" for v in move)
            return f"{text}; is it in another place? moved by ({shift}) mm it could hold the part"
        return text
    short = [f"{a} by {d:.3f}" for a, d in zip("xyz", size - (high - low), strict=True) if d > tol.LENGTH_MM]
    return f"{text}; it is too small along {', '.join(short)} mm"


def given_blank(solid: Any) -> Blank:
    """A blank from a kernel solid in the part's model coordinates."""
    from OCP.Bnd import Bnd_Box
    from OCP.BRepBndLib import BRepBndLib

    from featurize.brep.solids import volume_of

    box = Bnd_Box()
    BRepBndLib.AddOptimal_s(solid, box, False, False)
    low, high = ((p.X(), p.Y(), p.Z()) for p in (box.CornerMin(), box.CornerMax()))
    corners = _corners(np.array(low), np.array(high))
    size = " x ".join(f"{b - a:.3f}" for a, b in zip(low, high, strict=True))
    return Blank(Shape.GIVEN, solid, volume_of(solid), corners, f"given, {size} mm over all")


def _block(part: Part, margin_mm: float) -> Blank:
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox
    from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt

    low, high = part.low - margin_mm, part.high + margin_mm
    origin, (x, _, z) = part.frame.world(low), part.frame.axes
    size = high - low
    place = gp_Ax2(gp_Pnt(*origin), gp_Dir(*z), gp_Dir(*x))
    solid = BRepPrimAPI_MakeBox(place, *(float(s) for s in size)).Solid()
    words = " x ".join(_size(s) for s in size)
    corners = part.frame.world(_corners(low, high))
    return Blank(Shape.BLOCK, solid, float(np.prod(size)), corners, f"block {words} mm")


def _disc(part: Part, outside: tuple[Array, float] | None, margin_mm: float) -> Blank:
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeCylinder
    from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt

    if outside is None:
        centre = (part.low + part.high)[:2] / 2
        flat = part.frame.local(part.mesh.vertices)[:, :2]
        outside = centre, float(np.linalg.norm(flat - centre, axis=1).max()) + tol.MESH_DEFLECTION_MM
    centre, radius = outside[0], outside[1] + margin_mm
    height = float(part.high[2] - part.low[2]) + 2 * margin_mm
    foot = part.frame.world(np.array([*centre, part.low[2] - margin_mm]))
    x, _, z = part.frame.axes
    solid = BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(*foot), gp_Dir(*z), gp_Dir(*x)), radius, height).Solid()
    low = np.array([*(centre - radius), part.low[2] - margin_mm])
    high = np.array([*(centre + radius), part.high[2] + margin_mm])
    corners = part.frame.world(_corners(low, high))
    words = f"disc diameter {_size(2 * radius)} x {_size(height)} mm"
    about = foot, np.asarray(z), radius
    return Blank(Shape.DISC, solid, float(np.pi * radius**2 * height), corners, words, about)


def _size(value_mm: float) -> str:
    """To a micron, without idle noughts."""
    return f"{round(float(value_mm), 3):.15g}"


def round_outside(part: Part) -> tuple[Array, float] | None:
    """Centre (2,) in the frame and radius of a round outside about the thickness, if the part has one."""
    flat = part.frame.local(part.mesh.vertices)[:, :2]
    for face in part.faces:
        s = face.surface
        if isinstance(s, Cylinder) and not s.hollow and parallel(s.axis, part.frame.axes[2]):
            centre = part.frame.local(s.origin)[:2]
            if float(np.linalg.norm(flat - centre, axis=1).max()) < s.radius_mm + tol.SURFACE_MM:
                span = np.ptp(flat, axis=0)
                if float(span.min()) > s.radius_mm:  # a rounded bar is no disc
                    return centre, s.radius_mm
    return None


def _corners(low: Array, high: Array) -> Array:
    return np.array([[(low, high)[b >> k & 1][k] for k in range(3)] for b in range(8)])

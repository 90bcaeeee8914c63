"""What holds a setup, as solids of the kernel in model coordinates."""

from __future__ import annotations

from typing import Any

from OCP.BRepAlgoAPI import BRepAlgoAPI_Fuse
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt

from featurize.brep.solids import KernelError, cut, solids_of
from routing.plan.holding.fixtures import Fixture, Rod, Shape


def solid_of(fixture: Fixture) -> Any:
    """One solid; raises KernelError where the kernel makes none of it."""
    body, *more = map(_shape, fixture.solids)
    for other in more:
        body = BRepAlgoAPI_Fuse(body, other).Shape()
    if fixture.holes:
        body = cut(body, list(map(_shape, fixture.holes)))
    solids = solids_of(body)
    if len(solids) != 1:
        raise KernelError(f"{fixture.name} falls into {len(solids)} pieces")
    return solids[0]


def _shape(shape: Shape) -> Any:
    if isinstance(shape, Rod):
        place = gp_Ax2(gp_Pnt(*shape.base), gp_Dir(*shape.axis))
        return BRepPrimAPI_MakeCylinder(place, shape.radius_mm, shape.length_mm).Solid()
    x, _, z = shape.axes
    place = gp_Ax2(gp_Pnt(*shape.corner), gp_Dir(*map(float, z)), gp_Dir(*map(float, x)))
    return BRepPrimAPI_MakeBox(place, *shape.size_mm).Solid()

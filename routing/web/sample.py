"""A part of our own to try the page with. Loads the kernel: for the worker alone."""

from __future__ import annotations

from pathlib import Path

from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
from OCP.STEPControl import STEPControl_StepModelType, STEPControl_Writer


def write_sample(path: Path) -> None:
    """A plate of 60 x 40 x 18 mm with a step, a slot right through and four equal holes, threads perhaps."""
    body = BRepPrimAPI_MakeBox(60.0, 40.0, 18.0).Shape()
    tools = [
        BRepPrimAPI_MakeBox(gp_Pnt(-1.0, -1.0, 13.0), gp_Pnt(61.0, 9.0, 19.0)).Shape(),
        BRepPrimAPI_MakeBox(gp_Pnt(24.0, 20.0, -1.0), gp_Pnt(36.0, 28.0, 19.0)).Shape(),
    ]
    for x, y in ((10.0, 16.0), (50.0, 16.0), (10.0, 33.0), (50.0, 33.0)):
        below = gp_Ax2(gp_Pnt(x, y, 0.0), gp_Dir(0.0, 0.0, 1.0))
        tools.append(BRepPrimAPI_MakeCylinder(below, 2.1, 12.0).Shape())  # M5's tap drill (ISO 2306)
    for tool in tools:
        body = BRepAlgoAPI_Cut(body, tool).Shape()
    writer = STEPControl_Writer()
    writer.Transfer(body, STEPControl_StepModelType.STEPControl_AsIs)
    writer.Write(str(path))

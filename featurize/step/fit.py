"""Do edges lie on their faces, and corners on their edges? A kernel raises its tolerances until a solid
that does not fit together passes as valid: here the true distances are measured."""

from __future__ import annotations

from typing import Any

import numpy as np
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Curve, BRepAdaptor_Surface
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopExp import TopExp
from OCP.TopoDS import TopoDS

from featurize.brep.shapes import EDGE, FACE, Gap, each

_VERTEX = TopAbs_ShapeEnum.TopAbs_VERTEX
# Points looked at along an edge, its ends among them.
_SAMPLES = 7


def widest_misfit(solid: Any) -> Gap:
    """The largest distance of an edge from one of its faces, or of a corner from one of its edges (mm)."""
    worst = Gap()
    for edge in map(TopoDS.Edge_s, each(solid, EDGE)):
        if BRep_Tool.Degenerated_s(edge):
            continue
        curve = BRepAdaptor_Curve(edge)
        first, last = curve.FirstParameter(), curve.LastParameter()
        for vertex, at in ((TopExp.FirstVertex_s(edge), first), (TopExp.LastVertex_s(edge), last)):
            if not vertex.IsNull():
                worst = max(worst, Gap.between(BRep_Tool.Pnt_s(vertex), curve.Value(at)))
    for face in map(TopoDS.Face_s, each(solid, FACE)):
        surface = BRepAdaptor_Surface(face, False)
        for edge in map(TopoDS.Edge_s, each(face, EDGE)):
            if BRep_Tool.Degenerated_s(edge):
                continue
            first, last = BRep_Tool.Range_s(edge)
            trace = BRep_Tool.CurveOnSurface_s(edge, face, first, last)
            if trace is None:
                continue  # the kernel's own check tells a missing one
            curve = BRepAdaptor_Curve(edge)
            for t in np.linspace(first, last, _SAMPLES).tolist():
                uv = trace.Value(t)
                worst = max(worst, Gap.between(curve.Value(t), surface.Value(uv.X(), uv.Y())))
    return worst

"""STEP files with colours on faces, written by the kernel itself."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cadquery as cq
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.Quantity import Quantity_Color, Quantity_TypeOfColor
from OCP.XCAFDoc import XCAFDoc_ColorType, XCAFDoc_DocumentTool

from featurize.brep.shapes import FACE, each
from tests.support.transforms import _document, _write

Paint = Callable[[cq.Face], str | None]


def write_painted(path: Path, solid: cq.Workplane, paint: Paint, *, schema: str = "AP214") -> Path:
    """Writes the solid with each face in the colour "#rrggbb" (sRGB) that ``paint`` gives it, if any."""
    document, shapes = _document()
    colours = XCAFDoc_DocumentTool.ColorTool_s(document.Main())
    shape = solid.val().wrapped  # type: ignore[union-attr]
    product = shapes.AddShape(shape, False)
    for face in each(shape, FACE):
        if (text := paint(cq.Face(face))) is not None:
            red, green, blue = (int(text[k : k + 2], 16) / 255 for k in (1, 3, 5))
            colour = Quantity_Color(red, green, blue, Quantity_TypeOfColor.Quantity_TOC_sRGB)
            label = shapes.AddSubShape(product, face)
            colours.SetColor(label, colour, XCAFDoc_ColorType.XCAFDoc_ColorSurf)
    return _write(document, path, schema, "MM")


def by_diameter(colours: dict[float, str], rest: str | None = None) -> Paint:
    """Bores painted by their diameter, everything else alike."""

    def paint(face: cq.Face) -> str | None:
        if face.geomType() != "CYLINDER":
            return rest
        diameter = 2 * BRepAdaptor_Surface(face.wrapped).Cylinder().Radius()
        return next((c for d, c in colours.items() if abs(d - diameter) < 1e-6), rest)

    return paint

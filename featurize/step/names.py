"""The STEP entities' own names and XCAF's colours, looked up by kernel shape."""

from __future__ import annotations

import re
from typing import Any, Generic, TypeVar

from OCP.Quantity import Quantity_Color, Quantity_TypeOfColor
from OCP.StepShape import StepShape_FaceSurface, StepShape_SolidModel
from OCP.TDataStd import TDataStd_Name
from OCP.TDF import TDF_LabelSequence
from OCP.TopTools import TopTools_IndexedMapOfShape
from OCP.XCAFDoc import XCAFDoc_ColorTool, XCAFDoc_ColorType, XCAFDoc_ShapeTool

from featurize.brep.shapes import FACE, each, unlocated
from featurize.step.document import Colour

T = TypeVar("T")

_NAMED = (StepShape_FaceSurface, StepShape_SolidModel)
# What the kernel writes and reads where nobody gave a name.
_MADE_UP = re.compile(r"Open CASCADE STEP translator.*|COMPOUND|COMPSOLID|SOLID|SHELL|FACE")
# What some systems write for a face or solid that has no name.
_NO_NAME = ("NONE", "None")
_COLOUR_TYPES = (XCAFDoc_ColorType.XCAFDoc_ColorSurf, XCAFDoc_ColorType.XCAFDoc_ColorGen)


class ByShape(Generic[T]):
    """A dictionary keyed by shape, wherever the shape is placed and however it is turned."""

    def __init__(self) -> None:
        self._keys = TopTools_IndexedMapOfShape()
        self._values: list[T] = []

    def __setitem__(self, shape: Any, value: T) -> None:
        place = self._keys.Add(unlocated(shape))
        if place > len(self._values):
            self._values.append(value)
        else:
            self._values[place - 1] = value

    def get(self, shape: Any, default: T) -> T:
        place = self._keys.FindIndex(unlocated(shape))
        return self._values[place - 1] if place else default


class StepNames:
    """The names of the STEP entities of faces and solids, within one XSControl_WorkSession."""

    def __init__(self, session: Any) -> None:
        model = session.Model()
        self._session = session  # must live on: its end clears what was transferred
        self._transfer = session.TransferReader()
        entities = (model.Value(i) for i in range(1, model.NbEntities() + 1))
        # The kernel searches all entities for each shape: not worth it when none has a name.
        self._any = any(isinstance(e, _NAMED) and _text(e.Name()) for e in entities)

    def of(self, shape: Any) -> str:
        """The name of the entity that a face or solid was read from, or ""."""
        entity = self._transfer.EntityFromShapeResult(unlocated(shape), 1) if self._any else None
        name = _text(entity.Name()) if isinstance(entity, _NAMED) else ""
        return "" if name in _NO_NAME else name


def label_name(label: Any) -> str:
    """The name of an XCAF label, or "" when it has none or one that the kernel made up."""
    attribute = TDataStd_Name()
    name = _text(attribute.Get()) if label.FindAttribute(TDataStd_Name.GetID_s(), attribute) else ""
    return "" if _MADE_UP.fullmatch(name) else name


def label_colour(label: Any) -> Colour | None:
    """The surface colour set on an XCAF label itself, as sRGB."""
    colour = Quantity_Color()
    for kind in _COLOUR_TYPES:
        if XCAFDoc_ColorTool.GetColor_s(label, kind, colour):
            red, green, blue = colour.Values(Quantity_TypeOfColor.Quantity_TOC_sRGB)
            return round(red, 6), round(green, 6), round(blue, 6)  # the kernel keeps single precision
    return None


def product_colours(product: Any, fallback: Colour | None) -> ByShape[Colour | None]:
    """The colour of each face of a product's XCAF label: a face's own before its shell's, its
    solid's, the product's, and last ``fallback`` (the colour of the product's place)."""
    colours: ByShape[Colour | None] = ByShape()
    parts = TDF_LabelSequence()
    XCAFDoc_ShapeTool.GetSubShapes_s(product, parts)
    labels = [product, *(parts.Value(i + 1) for i in range(parts.Length()))]
    shaped = [(XCAFDoc_ShapeTool.GetShape_s(label), label_colour(label)) for label in labels]
    whole = shaped[0]
    # The kernel's shape types count from compound down to vertex: large to small, so that small wins.
    styled = sorted((s for s in shaped[1:] if s[1] is not None), key=lambda s: int(s[0].ShapeType()))
    for shape, colour in [(whole[0], whole[1] or fallback), *styled]:
        for face in each(shape, FACE):
            colours[face] = colour
    return colours


def _text(string: Any) -> str:
    if string is None:
        return ""
    try:
        return str(string.ToExtString() if hasattr(string, "ToExtString") else string.ToCString()).strip()
    except UnicodeDecodeError:  # bytes of an unknown code page: no name is better than a wrong one
        return ""

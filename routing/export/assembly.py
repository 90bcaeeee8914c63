"""A setup as a STEP assembly: the part, the stock as it comes, what holds it, and the setup's axes.

The axes are a component of three edges X, Y and Z in its own place at 0; where that component stands in the
assembly is the zero, which the file holds as an axis placement. All else is in model coordinates.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from routing.export.header import UNSIGNED, FileHeader
from routing.export.palette import Colour
from routing.export.solid_files import WriteError, ap214_in_mm, checked
from routing.plan.zero import Zero

AXES = "zero"
# Length of the axes that are drawn.
_AXIS_MM = 15.0


@dataclass(frozen=True, eq=False)
class Component:
    """A solid in model coordinates, its name and its colour (sRGB)."""

    name: str
    solid: Any
    colour: Colour


def write_assembly(
    name: str, components: Sequence[Component], zero: Zero, path: Path, header: FileHeader = UNSIGNED
) -> Path:
    """Raises WriteError where it cannot be written; the solids in it are checked where they come from."""
    return checked(path, lambda aside: _write(name, components, zero, aside, path.name, header))


def _write(
    name: str, components: Sequence[Component], zero: Zero, aside: Path, called: str, header: FileHeader
) -> None:
    from OCP.IFSelect import IFSelect_ReturnStatus
    from OCP.STEPCAFControl import STEPCAFControl_Writer
    from OCP.STEPControl import STEPControl_StepModelType
    from OCP.TCollection import TCollection_ExtendedString
    from OCP.TDataStd import TDataStd_Name
    from OCP.TDocStd import TDocStd_Document
    from OCP.TopLoc import TopLoc_Location
    from OCP.XCAFDoc import XCAFDoc_DocumentTool

    document = TDocStd_Document(TCollection_ExtendedString("setup"))
    shapes = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())

    def named(label: Any, words: str) -> Any:
        TDataStd_Name.Set_s(label, TCollection_ExtendedString(words, True))
        return label

    top = named(shapes.NewShape(), name)
    for c in components:
        label = named(shapes.AddShape(c.solid, False), c.name)
        named(shapes.AddComponent(top, label, TopLoc_Location()), c.name)
    axes = named(shapes.AddShape(_axes(), False), AXES)
    named(shapes.AddComponent(top, axes, _place(zero)), AXES)
    shapes.UpdateAssemblies()
    with ap214_in_mm():
        writer = STEPCAFControl_Writer()
        writer.SetNameMode(True)
        # The kernel's own colours come in the order of its labels' addresses, another in each run.
        writer.SetColorMode(False)
        done = writer.Transfer(document, STEPControl_StepModelType.STEPControl_AsIs)
        _paint(writer.ChangeWriter().WS(), components)
        _number(writer.ChangeWriter().Model())
        header.put(writer, name)
        if not done or writer.Write(str(aside)) != IFSelect_ReturnStatus.IFSelect_RetDone:
            raise WriteError(f"{called} could not be written")


def _paint(session: Any, components: Sequence[Component]) -> None:
    """A style for each solid as a whole, in the components' order, into what the session is to write."""
    from OCP.Quantity import Quantity_Color, Quantity_TypeOfColor
    from OCP.STEPConstruct import STEPConstruct, STEPConstruct_Styles
    from OCP.StepVisual import StepVisual_MechanicalDesignGeometricPresentationRepresentation

    for c in components:
        styles = STEPConstruct_Styles(session)
        colour = STEPConstruct_Styles.EncodeColor_s(
            Quantity_Color(*c.colour, Quantity_TypeOfColor.Quantity_TOC_sRGB)
        )
        item = STEPConstruct.FindEntity_s(session.TransferWriter().FinderProcess(), c.solid)
        styles.AddStyle(item, styles.MakeColorPSA(item, colour, colour, None, 0.0), None)
        group = StepVisual_MechanicalDesignGeometricPresentationRepresentation()
        styles.CreateMDGPR(styles.FindContext(c.solid), group, session.Model())


def _number(model: Any) -> None:
    """The components from 1: the kernel goes on counting from one file of a process to the next."""
    from OCP.StepRepr import StepRepr_NextAssemblyUsageOccurrence
    from OCP.TCollection import TCollection_HAsciiString

    entities = map(model.Value, range(1, model.NbEntities() + 1))
    used = (e for e in entities if isinstance(e, StepRepr_NextAssemblyUsageOccurrence))
    for n, entity in enumerate(used, 1):
        entity.SetId(TCollection_HAsciiString(str(n)))


def _axes() -> Any:
    """X, Y and Z from 0, Z the longest."""
    from OCP.BRep import BRep_Builder
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge
    from OCP.gp import gp_Pnt
    from OCP.TopoDS import TopoDS_Compound

    builder, found = BRep_Builder(), TopoDS_Compound()
    builder.MakeCompound(found)
    for k, length in enumerate((_AXIS_MM, _AXIS_MM, 1.5 * _AXIS_MM)):
        tip = [length if k == n else 0.0 for n in range(3)]
        builder.Add(found, BRepBuilderAPI_MakeEdge(gp_Pnt(0, 0, 0), gp_Pnt(*tip)).Edge())
    return found


def _place(zero: Zero) -> Any:
    from OCP.gp import gp_Ax3, gp_Dir, gp_Pnt, gp_Trsf
    from OCP.TopLoc import TopLoc_Location

    move = gp_Trsf()
    move.SetTransformation(gp_Ax3(gp_Pnt(*zero.origin_mm), gp_Dir(*zero.z), gp_Dir(*zero.x)), gp_Ax3())
    return TopLoc_Location(move)

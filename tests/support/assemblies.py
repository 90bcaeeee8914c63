"""STEP assemblies read back by the kernel."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from OCP.STEPCAFControl import STEPCAFControl_Reader
from OCP.TCollection import TCollection_ExtendedString
from OCP.TDataStd import TDataStd_Name
from OCP.TDF import TDF_LabelSequence
from OCP.TDocStd import TDocStd_Document
from OCP.XCAFDoc import XCAFDoc_DocumentTool, XCAFDoc_ShapeTool


def components(path: Path) -> dict[str, tuple[Any, Any]]:
    """Name to (shape where it stands, its place as gp_Trsf) of each component of the assembly in a file."""
    document = TDocStd_Document(TCollection_ExtendedString("read"))
    reader = STEPCAFControl_Reader()
    reader.SetNameMode(True)
    reader.ReadFile(str(path))
    assert reader.Transfer(document)
    tool = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    roots, parts = TDF_LabelSequence(), TDF_LabelSequence()
    tool.GetFreeShapes(roots)
    assert roots.Length() == 1
    XCAFDoc_ShapeTool.GetComponents_s(roots.Value(1), parts)
    found = {}
    for n in range(parts.Length()):
        label, words = parts.Value(n + 1), TDataStd_Name()
        label.FindAttribute(TDataStd_Name.GetID_s(), words)
        shape = XCAFDoc_ShapeTool.GetShape_s(label)
        name = words.Get().ToExtString()
        assert name not in found
        found[name] = (shape, shape.Location().Transformation())
    return found

"""Stock files for CAM: STEP (AP214, millimetres, a named solid) and STL with its deviation stated.

Each file is written aside, read back and checked, and only then given its name.
"""

from __future__ import annotations

import os
import struct
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from featurize import tolerances as tol
from featurize.brep.shapes import each
from featurize.brep.surfaces import Array
from routing.export.header import UNSIGNED, FileHeader

# A file read back must have the volume of what was written: STEP keeps 15 digits, an STL its chords.
_STEP_SHARE = 1e-6


class WriteError(OSError):
    """A file that could not be written, or does not read back; the message says which."""


Colour = tuple[float, float, float]


def write_step(
    solid: Any,
    path: Path,
    *,
    name: str,
    faces: Sequence[tuple[str, Colour]] | None = None,
    like: tuple[Path, str] | None = None,
    header: FileHeader = UNSIGNED,
    keep: Callable[[Any], None] = lambda solid: None,
) -> Path:
    """One solid in model coordinates as AP214 in millimetres; raises WriteError.

    ``faces`` names and colours (sRGB, 0 to 1) its faces, in TopExp.MapShapes order. ``like`` is a file that
    was written so, and its name: what differs from it by the name alone needs no reading back.
    ``keep`` gets the solid as it reads back, where that was needed.
    """

    def write(aside: Path) -> None:
        from OCP.BRepBuilderAPI import BRepBuilderAPI_Transform

        from featurize.brep.shapes import unlocated

        # Names and colours are taken only of faces in a shape's own place: the place goes into the geometry.
        move = solid.Location().Transformation()
        body = BRepBuilderAPI_Transform(unlocated(solid), move, True).Shape()
        _write_named([(name, body)], aside, path.name, header, faces)

    def check(aside: Path) -> None:
        from featurize.brep.solids import volume_of
        from routing.stock.blank import blank_from_step

        if like is not None and _nameless(aside, name) == _nameless(*like):
            return
        try:
            back = blank_from_step(aside)
        except ValueError as error:
            raise WriteError(f"{path.name} does not read back: {error}") from error
        if abs(back.volume_mm3 / volume_of(solid) - 1) > _STEP_SHARE:
            raise WriteError(f"{path.name} reads back with another volume")
        keep(back.solid)

    return checked(path, write, check)


def _nameless(path: Path, name: str) -> str:
    """The text of a STEP file without a name, and without the breaks of lines that its length shifts."""
    content = path.read_text(encoding="utf-8", errors="replace")
    text, named = ("".join(t.split()) for t in (content, f"'{name}'"))
    return text.replace(named, "''")


def write_bodies(bodies: Sequence[tuple[str, Any]], path: Path, header: FileHeader = UNSIGNED) -> Path:
    """Several named solids in model coordinates, otherwise as ``write_step``; each is checked on reading."""

    def check(aside: Path) -> None:
        from OCP.STEPControl import STEPControl_Reader

        from featurize.brep.solids import is_valid, solids_of, volume_of

        reader = STEPControl_Reader()
        reader.ReadFile(str(aside))
        reader.TransferRoots()
        back = sorted(volume_of(s) for s in solids_of(reader.OneShape()) if is_valid(s))
        meant = sorted(volume_of(solid) for _, solid in bodies)
        if len(back) != len(meant) or not np.allclose(back, meant, rtol=_STEP_SHARE, atol=0):
            raise WriteError(f"{path.name} does not read back as {len(bodies)} valid solids of their volumes")

    return checked(path, lambda aside: _write_named(bodies, aside, path.name, header), check)


def _write_named(
    bodies: Sequence[tuple[str, Any]],
    aside: Path,
    called: str,
    header: FileHeader,
    faces: Sequence[tuple[str, Colour]] | None = None,
) -> None:
    """``faces`` are those of a single body."""
    from OCP.IFSelect import IFSelect_ReturnStatus
    from OCP.STEPCAFControl import STEPCAFControl_Writer
    from OCP.STEPControl import STEPControl_StepModelType
    from OCP.TCollection import TCollection_ExtendedString
    from OCP.TDataStd import TDataStd_Name
    from OCP.TDocStd import TDocStd_Document
    from OCP.XCAFDoc import XCAFDoc_DocumentTool

    document = TDocStd_Document(TCollection_ExtendedString("stock"))
    shapes = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    for name, body in bodies:
        label = shapes.AddShape(body, False)
        TDataStd_Name.Set_s(label, TCollection_ExtendedString(name, True))
        if faces is not None:
            _label(document, label, body, faces)
    with ap214_in_mm():
        writer = STEPCAFControl_Writer()
        writer.SetNameMode(True)
        writer.SetColorMode(True)
        done = writer.Transfer(document, STEPControl_StepModelType.STEPControl_AsIs)
        header.put(writer, bodies[0][0] if len(bodies) == 1 else Path(called).stem)
        if not done or writer.Write(str(aside)) != IFSelect_ReturnStatus.IFSelect_RetDone:
            raise WriteError(f"{called} could not be written")


def _label(document: Any, top: Any, solid: Any, faces: Sequence[tuple[str, Colour]]) -> None:
    from OCP.Quantity import Quantity_Color, Quantity_TypeOfColor
    from OCP.TCollection import TCollection_ExtendedString
    from OCP.TDataStd import TDataStd_Name
    from OCP.TopAbs import TopAbs_ShapeEnum
    from OCP.XCAFDoc import XCAFDoc_ColorType, XCAFDoc_DocumentTool

    shapes = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    colours = XCAFDoc_DocumentTool.ColorTool_s(document.Main())
    for face, (name, rgb) in zip(each(solid, TopAbs_ShapeEnum.TopAbs_FACE), faces, strict=True):
        label = shapes.AddSubShape(top, face)
        if label.IsNull():  # a face that is not in its own place cannot be told apart
            continue
        TDataStd_Name.Set_s(label, TCollection_ExtendedString(name, True))
        colour = Quantity_Color(*rgb, Quantity_TypeOfColor.Quantity_TOC_sRGB)
        colours.SetColor(label, colour, XCAFDoc_ColorType.XCAFDoc_ColorSurf)


def write_3mf(
    solid: Any,
    path: Path,
    *,
    name: str,
    deviation_mm: float = tol.MESH_DEFLECTION_MM,
    triangles: Array | None = None,
) -> Path:
    """The mesh of the STL as 3MF, which states its unit (3MF core specification 1.3); raises WriteError.

    ``triangles`` (m, 3, 3) are the solid's facets within the deviation, where they are known.
    """
    mesh = _snapped(solid, deviation_mm, triangles)
    return checked(path, lambda aside: _3mf(aside, mesh, name, deviation_mm), _check_3mf)


_3MF = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_OPC = "http://schemas.openxmlformats.org/package/2006"


def _3mf(path: Path, triangles: Array, name: str, deviation_mm: float) -> None:
    import zipfile
    from xml.sax.saxutils import quoteattr

    # To a nanometre, the corners of neighbours are one.
    corners, index = np.unique(np.round(triangles.reshape(-1, 3), 6) + 0.0, axis=0, return_inverse=True)
    index = index.reshape(-1, 3)
    index = index[(index != np.roll(index, 1, axis=1)).all(axis=1)]
    points = "".join(f'<vertex x="{x:.6f}" y="{y:.6f}" z="{z:.6f}"/>' for x, y, z in corners)
    sides = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in index)
    head = '<?xml version="1.0" encoding="UTF-8"?>'
    title = quoteattr(name)
    parts = {
        "[Content_Types].xml": f'{head}<Types xmlns="{_OPC}/content-types">'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>'
        "</Types>",
        "_rels/.rels": f'{head}<Relationships xmlns="{_OPC}/relationships"><Relationship Id="r1" '
        'Target="/3D/3dmodel.model" '
        'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>',
        "3D/3dmodel.model": f'{head}<model unit="millimeter" xml:lang="en" xmlns="{_3MF}">'
        f'<metadata name="Description">deviation {deviation_mm:g} mm</metadata>'
        f'<resources><object id="1" type="model" name={title}><mesh><vertices>{points}</vertices>'
        f"<triangles>{sides}</triangles></mesh></object></resources>"
        '<build><item objectid="1"/></build></model>',
    }
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as package:
        for place, text in parts.items():
            # No clock time: two runs give the same bytes.
            package.writestr(zipfile.ZipInfo(place, (1980, 1, 1, 0, 0, 0)), text, zipfile.ZIP_DEFLATED)


def _check_3mf(path: Path) -> None:
    import zipfile
    from xml.etree import ElementTree

    with zipfile.ZipFile(path) as package:
        root = ElementTree.fromstring(package.read("3D/3dmodel.model"))
    sides = np.array([[t.get(k) for k in ("v1", "v2", "v3")] for t in root.iter(f"{{{_3MF}}}triangle")], int)
    if not _closed(sides):
        raise WriteError("the 3MF does not close")


def _closed(sides: Array) -> bool:
    """Whether every side of a facet, corners by number (m, 3), is another's, the other way about."""
    first, last = sides.ravel(), np.roll(sides, -1, axis=1).ravel()
    many = sides.max(initial=0) + 1
    return bool(np.array_equal(np.sort(first * many + last), np.sort(last * many + first)))


def write_stl(
    solid: Any,
    path: Path,
    *,
    name: str,
    deviation_mm: float = tol.MESH_DEFLECTION_MM,
    triangles: Array | None = None,
) -> Path:
    """A binary STL in millimetres that stays within a deviation of the solid; raises WriteError.

    The 80 bytes of its head hold the name, the unit and the deviation. ``triangles`` as in ``write_3mf``.
    """
    mesh = _snapped(solid, deviation_mm, triangles)
    return checked(
        path,
        lambda aside: _stl(aside, mesh, f"{name[:40]} mm deviation {deviation_mm:g}"),
        lambda aside: _check_stl(aside, mesh),
    )


def _snapped(solid: Any, deviation_mm: float, triangles: Array | None) -> Array:
    """Corners to 10 nm, so that those at a cone's point are one; what has no area then is dropped."""
    from featurize.brep.solids import facets

    snapped = np.round(facets(solid, deviation_mm) if triangles is None else triangles, 5) + 0.0
    same = [np.all(snapped[:, i] == snapped[:, j], axis=1) for i, j in ((0, 1), (1, 2), (2, 0))]
    return np.asarray(snapped[~np.any(same, axis=0)])


# Of a binary STL: normal and corners, and two bytes that nobody uses.
_FACET = np.dtype([("floats", "<f4", (4, 3)), ("spare", "<u2")])


def _stl(path: Path, triangles: Array, head: str) -> None:
    normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    record = np.zeros(len(triangles), _FACET)
    record["floats"][:, 0] = normals / np.where(lengths > 0, lengths, 1.0)
    record["floats"][:, 1:] = triangles
    start = head.encode("ascii", "replace")[:80].ljust(80)
    path.write_bytes(start + struct.pack("<I", len(triangles)) + record.tobytes())


def _check_stl(path: Path, triangles: Array) -> None:
    content = path.read_bytes()
    (count,) = struct.unpack_from("<I", content, 80)
    found = np.frombuffer(content, _FACET, offset=84)["floats"][:, 1:]
    if len(found) != count:
        raise WriteError("the STL does not end where it says")
    _, corners = np.unique(found.reshape(-1, 3), axis=0, return_inverse=True)
    if not _closed(corners.reshape(-1, 3).astype(np.int64)):
        raise WriteError("the STL does not close")
    # Single floats carry 7 digits: far from the origin they are what limits the volume.
    if abs(_volume(found.astype(float)) / _volume(triangles) - 1) > 1e-4:
        raise WriteError("the STL reads back with another volume")


def _volume(triangles: Array) -> float:
    a, b, c = np.moveaxis(triangles - triangles[0, 0], 1, 0)
    return float(np.sum(a * np.cross(b, c))) / 6


def checked(path: Path, write: Callable[[Path], None], check: Callable[[Path], None] | None = None) -> Path:
    """Written aside, checked, and only then given its name; gone where either raises."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, rough = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=path.suffix)
    os.close(handle)
    aside = Path(rough)
    try:
        write(aside)
        if check is not None:
            check(aside)
        aside.chmod(0o644)
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)
    return path


@contextmanager
def ap214_in_mm() -> Iterator[None]:
    """The kernel's writer settings are global: set for the while, then put back."""
    from OCP.Interface import Interface_Static
    from OCP.STEPCAFControl import STEPCAFControl_Controller
    from OCP.STEPControl import STEPControl_Controller

    from featurize.step.quiet import quiet_kernel

    wanted = {"write.step.schema": "AP214IS", "write.step.unit": "MM"}
    STEPControl_Controller.Init_s()
    STEPCAFControl_Controller.Init_s()  # makes the setting for names of faces known
    before = {key: Interface_Static.CVal_s(key) for key in wanted}
    try:
        for key, value in wanted.items():
            Interface_Static.SetCVal_s(key, value)
        Interface_Static.SetIVal_s("write.stepcaf.subshapes.name", 1)
        with quiet_kernel():
            yield
    finally:
        for key, value in before.items():
            Interface_Static.SetCVal_s(key, value)

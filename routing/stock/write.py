"""Stock files for CAM: STEP (AP214, millimetres, a named solid) and STL with its deviation stated.

Each file is written aside, read back and checked, and only then given its name.
"""

from __future__ import annotations

import os
import struct
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from featurize import tolerances as tol
from featurize.brep.surfaces import Array

# A file read back must have the volume of what was written: STEP keeps 15 digits, an STL its chords.
_STEP_SHARE = 1e-6


class WriteError(OSError):
    """A file that could not be written, or does not read back; the message says which."""


def write_step(solid: Any, path: Path, *, name: str) -> Path:
    """One solid in model coordinates as AP214 in millimetres; raises WriteError."""

    def write(aside: Path) -> None:
        from OCP.IFSelect import IFSelect_ReturnStatus
        from OCP.STEPCAFControl import STEPCAFControl_Writer
        from OCP.STEPControl import STEPControl_StepModelType
        from OCP.TCollection import TCollection_ExtendedString
        from OCP.TDataStd import TDataStd_Name
        from OCP.TDocStd import TDocStd_Document
        from OCP.XCAFDoc import XCAFDoc_DocumentTool

        document = TDocStd_Document(TCollection_ExtendedString("stock"))
        label = XCAFDoc_DocumentTool.ShapeTool_s(document.Main()).AddShape(solid, False)
        TDataStd_Name.Set_s(label, TCollection_ExtendedString(name))
        with _ap214_in_mm():
            writer = STEPCAFControl_Writer()
            writer.SetNameMode(True)
            done = writer.Transfer(document, STEPControl_StepModelType.STEPControl_AsIs)
            if not done or writer.Write(str(aside)) != IFSelect_ReturnStatus.IFSelect_RetDone:
                raise WriteError(f"{path.name} could not be written")

    def check(aside: Path) -> None:
        from routing.stock.blank import blank_from_step
        from routing.stock.solids import volume_of

        try:
            volume = blank_from_step(aside).volume_mm3
        except ValueError as error:
            raise WriteError(f"{path.name} does not read back: {error}") from error
        if abs(volume / volume_of(solid) - 1) > _STEP_SHARE:
            raise WriteError(f"{path.name} reads back with another volume")

    return _aside(path, write, check)


def write_stl(solid: Any, path: Path, *, name: str, deviation_mm: float = tol.MESH_DEFLECTION_MM) -> Path:
    """A binary STL in millimetres that stays within a deviation of the solid; raises WriteError.

    The 80 bytes of its head hold the name, the unit and the deviation.
    """
    from routing.stock.solids import facets

    triangles = facets(solid, deviation_mm)
    return _aside(
        path,
        lambda aside: _stl(aside, triangles, f"{name[:40]} mm deviation {deviation_mm:g}"),
        lambda aside: _check_stl(aside, triangles),
    )


def _stl(path: Path, triangles: Array, head: str) -> None:
    normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    record = np.zeros(len(triangles), dtype=[("floats", "<f4", (4, 3)), ("spare", "<u2")])
    record["floats"][:, 0] = normals / np.where(lengths > 0, lengths, 1.0)
    record["floats"][:, 1:] = triangles
    start = head.encode("ascii", "replace")[:80].ljust(80)
    path.write_bytes(start + struct.pack("<I", len(triangles)) + record.tobytes())


def _check_stl(path: Path, triangles: Array) -> None:
    import trimesh

    mesh = trimesh.load(path, file_type="stl", force="mesh")
    expected = float(np.sum(triangles[:, 0] * np.cross(triangles[:, 1], triangles[:, 2]))) / 6
    if not mesh.is_watertight:
        raise WriteError("the STL does not close")
    # Single floats carry 7 digits: far from the origin they are what limits the volume.
    if abs(float(mesh.volume) / expected - 1) > 1e-4:
        raise WriteError("the STL reads back with another volume")


def _aside(path: Path, write: Callable[[Path], None], check: Callable[[Path], None]) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, rough = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=path.suffix)
    os.close(handle)
    aside = Path(rough)
    try:
        write(aside)
        check(aside)
        aside.chmod(0o644)
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)
    return path


@contextmanager
def _ap214_in_mm() -> Iterator[None]:
    """The kernel's writer settings are global: set for the while, then put back."""
    from OCP.Interface import Interface_Static
    from OCP.STEPControl import STEPControl_Controller

    from featurize.step.quiet import quiet_kernel

    wanted = {"write.step.schema": "AP214IS", "write.step.unit": "MM"}
    STEPControl_Controller.Init_s()
    before = {key: Interface_Static.CVal_s(key) for key in wanted}
    try:
        for key, value in wanted.items():
            Interface_Static.SetCVal_s(key, value)
        with quiet_kernel():
            yield
    finally:
        for key, value in before.items():
            Interface_Static.SetCVal_s(key, value)

"""The stock's bodies as their files read back, for the papers that show them: each file is read once.

They lie in a hidden folder beside the files, in the kernel's binary form, for as long as the job writes.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

_FOLDER = ".bodies"


def keep(folder: Path, file: str, solid: Any) -> None:
    """``solid`` is what the file (its name in the part's folder) holds."""
    from OCP.BinTools import BinTools

    place = folder / _FOLDER / f"{file}.bin"
    place.parent.mkdir(parents=True, exist_ok=True)
    BinTools.Write_s(solid, str(place))


def keep_as(folder: Path, file: str, other: str) -> None:
    """That a file holds the same solid as another, where that one's was kept."""
    place, like = (folder / _FOLDER / f"{name}.bin" for name in (file, other))
    if like.is_file() and not place.is_file():
        shutil.copyfile(like, place)


def body(folder: Path, file: str) -> Any:
    """The solid in a file, which is read only where none was kept; raises BlankError where it has none."""
    from OCP.BinTools import BinTools
    from OCP.TopoDS import TopoDS, TopoDS_Shape

    from routing.stock.blank import blank_from_step

    place = folder / _FOLDER / f"{file}.bin"
    solid = TopoDS_Shape()
    if place.is_file() and BinTools.Read_s(solid, str(place)):
        return TopoDS.Solid_s(solid)
    return blank_from_step(folder / file).solid


def forget(folder: Path) -> None:
    """At the end of the job: nothing of it is handed over."""
    shutil.rmtree(folder / _FOLDER, ignore_errors=True)

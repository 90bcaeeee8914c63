"""What reading a STEP file gives. Importing this does not load the kernel."""

from __future__ import annotations

import io
from dataclasses import dataclass, fields
from enum import IntEnum
from pathlib import Path
from typing import Any

from featurize.feature import Callout
from featurize.step.notes import HEALING, ReadNote

Colour = tuple[float, float, float]


class Skip(IntEnum):
    """What a reading leaves out, so that damaged files can still be read."""

    NOTHING = 0
    PMI = 1
    EXTRAS = 2  # PMI, colours and assembly names


@dataclass(frozen=True, eq=False)
class SolidPart:
    """One solid, as often as it occurs in the file.

    ``solid`` is a TopoDS_Solid in millimetres, at its first place in the assembly. ``face_names``
    and ``face_colours`` (sRGB, 0 to 1) are indexed by place (from 0) in TopExp.MapShapes of the
    solid as read, before any healing; ``source_faces`` gives that place for each face of ``solid``.
    ``callouts`` is the PMI, its faces being such places as well.
    ``moved_mm`` is how far a solid that lay far from the origin was moved to be worked on.
    ``notes`` tells what was changed and the faults that stayed; it is empty for a sound solid.
    """

    solid: Any
    name: str
    count: int
    face_names: tuple[str, ...]
    face_colours: tuple[Colour | None, ...]
    source_faces: tuple[int, ...]
    notes: tuple[ReadNote, ...] = ()
    callouts: tuple[Callout, ...] = ()
    moved_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def healed(self) -> tuple[str, ...]:
        """What was changed, in words."""
        return tuple(note.message for note in self.notes if note.code in HEALING)

    # Kernel objects do not pickle; binary B-rep does, and keeps the order of the faces.
    def __getstate__(self) -> dict[str, Any]:
        from OCP.BinTools import BinTools

        stream = io.BytesIO()
        BinTools.Write_s(self.solid, stream)
        return {f.name: getattr(self, f.name) for f in fields(self)} | {"solid": stream.getvalue()}

    def __setstate__(self, state: dict[str, Any]) -> None:
        from OCP.BinTools import BinTools
        from OCP.TopoDS import TopoDS, TopoDS_Shape

        shape = TopoDS_Shape()
        BinTools.Read_s(shape, io.BytesIO(state["solid"]))
        for name, value in (state | {"solid": TopoDS.Solid_s(shape)}).items():
            object.__setattr__(self, name, value)


@dataclass(frozen=True, eq=False)
class StepDocument:
    """A STEP file's solids. ``source_units`` is the file's own length unit ("mm", "inch", ...);
    ``schema`` its application protocol ("AP203", "AP214", "AP242", else the name as written);
    ``notes`` concern the whole file, each part has its own besides."""

    path: Path
    sha256: str
    schema: str
    source_units: str
    parts: list[SolidPart]
    notes: list[ReadNote]

    def noticed(self, part: SolidPart) -> list[ReadNote]:
        """All that concerns a part: what was noticed of the file, then of the part itself."""
        return [*self.notes, *part.notes]

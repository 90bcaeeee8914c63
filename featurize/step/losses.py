"""What of a file's model did not come along: the kernel drops what it cannot translate without a word."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from OCP.StepShape import StepShape_FaceSurface, StepShape_SolidModel
from OCP.StepVisual import StepVisual_TessellatedShell, StepVisual_TessellatedSolid
from OCP.TopTools import TopTools_IndexedMapOfShape

from featurize.brep.shapes import FACE, each, plural, unlocated
from featurize.step.header import Header
from featurize.step.notes import ReadNote, blocking, note

_MESHES = (StepVisual_TessellatedSolid, StepVisual_TessellatedShell)
CHECK = "check the result against the drawing"


def losses(header: Header, session: Any, shapes: Sequence[Any]) -> Iterator[ReadNote]:
    """Compares the text, the kernel's entities and the ``shapes`` that it made of them."""
    model, process = session.Model(), session.TransferReader().TransientProcess()
    entities = [model.Value(i) for i in range(1, model.NbEntities() + 1)]
    # The binding knows an entity again by identity, as long as it is held; the process finds none by itself.
    translated = {
        id(process.Mapped(i)) for i in range(1, process.NbMapped() + 1) if process.MapItem(i).HasResult()
    }
    faces = [e for e in entities if isinstance(e, StepShape_FaceSurface)]
    came = min(sum(id(e) in translated for e in faces), _count(shapes))
    written = max(header.faces, len(faces))
    if came < written:
        text = f"{written - came} of the {plural(written, 'face')} in the file did not come through"
        yield blocking("faces-lost", f"{text}: export it again, and {CHECK}.")
    solids = [e for e in entities if isinstance(e, StepShape_SolidModel)]
    written = max(header.solids, len(solids))
    if dropped := written - sum(id(e) in translated for e in solids):
        text = f"{dropped} of the {plural(written, 'solid')} in the file did not come through"
        yield blocking("solids-lost", f"{text}: export it again as a boundary representation, and {CHECK}.")
    yield from _meshed(entities)


def meshes(session: Any) -> int:
    """How many bodies and skins the file gives as triangles."""
    model = session.Model()
    return sum(isinstance(model.Value(i), _MESHES) for i in range(1, model.NbEntities() + 1))


def _count(shapes: Sequence[Any]) -> int:
    """Faces, each once wherever it stands."""
    seen = TopTools_IndexedMapOfShape()
    for shape in shapes:
        for face in each(shape, FACE):
            seen.Add(unlocated(face))
    return int(seen.Extent())


def _meshed(entities: Sequence[Any]) -> Iterator[ReadNote]:
    """Triangles have no exact surfaces, and are not read; many only show an exact body that is there too."""
    found = [e for e in entities if isinstance(e, _MESHES)]
    alone = sum(not _is_linked(e) for e in found)
    if alone:
        text = f"{plural(alone, 'solid')} of the file stand in it only as triangles, without exact surfaces"
        yield blocking("mesh-left-out", f"{text}: left out: export exact solids, and {CHECK}.")
    elif found:
        yield note("mesh-left-out", "The triangles that stand beside exact bodies in the file were not used.")


def _is_linked(mesh: Any) -> bool:
    if isinstance(mesh, StepVisual_TessellatedSolid):
        return bool(mesh.HasGeometricLink())
    return bool(mesh.HasTopologicalLink())

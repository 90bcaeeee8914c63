"""What is still to leave: the solids of stock less part, each with the faces of the part that bound it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut

from featurize.brep.part import Part
from featurize.brep.shapes import FACE, each
from featurize.brep.solids import built, solids_of, volume_of

# What a body may miss of the part or of the next body, as a share of the part.
LOST_SHARE = 1e-6


@dataclass(frozen=True, eq=False)
class LeftPiece:
    """A solid of what is still to leave; ``faces`` are those of the part on it, with their logical ones."""

    solid: Any
    faces: tuple[tuple[Any, int], ...]
    volume_mm3: float

    @property
    def bounds(self) -> frozenset[int]:
        return frozenset(owner for _, owner in self.faces)


def left_after(left: Sequence[LeftPiece], taken: Sequence[tuple[int, Any]]) -> list[LeftPiece]:
    """The pieces once some are taken, whole or in part."""
    tools: dict[int, list[Any]] = {}
    for n, solid in taken:
        tools.setdefault(n, []).append(solid)
    after = [piece for n, piece in enumerate(left) if n not in tools]
    for n, own in tools.items():
        if not any(solid is left[n].solid for solid in own):
            after += _cut_apart(left[n].solid, own, left[n].faces)
    return after


def adds_up(part: Part, body_mm3: float, left: Sequence[LeftPiece]) -> bool:
    """Whether a body's volume is that of the part and of what is left on it."""
    over = body_mm3 - part.volume_mm3 - sum(piece.volume_mm3 for piece in left)
    return abs(over) <= LOST_SHARE * part.volume_mm3


def pieces_of(part: Part, stock: Any, source_faces: Sequence[int] | None) -> list[LeftPiece]:
    """The solids of stock less part, each with the logical faces of the part that bound it."""
    logical = {place: f.id for f in part.faces for place in f.source}
    faces = [
        (face, logical.get(source_faces[k] if source_faces is not None else k, -1))
        for k, face in enumerate(each(part.solid, FACE))
    ]
    return _cut_apart(stock, [part.solid], faces)


def _cut_apart(body: Any, tools: Sequence[Any], faces: Sequence[tuple[Any, int]]) -> list[LeftPiece]:
    """The solids of a body less tools; ``faces`` of either, with their owners, are found again on them."""
    operation = built(BRepAlgoAPI_Cut(), body, tools, "take the part from the stock")
    owners: dict[int, list[tuple[Any, int]]] = {}
    for face, owner in faces:
        for image in (face, *operation.Modified(face)):
            owners.setdefault(hash(image), []).append((image, owner))
    found = []
    for solid in solids_of(operation.Shape()):
        own = tuple(
            (face, owner)
            for face in each(solid, FACE)
            for image, owner in owners.get(hash(face), ())
            if image.IsSame(face)
        )
        found.append(LeftPiece(solid, own, volume_of(solid)))
    return found

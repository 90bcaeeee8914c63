"""What every hand-over may look at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from routing.export.header import FileHeader
from routing.inputs.choices import Choices

if TYPE_CHECKING:  # these load the kernel
    from featurize.brep.part import Part
    from featurize.recognise import Recognition
    from featurize.step.document import SolidPart, StepDocument
    from routing.inputs.sheet.said import Said
    from routing.plan.plan import Plan
    from routing.processes.shop import Shop
    from routing.stock.ground import GroundStock
    from routing.stock.proof import Proof


@dataclass(frozen=True, eq=False)
class Work:
    """One part, decided and ground; ``content`` is the route file so far, and grows with each hand-over."""

    document: StepDocument
    solid: SolidPart
    recognition: Recognition
    plan: Plan
    stock: GroundStock
    proof: Proof
    shop: Shop
    choices: Choices
    content: dict[str, Any]
    sheet: Said | None = None  # what the customer's drawing says

    @property
    def part(self) -> Part:
        return self.recognition.part

    @property
    def header(self) -> FileHeader:
        """What the files say of where they come from."""
        return FileHeader(str(self.shop.toolroom), self.choices.date)

    @property
    def faces(self) -> Sequence[tuple[str, str]]:
        """(palette key, "wire F03") for each face of the solid, in the kernel's order."""
        from routing.export.route_json import face_labels

        return face_labels(self.content, self.solid.source_faces)

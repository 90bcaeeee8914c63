"""What reading a file noticed, as flags: a damaged model is never routed in silence."""

from __future__ import annotations

from featurize.step.document import SolidPart, StepDocument
from routing.processes.flags import Flag, Severity


def reading_flags(document: StepDocument, solid: SolidPart) -> list[Flag]:
    """One flag for each remark that concerns the part, be it on the file or on the part itself."""
    return [Flag(n.code, Severity(n.severity), None, n.message) for n in document.noticed(solid)]

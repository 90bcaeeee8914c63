"""The features of every part of a file, with what a person and the drawing say of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from featurize.errors import Code, StepError, is_memory_short
from routing.inputs.choices import Choices, ChoicesError
from routing.jobs.job_inputs import Inputs, frozen
from routing.jobs.noticed import reading_flags
from routing.jobs.progress import Report
from routing.jobs.stages import NO_CACHE, NoCache
from routing.processes.flags import Severity

if TYPE_CHECKING:  # these load the kernel
    from featurize.brep.part import Part
    from featurize.brep.surfaces import Array
    from featurize.recognise import Recognition
    from featurize.step.document import SolidPart, StepDocument
    from routing.inputs.overrides import Find, Settled
    from routing.inputs.sheet.read import Sheet
    from routing.processes.shop import Shop


def inputs_of(document: StepDocument, choices: Choices, shop: Shop) -> Inputs:
    """The inputs of a job on a file that has been read as it is."""
    return Inputs.of(document.path.name, document.sha256, choices, shop)


def recognise_parts(
    document: StepDocument, inputs: Inputs, report: Report, *, cache: NoCache = NO_CACHE
) -> Iterator[Settled]:
    """The features of every part of a file, with a person's answers in them."""
    import numpy as np

    from featurize.brep.build import build_part
    from featurize.recognise import recognise
    from routing.inputs.overrides import settle
    from routing.inputs.sheet.apply import drawn, is_of, not_drawn

    choices, thread_colours = inputs.choices, inputs.thread_colours
    side = choices.working_direction
    sheet = _sheet(inputs, report, cache)
    for n, solid in enumerate(document.parts):
        report(f"recognising {solid.name}", 0.1 + 0.3 * n / len(document.parts))
        with blaming_damage(document, solid):
            part = cache.get_or_make(
                "building the part",
                inputs.part(n),
                partial(
                    build_part,
                    solid.solid,
                    face_names=solid.face_names,
                    source_faces=solid.source_faces,
                    source_face_count=len(solid.face_names),
                    name=solid.name,
                    count=solid.count,
                    healed=solid.healed,
                ),
            )

        def find(
            *,
            working_side: Array | None,
            threads: Mapping[str, str],
            part: Part = part,
            solid: SolidPart = solid,
            n: int = n,
        ) -> Recognition:
            look = partial(
                recognise,
                part,
                working_side=working_side,
                threads=threads,
                callouts=solid.callouts,
                colours=solid.face_colours,
                thread_colours=thread_colours,
            )
            up = None if working_side is None else tuple(working_side)
            key = inputs.part(n)
            return cache.get_or_make("recognising", (key, up, frozen(threads), frozen(thread_colours)), look)

        def decide(find: Find = find, name: str = solid.name) -> Settled:
            found = find(working_side=None if side is None else np.array(side), threads=choices.threads)
            settled = settle(found, choices, find)
            return settled if sheet is None else _with_sheet(settled, sheet, find, name)

        def _with_sheet(settled: Settled, sheet: Sheet, find: Find, name: str) -> Settled:
            if len(document.parts) > 1 and not is_of(sheet, name):
                return not_drawn(settled, sheet, len(document.parts))
            return drawn(settled, sheet, choices, find, name, document.path.stem)

        with blaming_damage(document, solid):
            yield cache.get_or_make("settling", inputs.recognition(n), decide)


def _sheet(inputs: Inputs, report: Report, cache: NoCache) -> Sheet | None:
    """What the drawing says, where one was given; raises SheetError."""
    if not inputs.choices.drawing:
        return None
    from routing.inputs.sheet.read import read_sheet

    path = Path(inputs.choices.drawing)
    report(f"reading {path.name}", 0.1)
    return cache.get_or_make("reading the drawing", inputs.drawing, partial(read_sheet, path))


@contextmanager
def blaming_damage(document: StepDocument, solid: SolidPart) -> Iterator[None]:
    """A fault on a part that was read with doubts is the file's; on a sound one it is the program's."""

    try:
        yield
    except (StepError, ChoicesError):
        raise
    except Exception as error:
        if is_memory_short(error):
            raise
        doubts = [flag for flag in reading_flags(document, solid) if flag.severity != Severity.NOTE]
        if not doubts:
            raise
        text = f"{document.path.name}: {solid.name} is too damaged to work with: {doubts[0].message}"
        raise StepError(Code.UNREADABLE, text) from error

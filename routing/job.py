"""The whole job: from a customer's STEP file to a folder of documents."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from featurize import isolate
from featurize.feature import Kind
from routing.choices import Choices, ChoicesError, is_feature_id
from routing.documents import route_json, table
from routing.documents.result import JobResult, PartResult
from routing.documents.staging import staged_folder

if TYPE_CHECKING:  # both load the kernel
    from featurize.recognise import Recognition
    from featurize.step.document import SolidPart, StepDocument
    from routing.shop import Shop

Report = Callable[[str, float], None]

ROUTE, TABLE, MODEL = "route.json", "route.csv", "processes.step"
STOCK_STEP, STOCK_STL = "ground_stock.step", "ground_stock.stl"
FILES = (ROUTE, TABLE, MODEL, STOCK_STEP, STOCK_STL)


def run_job(
    model: Path,
    out_dir: Path,
    choices: Choices,
    shop: Shop,
    report: Report = lambda text, share: None,
    *,
    time_limit_s: float | None = None,
) -> JobResult:
    """Reads, recognises, routes, grinds and writes; ``out_dir`` appears complete or not at all.

    With a time limit the kernel works in a child process. ``report`` gets what is being done and the
    share done (0 to 1). Raises StepError, ChoicesError or OutputError, each one line.
    """
    with staged_folder(out_dir, FILES) as folder:
        if time_limit_s is None:
            return _work(model, folder, choices, shop, report)
        relay = _Relay(report)
        return isolate.run_isolated(
            _work_in_child, model, folder, choices, shop, time_limit_s=time_limit_s, progress=relay
        )


class _Relay:
    """Brings a child's messages to a report; the reader's are text alone and keep the share."""

    def __init__(self, report: Report) -> None:
        self._report, self._share = report, 0.0

    def __call__(self, message: object) -> None:
        text, self._share = message if isinstance(message, tuple) else (str(message), self._share)
        self._report(text, self._share)


def _work_in_child(model: Path, folder: Path, choices: Choices, shop: Shop) -> JobResult:
    return _work(model, folder, choices, shop, lambda text, share: isolate.report((text, share)))


def _work(model: Path, folder: Path, choices: Choices, shop: Shop, report: Report) -> JobResult:
    from featurize.step.read import read_step

    report(f"reading {model.name}", 0.0)
    document = read_step(model, isolate=False)
    recognitions = list(recognise_parts(document, choices, report))
    _check_targets(choices, recognitions)
    results = []
    for n, (solid, recognition, name) in enumerate(
        zip(document.parts, recognitions, folder_names([p.name for p in document.parts]), strict=True)
    ):
        place = folder / name
        place.mkdir(exist_ok=True)
        progress = _span(report, 0.4 + 0.6 * n / len(recognitions), 0.6 / len(recognitions))
        results.append(
            PartResult(
                name, solid.count, _one_part(document, solid, recognition, place, choices, shop, progress)
            )
        )
    return JobResult(tuple(results), tuple(document.notes))


def recognise_parts(document: StepDocument, choices: Choices, report: Report) -> Iterator[Recognition]:
    """The features of every part of a file."""
    import numpy as np

    from featurize.brep.build import build_part
    from featurize.recognise import recognise

    side = choices.working_direction
    for n, solid in enumerate(document.parts):
        report(f"recognising {solid.name}", 0.1 + 0.3 * n / len(document.parts))
        part = build_part(
            solid.solid,
            face_names=solid.face_names,
            source_faces=solid.source_faces,
            source_face_count=len(solid.face_names),
            name=solid.name,
            count=solid.count,
            healed=solid.healed,
        )
        yield recognise(part, working_side=None if side is None else np.array(side), threads=choices.threads)


def _one_part(
    document: StepDocument,
    solid: SolidPart,
    recognition: Recognition,
    folder: Path,
    choices: Choices,
    shop: Shop,
    report: Report,
) -> dict[str, Any]:
    from routing.documents.model import write_model
    from routing.route import make_route
    from routing.stock.ground import ground_stock

    report(f"routing {solid.name}", 0.0)
    route = make_route(recognition, shop, choices)
    report(f"grinding the stock of {solid.name}", 0.4)
    stock = ground_stock(recognition, route, choices)
    report(f"writing {solid.name}", 0.8)
    content = route_json.build(document, solid, recognition, route, stock, choices)
    (folder / ROUTE).write_text(route_json.text(content), encoding="utf-8")
    (folder / TABLE).write_text(table.text(content), encoding="utf-8", newline="")
    write_model(solid.solid, route_json.face_labels(content, solid.source_faces), solid.name, folder / MODEL)
    stock.write(folder / STOCK_STEP, folder / STOCK_STL)
    return content


def folder_names(parts: Sequence[str]) -> list[str]:
    """A folder for each part: "." for a single one, else its number and what of its name is safe."""
    if len(parts) == 1:
        return ["."]
    width = len(str(len(parts)))
    return [
        f"{n:0{width}}-{re.sub(r'[^A-Za-z0-9._-]+', '_', name).strip('._') or 'part'}"[:80]
        for n, name in enumerate(parts, 1)
    ]


def _span(report: Report, start: float, width: float) -> Report:
    return lambda text, share: report(text, start + width * share)


def _check_targets(choices: Choices, recognitions: Sequence[Recognition]) -> None:
    """A choice for a feature that no part has is a mistake, not a wish to pass over."""
    features = [feature for recognition in recognitions for feature in recognition.features]
    for name, offered in (
        ("processes", {f.id for f in features}),
        ("threads", {f.id for f in features if f.kind in (Kind.HOLE, Kind.THREADED_HOLE)}),
    ):
        for key in getattr(choices, name):
            if is_feature_id(key) and key not in offered:
                raise ChoicesError(
                    f"{name}: no part has {key} to settle: {', '.join(sorted(offered)) or 'none'}."
                )

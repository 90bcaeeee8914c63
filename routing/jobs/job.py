"""The whole job: from a customer's STEP file to a folder of documents."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from copy import deepcopy
from dataclasses import asdict
from functools import partial
from itertools import chain
from pathlib import Path
from tempfile import TemporaryDirectory
from types import ModuleType
from typing import TYPE_CHECKING, Any

from featurize import isolate
from featurize.step.read import Skip, read_step, reading_less
from routing.export import route_json
from routing.export.exporters import all_exporters, all_files, is_paper, setups
from routing.export.work import Work
from routing.inputs.choices import Choices, ChoicesError, is_edge_id, is_feature_id
from routing.jobs.dry_running import is_wanted, machined_on_paper
from routing.jobs.exporting import clear, export
from routing.jobs.extent import WHOLE, Extent
from routing.jobs.job_inputs import Inputs
from routing.jobs.noticed import reading_flags
from routing.jobs.progress import Report, span
from routing.jobs.recognising import blaming_damage, inputs_of, recognise_parts
from routing.jobs.result import JobResult, PartResult
from routing.jobs.stages import NO_CACHE, NoCache
from routing.jobs.staging import staged_folder
from routing.processes.flags import Flag, Severity
from routing.stock import stock_names as stock_files

if TYPE_CHECKING:  # these load the kernel
    from featurize.brep.part import Part
    from featurize.recognise import Recognition
    from featurize.step.document import StepDocument
    from routing.inputs.overrides import Settled
    from routing.plan.plan import Plan
    from routing.processes.blank import Blank
    from routing.processes.protocol import Task
    from routing.processes.shop import Shop
    from routing.stock.ground import GroundStock

Answered = Callable[[PartResult], None]

STOCK_STEP = f"{stock_files.GROUND_STEM}.step"


def run_job(
    model: Path,
    out_dir: Path,
    choices: Choices,
    shop: Shop,
    report: Report = lambda text, share: None,
    *,
    time_limit_s: float | None = None,
    keep: Callable[[Path, JobResult], None] | None = None,
    answered: Answered = lambda part: None,
    extent: Extent = WHOLE,
) -> JobResult:
    """Reads, recognises, routes, grinds and writes; ``out_dir`` appears complete or not at all.

    With a time limit the kernel works in a child process; where it crashes, another reads less of the
    file (see ``Skip``) and a note says so. ``report`` gets what is being done and the
    share done (0 to 1). ``answered`` gets the plan of each part before any paper is made of it, ``keep`` the
    folder while it is this job's alone.
    Raises StepError, ChoicesError or OutputError, each one line.
    """
    with staged_folder(out_dir, all_files()) as folder:

        def attempt(skip: Skip, left_s: float) -> JobResult:
            clear(folder)
            args = (model, folder, choices, shop, extent, skip)
            progress = Relay(report, answered)
            return isolate.run_isolated(_work_in_child, *args, time_limit_s=left_s, progress=progress)

        if time_limit_s is None:
            result = _work(model, folder, choices, shop, report, answered, extent)
        else:
            result = reading_less(attempt, time_limit_s)
        if keep is not None:
            keep(folder, result)
        return result


def list_features(
    model: Path,
    choices: Choices,
    shop: Shop,
    report: Report = lambda text, share: None,
    *,
    time_limit_s: float,
) -> list[dict[str, Any]]:
    """What is recognised in each part of a file, as plain data; nothing is routed or written."""

    def attempt(skip: Skip, left_s: float) -> list[dict[str, Any]]:
        args = (model, choices, shop, skip)
        return isolate.run_isolated(_features_in_child, *args, time_limit_s=left_s, progress=Relay(report))

    return reading_less(attempt, time_limit_s)


def _features_in_child(model: Path, choices: Choices, shop: Shop, skip: Skip) -> list[dict[str, Any]]:
    document = read_step(model, isolate=False, skip=skip)
    inputs = inputs_of(document, choices, shop)
    settled = list(recognise_parts(document, inputs, to_parent))
    recognitions = [s.recognition for s in settled]
    flags = [reading_flags(document, solid) for solid in document.parts]
    if any(flag.severity == Severity.BLOCKING for flag in chain(*flags)):
        # What is too damaged to be routed is not listed either: the list would pass for a good file's.
        with TemporaryDirectory() as folder:
            route_document(document, Path(folder), inputs, to_parent)
    return [
        {
            "name": solid.name,
            "count": solid.count,
            "box_mm": [round(float(s), 4) for s in r.part.high - r.part.low],
            "volume_mm3": round(r.part.volume_mm3, 4),
            "features": [route_json.geometry(f, r.part, solid.face_names) for f in r.features],
            "flags": [asdict(flag) for flag in (*noticed, *(s.flags if s.sheet else ()))],
        }
        for solid, s, r, noticed in zip(document.parts, settled, recognitions, flags, strict=True)
    ]


def to_parent(text: str, share: float) -> None:
    isolate.report((text, share))


class Relay:
    """Brings a child's messages to a report; the reader's are text alone and keep the share."""

    def __init__(self, report: Report, answered: Answered = lambda part: None) -> None:
        self._report, self._answered, self._share = report, answered, 0.0

    def __call__(self, message: object) -> None:
        if isinstance(message, PartResult):
            self._answered(message)
            return
        text, self._share = message if isinstance(message, tuple) else (str(message), self._share)
        self._report(text, self._share)


def _work_in_child(
    model: Path, folder: Path, choices: Choices, shop: Shop, extent: Extent, skip: Skip
) -> JobResult:
    return _work(model, folder, choices, shop, to_parent, isolate.report, extent, skip)


def _work(
    model: Path,
    folder: Path,
    choices: Choices,
    shop: Shop,
    report: Report,
    answered: Answered,
    extent: Extent,
    skip: Skip = Skip.NOTHING,
) -> JobResult:
    report(f"reading {model.name}", 0.0)
    document = read_step(model, isolate=False, skip=skip)
    inputs = inputs_of(document, choices, shop)
    return route_document(document, folder, inputs, report, answered=answered, extent=extent)


def route_document(
    document: StepDocument,
    folder: Path,
    inputs: Inputs,
    report: Report,
    *,
    cache: NoCache = NO_CACHE,
    answered: Answered = lambda part: None,
    extent: Extent = WHOLE,
) -> JobResult:
    """Every part of a file that is read, handed over in ``folder``; ``answered`` gets each plan before.

    ``cache`` may hold what earlier jobs worked out of the same inputs, or of some of them.
    """
    from routing.inputs.overrides import unmatched

    choices = inputs.choices
    settled = list(recognise_parts(document, inputs, report, cache=cache))
    recognitions = [s.recognition for s in settled]
    not_found = unmatched(choices.settle, settled)
    _check_targets(choices, recognitions)
    exporters = [e for e in all_exporters() if extent.papers or not is_paper(e)]
    results = []
    for n, (solid, name) in enumerate(
        zip(document.parts, folder_names([p.name for p in document.parts]), strict=True)
    ):
        place = folder / name
        place.mkdir(exist_ok=True)
        progress = span(report, 0.4 + 0.6 * n / len(recognitions), 0.6 / len(recognitions))
        flags = [*reading_flags(document, solid), *(not_found if n == 0 else [])]
        with blaming_damage(document, solid):
            tell = partial(_tell, answered, name, solid.count)
            content = _one_part(
                document,
                n,
                settled[n],
                place,
                inputs,
                flags,
                progress,
                cache,
                exporters,
                tell,
                extent,
            )
        results.append(PartResult(name, solid.count, content))
    noticed = [note.message for solid in document.parts for note in document.noticed(solid)]
    return JobResult(tuple(results), tuple(dict.fromkeys(noticed)))


def _one_part(
    document: StepDocument,
    n: int,
    settled: Settled,
    folder: Path,
    inputs: Inputs,
    more_flags: Sequence[Flag],
    report: Report,
    cache: NoCache,
    exporters: Sequence[ModuleType],
    tell: Callable[[dict[str, Any]], None],
    extent: Extent,
) -> dict[str, Any]:
    from routing.plan.noted_edges import with_edges
    from routing.stock.proof import prove

    solid, recognition, shop = document.parts[n], settled.recognition, inputs.shop
    part = recognition.part
    choices = settled.added_to(inputs.choices)
    inputs = inputs.with_choices(choices)
    report(f"routing {solid.name}", 0.0)
    plan = decide_plan(settled, inputs, n, cache=cache)
    report(f"grinding the stock of {solid.name}", 0.3)
    ground = ground_tasks(plan)
    grinder = plan.job.squarer.name
    # Nobody asks why a hole is not ground; what it is drilled for must not touch the stock.
    refused = {
        r.feature.id: v.reason
        for r in plan.features
        for v in r.verdicts
        if v.process == grinder and not (v.workable or r.feature.bores or ground)
    }
    key = inputs.stock(n), repr(part.frame), repr(ground), repr(refused)
    assert plan.job.blanks is not None
    blank = plan.job.blanks.squared
    make = partial(_stock, part, blank, ground, refused, shop)
    stock, flags = cache.get_or_make("grinding the stock", key, make)
    flags = [*more_flags, *settled.flags, *flags]
    said = settled.sheet
    if said is not None:
        said, of_edges = with_edges(said, plan.edges)
        flags += of_edges
    report(f"proving the stock of {solid.name}", 0.4)
    proof = cache.get_or_make("proving the stock", key, partial(prove, part, stock))
    flags += [Flag("stock-not-proven", Severity.BLOCKING, None, fault) for fault in proof.faults]
    content = route_json.build(document, solid, recognition, plan, (stock, proof, STOCK_STEP), flags, choices)
    work = Work(document, solid, recognition, plan, stock, proof, shop, choices, content, said)
    tell(content | setups.planned(work))
    if extent.cheaper:
        from routing.jobs.cheaper import Budget, find_hints

        budget = Budget().for_each(len(document.parts))
        content["cheaper"] = route_json.plain(find_hints(plan, inputs, budget, span(report, 0.4, 0.1)))
    checks = extent.papers and extent.dry_run and is_wanted()
    checked = partial(machined_on_paper, folder, solid)
    export(exporters, work, folder, key, span(report, 0.5, 0.5), cache, checked if checks else None)
    return content


def _tell(answered: Answered, name: str, count: int, content: dict[str, Any]) -> None:
    answered(PartResult(name, count, deepcopy(content)))  # the route file grows, what was told must not


def decide_plan(settled: Settled, inputs: Inputs, n: int, *, cache: NoCache = NO_CACHE) -> Plan:
    """The plan of the n-th part; the choices of ``inputs`` with what was settled for single features."""
    from routing.plan.make import judged, planned
    from routing.stock.blank import BlankError

    choices, shop = inputs.choices, inputs.shop
    try:
        answers = cache.get_or_make(
            "routing", inputs.routing(n), partial(judged, settled.recognition, shop, choices)
        )
    except BlankError as error:
        raise ChoicesError(f"blank cannot be used: {error}.") from error
    return cache.get_or_make("ordering", inputs.ordering(n), partial(planned, answers, choices.edges))


def ground_tasks(plan: Plan) -> list[Task]:
    """What a wheel is routed to."""
    from routing.processes.protocol import Stage

    return [p.task for step in plan.steps if step.stage == Stage.GRIND for p in step.passes]


def _stock(
    part: Part,
    blank: Blank,
    ground: Sequence[Task],
    refused: Mapping[str, str],
    shop: Shop,
) -> tuple[GroundStock, list[Flag]]:
    """The ground stock, or the bare blank and a flag where the kernel fails on it."""
    from featurize.brep.solids import KernelError
    from routing.processes.surface_grind.shop import GrindShop
    from routing.stock.ground import GroundStock, ground_stock

    try:
        stock = ground_stock(part, ground, blank, shop[GrindShop].wheels, not_ground=refused)
    except KernelError as error:
        message = f"no ground stock could be made, the file holds the blank: {error}"
        bare = GroundStock(blank.solid, blank, (), (), (), message)
        return bare, [Flag("stock-failed", Severity.BLOCKING, None, message)]
    return stock, [
        Flag("not-in-stock", Severity.WARNING, feature, f"not ground in the stock file: {reason}")
        for feature, reason in stock.left_out
    ]


def folder_names(parts: Sequence[str]) -> list[str]:
    """A folder for each part: "." for a single one, else its number and what of its name is safe."""
    if len(parts) == 1:
        return ["."]
    width = len(str(len(parts)))
    return [
        f"{n:0{width}}-{re.sub(r'[^A-Za-z0-9._-]+', '_', name).strip('._') or 'part'}"[:80].rstrip(".")
        for n, name in enumerate(parts, 1)
    ]


def _convex(recognitions: Sequence[Recognition]) -> set[str]:
    from featurize.brep.part import Convexity

    edges = (edge for r in recognitions for edge in r.part.edges)
    return {f"E{edge.id}" for edge in edges if edge.convexity == Convexity.CONVEX}


def _check_targets(choices: Choices, recognitions: Sequence[Recognition]) -> None:
    """A choice for a feature that no part has is a mistake, not a wish to pass over."""
    features = [feature for recognition in recognitions for feature in recognition.features]
    for name, offered in (
        ("processes", {f.id for f in features}),
        ("allowances", {f.id for f in features}),
        ("threads", {f.id for f in features if f.kind.traits.hole}),
        ("edges", {f.id for f in features} | _convex(recognitions)),
    ):
        for key in getattr(choices, name):
            if (is_feature_id(key) or is_edge_id(key)) and key not in offered:
                raise ChoicesError(f"{name}: no part has {key}: write one of {_listed(offered)}.")


def _listed(names: set[str], most: int = 60) -> str:
    shown = sorted(names, key=lambda name: (name[0] != "F", len(name), name))
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(shown[:most]) + more if shown else "none"

"""The whole job: from a customer's STEP file to a folder of documents."""

from __future__ import annotations

import re
import traceback
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from copy import deepcopy
from dataclasses import asdict
from fnmatch import fnmatch
from functools import partial
from itertools import chain
from pathlib import Path
from tempfile import TemporaryDirectory
from types import ModuleType
from typing import TYPE_CHECKING, Any

from featurize import isolate
from featurize.errors import Code, StepError, is_memory_short
from featurize.step.read import Skip, read_step, reading_less
from routing.export import route_json
from routing.export.exporters import all_exporters, all_files, merge, route_file
from routing.export.work import Work
from routing.inputs.choices import Choices, ChoicesError, is_edge_id, is_feature_id
from routing.jobs.job_inputs import Inputs, frozen
from routing.jobs.noticed import reading_flags
from routing.jobs.result import JobResult, PartResult
from routing.jobs.stages import NoCache
from routing.jobs.staging import staged_folder
from routing.processes.flags import Flag, Severity
from routing.stock import stock_names as stock_files

if TYPE_CHECKING:  # these load the kernel
    from featurize.brep.part import Part
    from featurize.brep.surfaces import Array
    from featurize.recognise import Recognition
    from featurize.step.document import SolidPart, StepDocument
    from routing.inputs.overrides import Find, Settled
    from routing.plan.plan import Plan
    from routing.processes.blank import Blank
    from routing.processes.protocol import Task
    from routing.processes.shop import Shop
    from routing.stock.ground import GroundStock

Report = Callable[[str, float], None]

NO_CACHE = NoCache()
# Half of a job's usual limit: a hand-over that takes longer is lost, the rest is not.
_APART_LIMIT_S = 300.0
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
) -> JobResult:
    """Reads, recognises, routes, grinds and writes; ``out_dir`` appears complete or not at all.

    With a time limit the kernel works in a child process; where it crashes, another reads less of the
    file (see ``Skip``) and a note says so. ``report`` gets what is being done and the
    share done (0 to 1). ``keep`` gets the folder while it is this job's alone.
    Raises StepError, ChoicesError or OutputError, each one line.
    """
    with staged_folder(out_dir, all_files()) as folder:

        def attempt(skip: Skip, left_s: float) -> JobResult:
            _clear(folder)
            args = (model, folder, choices, shop, skip)
            return isolate.run_isolated(_work_in_child, *args, time_limit_s=left_s, progress=Relay(report))

        if time_limit_s is None:
            result = _work(model, folder, choices, shop, report)
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


def _clear(folder: Path, names: Sequence[str] = ("*",)) -> None:
    """What a crashed child may have left."""
    for left in _files(folder):
        if any(fnmatch(left.name, name) for name in names):
            left.unlink()


def _files(folder: Path) -> list[Path]:
    return [p for p in folder.rglob("*") if p.is_file()]


def _features_in_child(model: Path, choices: Choices, shop: Shop, skip: Skip) -> list[dict[str, Any]]:
    document = read_step(model, isolate=False, skip=skip)
    inputs = inputs_of(document, choices, shop)
    recognitions = [s.recognition for s in recognise_parts(document, inputs, to_parent)]
    flags = [reading_flags(document, solid) for solid in document.parts]
    if any(flag.severity == Severity.BLOCKING for flag in chain(*flags)):
        # What is too damaged to be routed is not listed either: the list would pass for a good file's.
        with TemporaryDirectory() as folder:
            route_document(document, Path(folder), inputs, to_parent)
    return [
        {
            "name": solid.name,
            "count": solid.count,
            "features": [route_json.geometry(f, r.part, solid.face_names) for f in r.features],
            "flags": [asdict(flag) for flag in noticed],
        }
        for solid, r, noticed in zip(document.parts, recognitions, flags, strict=True)
    ]


def to_parent(text: str, share: float) -> None:
    isolate.report((text, share))


class Relay:
    """Brings a child's messages to a report; the reader's are text alone and keep the share."""

    def __init__(self, report: Report) -> None:
        self._report, self._share = report, 0.0

    def __call__(self, message: object) -> None:
        text, self._share = message if isinstance(message, tuple) else (str(message), self._share)
        self._report(text, self._share)


def _work_in_child(model: Path, folder: Path, choices: Choices, shop: Shop, skip: Skip) -> JobResult:
    return _work(model, folder, choices, shop, to_parent, skip)


def _work(
    model: Path, folder: Path, choices: Choices, shop: Shop, report: Report, skip: Skip = Skip.NOTHING
) -> JobResult:
    report(f"reading {model.name}", 0.0)
    document = read_step(model, isolate=False, skip=skip)
    return route_document(document, folder, inputs_of(document, choices, shop), report)


def inputs_of(document: StepDocument, choices: Choices, shop: Shop) -> Inputs:
    """The inputs of a job on a file that has been read as it is."""
    return Inputs.of(document.path.name, document.sha256, choices, shop)


def route_document(
    document: StepDocument, folder: Path, inputs: Inputs, report: Report, *, cache: NoCache = NO_CACHE
) -> JobResult:
    """Every part of a file that is read, handed over in ``folder``.

    ``cache`` may hold what earlier jobs worked out of the same inputs, or of some of them.
    """
    from routing.inputs.overrides import unmatched

    choices = inputs.choices
    settled = list(recognise_parts(document, inputs, report, cache=cache))
    recognitions = [s.recognition for s in settled]
    not_found = unmatched(choices.settle, settled)
    _check_targets(choices, recognitions)
    results = []
    for n, (solid, name) in enumerate(
        zip(document.parts, folder_names([p.name for p in document.parts]), strict=True)
    ):
        place = folder / name
        place.mkdir(exist_ok=True)
        progress = span(report, 0.4 + 0.6 * n / len(recognitions), 0.6 / len(recognitions))
        flags = [*reading_flags(document, solid), *(not_found if n == 0 else [])]
        with _blaming_damage(document, solid):
            content = _one_part(document, n, settled[n], place, inputs, flags, progress, cache)
        results.append(PartResult(name, solid.count, content))
    noticed = [note.message for solid in document.parts for note in document.noticed(solid)]
    return JobResult(tuple(results), tuple(dict.fromkeys(noticed)))


def recognise_parts(
    document: StepDocument, inputs: Inputs, report: Report, *, cache: NoCache = NO_CACHE
) -> Iterator[Settled]:
    """The features of every part of a file, with a person's answers in them."""
    import numpy as np

    from featurize.brep.build import build_part
    from featurize.recognise import recognise
    from routing.inputs.overrides import settle

    choices, thread_colours = inputs.choices, inputs.thread_colours
    side = choices.working_direction
    for n, solid in enumerate(document.parts):
        report(f"recognising {solid.name}", 0.1 + 0.3 * n / len(document.parts))
        with _blaming_damage(document, solid):
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

        def decide(find: Find = find) -> Settled:
            found = find(working_side=None if side is None else np.array(side), threads=choices.threads)
            return settle(found, choices, find)

        with _blaming_damage(document, solid):
            yield cache.get_or_make("settling", inputs.recognition(n), decide)


@contextmanager
def _blaming_damage(document: StepDocument, solid: SolidPart) -> Iterator[None]:
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
        said = f"{document.path.name}: {solid.name} is too damaged to work with: {doubts[0].message}"
        raise StepError(Code.UNREADABLE, said) from error


def _one_part(
    document: StepDocument,
    n: int,
    settled: Settled,
    folder: Path,
    inputs: Inputs,
    more_flags: Sequence[Flag],
    report: Report,
    cache: NoCache,
) -> dict[str, Any]:
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
    report(f"proving the stock of {solid.name}", 0.4)
    proof = cache.get_or_make("proving the stock", key, partial(prove, part, stock))
    flags += [Flag("stock-not-proven", Severity.BLOCKING, None, fault) for fault in proof.faults]
    content = route_json.build(document, solid, recognition, plan, (stock, proof, STOCK_STEP), flags, choices)
    work = Work(document, solid, recognition, plan, stock, proof, shop, choices, content)
    lost = []
    for n, module in enumerate(handovers := all_exporters()):
        what = module.__name__.rpartition(".")[2].replace("_", " ")
        report(f"writing the {what} of {solid.name}", 0.5 + 0.5 * n / len(handovers))
        try:
            merge(content, _handed_over(module, f"writing the {what}", work, folder, cache, key))
        except (_LostError, StepError) as error:
            if module is route_file:
                raise
            _clear(folder, module.FILES)
            lost.append(f"the {what} could not be written, the rest is: {error}")
    if lost:  # what came after the route file could not tell it in time
        flags = [Flag("not-written", Severity.BLOCKING, None, message) for message in lost]
        merge(content, {"flags": [asdict(flag) for flag in flags]})
        route_file.write(work, folder)
    return content


class _LostError(Exception):
    """A fault of the program in a hand-over, in one line with its place; the others need not suffer."""


def _written(module: ModuleType, work: Work, folder: Path) -> dict[str, Any]:
    try:
        content: dict[str, Any] = module.write(work, folder)
    except (StepError, ChoicesError, OSError):
        raise
    except Exception as error:
        *_, last = traceback.extract_tb(error.__traceback__)
        place = f"{Path(last.filename).name}, line {last.lineno}"
        raise _LostError(f"{type(error).__name__}: {' '.join(str(error).split())} ({place})") from error
    return content


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


def _handed_over(
    module: ModuleType, stage: str, work: Work, folder: Path, cache: NoCache, key: Hashable
) -> dict[str, Any]:
    """What a hand-over adds to the route file, its files written; kept where it tells what it depends on."""
    depends = getattr(module, "depends", None)

    def make() -> tuple[dict[str, Any], dict[str, bytes]]:
        added = isolate.run_apart(partial(_written, module, work, folder), time_limit_s=_APART_LIMIT_S)
        if not depends or not cache.keeps:
            return added, {}
        made = [p for p in _files(folder) if any(fnmatch(p.name, name) for name in module.FILES)]
        return added, {p.relative_to(folder).as_posix(): p.read_bytes() for p in made}

    if depends is None:
        return cache.time(stage, make)[0]
    added, files = cache.get_or_make(stage, (key, depends(work)), make)
    for name, content in files.items():
        if not (folder / name).exists():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_bytes(content)
    return deepcopy(added)  # the route file grows, what is kept must not


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


def span(report: Report, start: float, width: float) -> Report:
    return lambda text, share: report(text, start + width * share)


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

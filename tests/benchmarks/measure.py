"""What one file costs, stage by stage, in a child process of its own."""

from __future__ import annotations

import multiprocessing
import resource
import statistics
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, TypeVar, cast

from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs.job import route_document
from routing.jobs.recognising import inputs_of
from routing.jobs.stages import NoCache

T = TypeVar("T")

BARE, READ, OTHER = "bare read", "our read", "other"
STAGES = (READ, "build", "recognition", "routing", "stock", "proof", "documents", OTHER)
_STAGE_OF = {
    "building the part": "build",
    "recognising": "recognition",
    "settling": "recognition",
    "routing": "routing",
    "ordering": "routing",
    "grinding the stock": "stock",
    "proving the stock": "proof",
}
_WRITING = "writing the "
# A quick file is done again until so much time has passed, and at most so often.
_ENOUGH_S, _RUNS = 1.5, 5


@dataclass
class Figures:
    """Seconds of processor time, so that a busy machine disturbs little; medians of ``runs``.

    ``stages`` are those of ``STAGES`` that were reached, ``steps`` the same by the job's own steps.
    ``peak_mb`` is of the child, ``rest_mb`` what it held before. ``stopped`` is the step that was going on
    at the time limit, ``failed`` what an error said.
    """

    faces: int = 0
    bare_s: float = 0.0
    stages: dict[str, float] = field(default_factory=dict)
    steps: dict[str, float] = field(default_factory=dict)
    peak_mb: float = 0.0
    rest_mb: float = 0.0
    runs: int = 0
    stopped: str = ""
    failed: str = ""

    def ratio(self, *stages: str) -> float | None:
        """Stages together over the bare read; None where one was not reached."""
        if not self.bare_s or any(s not in self.stages for s in stages):
            return None
        return sum(self.stages[s] for s in stages) / self.bare_s

    @property
    def whole_s(self) -> float:
        return sum(self.stages.values())


class Undocumented(NoCache):
    """A job that stops short of its hand-overs: they say and leave nothing."""

    def time(self, step: str, make: Callable[[], T]) -> T:
        return cast("T", ({}, {})) if step.startswith(_WRITING) else super().time(step, make)


class _Stopwatch(Undocumented):
    """The processor's seconds of each step, those of steps within it taken off."""

    def __init__(self, tell: Callable[[str, float | None], None], *, documents: bool) -> None:
        self._tell, self._documents = tell, documents
        self._inner = [0.0]

    def time(self, step: str, make: Callable[[], T]) -> T:
        if step.startswith(_WRITING) and not self._documents:
            return super().time(step, make)
        self._tell(step, None)
        self._inner.append(0.0)
        start = time.process_time()
        made = make()
        taken = time.process_time() - start
        self._tell(step, taken - self._inner.pop())
        self._inner[-1] += taken
        return made


def bare_read(path: Path) -> Any:
    """The kernel's own reader and transfer, nothing else."""
    from OCP.STEPControl import STEPControl_Reader

    reader = STEPControl_Reader()
    reader.ReadFile(str(path))
    reader.TransferRoots()
    return reader.OneShape()


def timed(work: Callable[[], object]) -> float:
    """Seconds by the clock."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def measured(path: Path, limit_s: float, *, documents: bool = True) -> Figures:
    """The figures of a file; what was reached of them where the time limit stopped it."""
    context = multiprocessing.get_context("fork")  # the libraries are loaded and warm
    receiver, sender = context.Pipe(duplex=False)
    child = context.Process(target=_measure, args=(sender, path, documents))
    child.start()
    sender.close()
    deadline = time.monotonic() + limit_s
    runs: list[dict[str, float]] = []
    found, going_on = Figures(), ""
    try:
        while True:
            if not receiver.poll(max(0.0, deadline - time.monotonic())):
                found.stopped = going_on
                break
            tag, value = receiver.recv()
            if tag == "run":
                runs.append({})
            elif tag == "step":
                going_on, seconds = value
                if seconds is not None:
                    runs[-1][going_on] = runs[-1].get(going_on, 0.0) + seconds
            else:
                setattr(found, tag, value)
    except EOFError:  # it is done, or has crashed
        child.join()
        if child.exitcode and not found.failed:
            found.failed = f"exit status {child.exitcode} in {going_on}"
    finally:
        child.kill()
        child.join()
        receiver.close()
    whole = runs[:-1] if found.stopped and len(runs) > 1 else runs
    found.steps = _medians(whole)
    found.bare_s = found.steps.pop(BARE, 0.0)
    found.stages = staged(found.steps)
    if (found.stopped or found.failed) and not whole[1:]:
        found.stages.pop(stage_of(going_on), None)  # a stage half done is none
    found.runs = len(whole)
    return found


def _medians(runs: list[dict[str, float]]) -> dict[str, float]:
    names = dict.fromkeys(name for run in runs for name in run)
    return {name: statistics.median([run[name] for run in runs if name in run]) for name in names}


def stage_of(step: str) -> str:
    stage = "documents" if step.startswith(_WRITING) else _STAGE_OF.get(step, step)
    return stage if stage in STAGES else OTHER


def staged(steps: dict[str, float]) -> dict[str, float]:
    """Seconds by stage; every hand-over is a document, and a step that this does not know is "other"."""
    found: dict[str, float] = defaultdict(float)
    for step, seconds in steps.items():
        found[stage_of(step)] += seconds
    return {stage: found[stage] for stage in STAGES if stage in found}


def _measure(tell: Connection, path: Path, documents: bool) -> None:
    try:
        tell.send(("rest_mb", _peak_mb()))
        start = time.monotonic()
        for _ in range(_RUNS):
            tell.send(("run", None))
            _once(tell, path, documents)
            if time.monotonic() - start > _ENOUGH_S:
                break
    except Exception as error:
        tell.send(("failed", f"{type(error).__name__}: {error}"))


def _once(tell: Connection, path: Path, documents: bool) -> None:
    from featurize.brep.shapes import FACE, each
    from featurize.step.read import read_step

    def say(step: str, seconds: float | None) -> None:
        tell.send(("step", (step, seconds)))
        tell.send(("peak_mb", _peak_mb()))

    watch = _Stopwatch(say, documents=documents)
    watch.time(BARE, lambda: bare_read(path))
    document = watch.time(READ, lambda: read_step(path, isolate=False))
    tell.send(("faces", sum(len(each(p.solid, FACE)) for p in document.parts)))
    with tempfile.TemporaryDirectory() as folder:

        def job() -> object:
            inputs = inputs_of(document, Choices(), load_shop())
            return route_document(document, Path(folder), inputs, _silent, cache=watch)

        watch.time(OTHER, job)


def _silent(_text: str, _share: float) -> None:
    pass


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

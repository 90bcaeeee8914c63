"""The steps of a plan: tasks of all features, those of one stage, process and side together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from featurize.feature import Feature, Kind, Role
from routing.plan.care import Care
from routing.plan.choice import RoutedFeature, RoutedRegion
from routing.processes.context import JobContext
from routing.processes.finish import demands
from routing.processes.protocol import Approach, Process, Stage, Task, feature_of
from routing.processes.rooms import signs
from routing.processes.tools import HandTool

BENCH = "bench"


@dataclass(frozen=True, eq=False)
class Step:
    """``tasks`` are of one stage, process and side."""

    stage: Stage
    process: str
    approach: Approach
    tasks: tuple[Task, ...]
    notes: tuple[str, ...] = ()

    @property
    def side(self) -> str:
        return self.approach.side

    @property
    def features(self) -> tuple[str, ...]:
        """Ids of the features, each once."""
        return tuple(dict.fromkeys(feature_of(t.feature.id) for t in self.tasks))

    @property
    def setup(self) -> tuple[str, str]:
        return self.process, self.side


def steps_of(job: JobContext, routed: Sequence[RoutedFeature], broken: Sequence[Feature]) -> list[Step]:
    """All steps of a part. ``broken`` are features with edges to break."""
    squarer = job.squarer
    blank = [r.feature for r in routed if r.feature.kind == Kind.OUTSIDE_FACE]
    tasks = list(squarer.squaring(job, blank))
    regions = [r for feature in routed for r in feature.regions]
    care = Care.of(job, regions)
    for region in regions:
        tasks += _fine(job, region, squarer)
        if region.verdict is None:
            continue
        own = tasks_of(job, region)
        if notes := care.notes(job, region):
            if care.is_crossed(region):
                tasks.append(own[0].but(stage=Stage.OPEN, notes=notes))
            else:
                own = [t.but(notes=(*t.notes, *notes)) for t in own]
        tasks += own
    if broken:
        down = job.approach(-job.thickness)
        note = "mounting side only; the working side stays sharp"
        edge = HandTool("stone or file")
        tasks += [Task(Stage.EDGES, BENCH, down, f, tool=edge, notes=(note,)) for f in broken]
    return _merged(tasks)


def tasks_of(job: JobContext, region: RoutedRegion) -> list[Task]:
    """The tasks of one region alone, without what its callouts ask beyond them."""
    own, ahead = region.verdict, region.ahead
    assert own is not None
    made = list(job.processes[own.process].tasks(job, region.piece, own))
    made += _finishing(job, region, made)
    if ahead is None or ahead.rest is None:
        return made
    note = f"{region.piece.id} only {ahead.rest.words} by the {ahead.process} before"
    bulk = job.processes[ahead.process].tasks(job, region.piece, ahead)
    left = ahead.rest.volume_mm3
    return [*bulk, *(t.but(notes=(*t.notes, note), volume_mm3=left, ahead=ahead) for t in made)]


def _finishing(job: JobContext, region: RoutedRegion, made: Sequence[Task]) -> Iterator[Task]:
    """Who takes the allowance that a process leaves on floors: another that can, else itself again."""
    own = region.verdict
    assert own is not None
    left = job.processes[own.process].leaves(job, made[-1]).floor_mm
    if left <= 0 or not region.piece.faces_with(Role.FLOOR):
        return
    others = [v for v in region.verdicts if v.workable and v.process != own.process]
    for verdict in (*others, own):
        task = job.processes[verdict.process].floor_task(job, region.piece, verdict)
        if task is not None:
            yield task
            return


def _fine(job: JobContext, region: RoutedRegion, squarer: Process) -> Iterator[Task]:
    """A task more for what the feature's callouts ask beyond its process."""
    feature, verdict = region.piece, region.verdict
    reasons = [d.because for d in demands(feature)]
    if not reasons or feature.thread is not None:
        return
    if verdict is None:
        if not feature.kind.traits.blank:
            return  # nothing makes it, which is said elsewhere
        who, verdict = squarer, squarer.judge(job, feature)
    else:
        who = job.processes[verdict.process]
    task = who.fine_task(job, feature, verdict, "; ".join(reasons))
    if task is not None:
        yield task


def _merged(tasks: Iterable[Task]) -> list[Step]:
    found: dict[tuple[Stage, str, str], list[Task]] = {}
    for t in tasks:
        found.setdefault((t.stage, t.process, t.approach.side), []).append(t)
    return [_step(*key[:2], tuple(mine)) for key, mine in sorted(found.items(), key=lambda item: item[0])]


def _step(stage: Stage, process: str, tasks: tuple[Task, ...]) -> Step:
    notes = list(dict.fromkeys(note for t in tasks for note in t.notes))
    if process != BENCH and (caution := signs()[process].caution):
        notes.append(caution)
    return Step(stage, process, tasks[0].approach, tasks, tuple(notes))

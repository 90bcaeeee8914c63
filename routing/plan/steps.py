"""The steps of a plan: tasks of all features, those of one stage, process and side together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from featurize.feature import Feature, Kind
from routing.plan.allowances import allowed
from routing.plan.care import Care
from routing.plan.choice import RoutedFeature, RoutedRegion
from routing.processes.context import JobContext
from routing.processes.finish import demands
from routing.processes.free_space import volume_in_front
from routing.processes.protocol import ALL_SIDES, BORING, Approach, Process, Stage, Task, Verdict, feature_of
from routing.processes.rooms import signs
from routing.processes.sizes import area_of_faces
from routing.processes.tools import HandTool

BENCH, INSPECT, BOUGHT_IN = "bench", "inspect", "bought in"
# Who does what no machine does.
STATIONS = (BENCH, INSPECT, BOUGHT_IN)
# Removed volume over the blank's from which stress relief follows roughing (common practice, no source).
_STRESSED = 0.25


@dataclass(frozen=True, eq=False)
class Step:
    """``tasks`` are of one stage, process and side, and of one traverse where another is another setup."""

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
    def setup(self) -> tuple[str, ...]:
        return self.process, self.side, self.approach.along


def steps_of(job: JobContext, routed: Sequence[RoutedFeature], broken: Sequence[Feature]) -> list[Step]:
    """All steps of a part. ``broken`` are features with edges to break."""
    squarer = job.squarer
    blank = [r.feature for r in routed if r.feature.kind == Kind.OUTSIDE_FACE]
    tasks = list(squarer.squaring(job, blank))
    if job.is_soft:
        tasks = [t.but(soft=True) for t in tasks]
        tasks += [t.but(stage=Stage.SIZE, soft=False) for t in tasks]
        tasks += _heat(job, routed, blank)
    regions = [r for feature in routed for r in feature.regions]
    care = Care.of(job, regions)
    made = tasks_of_all(job, regions)
    for region in regions:
        tasks += _fine(job, region, squarer)
        if region.verdict is None:
            continue
        own = made[region.piece.id]
        if notes := care.notes(job, region):
            if care.is_crossed(region):
                tasks.append(own[0].but(stage=Stage.OPEN, notes=notes))
            else:
                own = [t.but(notes=(*t.notes, *notes)) for t in own]
        tasks += own
        tasks += _skin(job, own)
    tasks += _inspection(job, routed)
    if broken:
        down = job.approach(-job.thickness)
        note = "mounting side only; the working side stays sharp"
        edge = HandTool("stone or file")
        tasks += [Task(Stage.EDGES, BENCH, down, f, tool=edge, notes=(note,)) for f in broken]
    return _merged(tasks)


def tasks_of_all(job: JobContext, regions: Iterable[RoutedRegion]) -> dict[str, list[Task]]:
    """The tasks of each region, by its id, with what some leave for others and the tasks that take it."""
    return allowed(job, {r.piece.id: (r, tasks_of(job, r)) for r in regions if r.verdict is not None})


def tasks_of(job: JobContext, region: RoutedRegion) -> list[Task]:
    """The tasks of one region alone, without what its callouts ask beyond them."""
    made = _tasks(job, region)
    return _softened(job, region, made) if job.is_soft else made


def _tasks(job: JobContext, region: RoutedRegion) -> list[Task]:
    assert region.verdict is not None
    made: list[Task] = []
    for before, verdict in zip((None, *region.ahead), (*region.ahead, region.verdict), strict=True):
        own = job.processes[verdict.process].tasks(job, region.piece, verdict)
        made += own if before is None or before.rest is None else _of_rest(region, before, own)
    return made


def _of_rest(region: RoutedRegion, before: Verdict, own: Sequence[Task]) -> list[Task]:
    """What is done to what another left."""
    assert before.rest is not None
    note = f"{region.piece.id} only {before.rest.words} by the {before.process} before"
    left = before.rest.volume_mm3
    # What several cutters would have shared out between them they share of the rest too.
    whole = sum(t.volume_mm3 or 0.0 for t in own)
    found = [left if t.volume_mm3 is None else left * t.volume_mm3 / whole for t in own]
    return [
        t.but(notes=(*t.notes, note), volume_mm3=v, ahead=before) for t, v in zip(own, found, strict=True)
    ]


def _softened(job: JobContext, region: RoutedRegion, made: Sequence[Task]) -> list[Task]:
    """Of steel that is hardened on the way: drilled, threaded and roughed soft, the rest when it is hard.

    What only a wheel makes in the end is roughed by whoever can, and ground from the hardening allowance.
    """
    found = [t.but(soft=True) if t.stage in BORING or _is_drilled(job, t) else t for t in made]
    found = [t.but(stage=Stage.SOFT_ROUGH, soft=True) if t.stage == Stage.ROUGH else t for t in found]
    if not any(t.stage == Stage.GRIND for t in found):
        return found
    for verdict in (v for v in region.verdicts if v.workable):
        tasks = job.processes[verdict.process].tasks(job, region.piece, verdict)
        rough = [t.but(stage=Stage.SOFT_ROUGH, soft=True) for t in tasks if t.stage == Stage.ROUGH]
        if rough:
            left = job.shop.general.hardening_allowance_mm * area_of_faces(job, region.piece.faces)
            ground = (t.but(volume_mm3=left) if t.stage == Stage.GRIND else t for t in found)
            return [*rough, *ground]
    return found


def _is_drilled(job: JobContext, task: Task) -> bool:
    return task.stage == Stage.START_HOLE and job.processes[task.process].is_forceful


def _heat(job: JobContext, routed: Sequence[RoutedFeature], blank: Sequence[Feature]) -> Iterator[Task]:
    """Stress relief where much is roughed away, then hardening; both bought in."""
    way = Approach(job.approach(job.thickness).toward, ALL_SIDES)
    gone = sum(volume_in_front(job, r.feature.faces) for r in routed if not r.present)
    if gone > _STRESSED * job.blank_mm3:
        yield Task(Stage.STRESS_RELIEF, BOUGHT_IN, way, blank[0])
    yield Task(Stage.HARDEN, BOUGHT_IN, way, blank[0], notes=(f"hardened to {job.material.name}",))


def _skin(job: JobContext, own: Sequence[Task]) -> Iterator[Task]:
    """The recast skin that erosion leaves, taken off by hand where no fine passes do it."""
    for task in own:
        process = job.processes.get(task.process)
        if task.stage in (Stage.WIRE, Stage.ERODE) and process and process.alters_skin:
            note = "recast skin off: blast, polish or etch lightly, edges spared"
            stone = HandTool("fine blasting or polishing")
            yield Task(
                Stage.RECAST, BENCH, job.approach(job.thickness), task.feature, tool=stone, notes=(note,)
            )


def _inspection(job: JobContext, routed: Sequence[RoutedFeature]) -> Iterator[Task]:
    note = "cleaned, at rest temperature, gauged and recorded: the last step"
    way, gauge = Approach(job.approach(job.thickness).toward, ALL_SIDES), HandTool("gauges")
    for r in routed:
        if not r.feature.kind.traits.blank:
            yield Task(Stage.INSPECT, INSPECT, way, r.feature, tool=gauge, notes=(note,))


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
    found: dict[tuple[Stage, str, str, str], list[Task]] = {}
    for t in tasks:
        found.setdefault((t.stage, t.process, t.approach.side, t.approach.along), []).append(t)
    return [_step(*key[:2], tuple(mine)) for key, mine in sorted(found.items(), key=lambda item: item[0])]


def _step(stage: Stage, process: str, tasks: tuple[Task, ...]) -> Step:
    notes = list(dict.fromkeys(note for t in tasks for note in t.notes))
    if process not in STATIONS and (caution := signs()[process].caution):
        notes.append(caution)
    return Step(stage, process, tasks[0].approach, tasks, tuple(notes))

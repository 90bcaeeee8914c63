"""Makes the plan: every process is asked, what was chosen is ordered, held, reckoned and checked."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from featurize.feature import Feature
from featurize.recognise import Recognition
from routing.inputs.choices import Choices
from routing.plan.choice import RoutedFeature, choose
from routing.plan.edges import Break, EdgeVerdict, contradictions, edge_flags, edge_map, made_with
from routing.plan.estimate import estimate
from routing.plan.estimate.efforts import Efforts
from routing.plan.estimate.ways import Way, demagnetised, way
from routing.plan.holding.plan import Held, hold, holding_flags, magnetic, magnetised
from routing.plan.plan import Pass, Plan, PlannedStep, Setup, name_of_stock
from routing.plan.steps import STATIONS, Step, tasks_of_all
from routing.plan.thin_walls import fragile_places
from routing.plan.threads import check_threads
from routing.plan.zero import Moment, Zero, not_touched, zero_for
from routing.processes.context import JobContext
from routing.processes.flags import Flag
from routing.processes.preferences import Preferences
from routing.processes.protocol import Allowance, Stage, Task, feature_of
from routing.processes.rooms import rooms
from routing.processes.shop import Shop
from routing.stock.blank import blanks_for

# What a finishing step takes off, another step has left; a wheel, what was roughed while the steel was soft.
_TAKES_OFF = (Stage.SIZE, Stage.GRIND, Stage.SEMI_FINISH, Stage.FINISH, Stage.ERODE, Stage.TRIM, Stage.LAST)


@dataclass(frozen=True, eq=False)
class Judged:
    """Every process's answers, before anything is ordered."""

    recognition: Recognition
    job: JobContext
    features: tuple[RoutedFeature, ...]
    flags: tuple[Flag, ...]  # of threads and drawn edges


def make_plan(recognition: Recognition, shop: Shop, choices: Choices) -> Plan:
    """Asks every process about every feature, then plans what was chosen."""
    return planned(judged(recognition, shop, choices), choices.edges)


def judged(recognition: Recognition, shop: Shop, choices: Preferences) -> Judged:
    """What makes each feature; the choices for edges have no say in it.

    Raises ValueError, in one line, for a blank that cannot be used.
    """
    bare = JobContext(recognition.part, recognition.features, shop, choices)
    left = shop.general.hardening_allowance_mm if bare.is_soft else 0.0
    job = replace(bare, blanks=blanks_for(recognition.part, choices, left))
    thread_flags = check_threads(job.part, job.features, carbide=job.material.binder_percent is not None)
    other = (*thread_flags, *edge_flags(job.part, job.features))
    own = _by_feature(other)
    routed = [choose(job, feature, own.get(feature.id, ())) for feature in job.features]
    return Judged(recognition, job, tuple(_without_unmade(job, routed)), other)


def _without_unmade(job: JobContext, routed: list[RoutedFeature]) -> list[RoutedFeature]:
    """Regions moved on that their process cannot make after all, with what must stay on them for others."""
    while True:
        tasks = [t for own in tasks_of_all(job, (r for f in routed for r in f.regions)).values() for t in own]
        unmade = {
            (region, name): why
            for name, process in job.processes.items()
            for region, why in process.unmade(job, [t for t in tasks if t.process == name]).items()
        }
        moved = [_moved_on(feature, unmade) for feature in routed]
        if all(a is b for a, b in zip(moved, routed, strict=True)):
            return routed
        routed = moved


def _moved_on(feature: RoutedFeature, unmade: Mapping[tuple[str, str], str]) -> RoutedFeature:
    regions = []
    for region in feature.regions:
        for verdict in (*region.ahead, region.verdict):
            if verdict is not None and (why := unmade.get((region.piece.id, verdict.process))):
                region = region.without(verdict.process, why)
        regions.append(region)
    if all(a is b for a, b in zip(regions, feature.regions, strict=True)):
        return feature
    whole = regions[0].verdicts if len(regions) == 1 else feature.verdicts
    return replace(feature, regions=tuple(regions), verdicts=whole)


def planned(judged: Judged, asked: Mapping[str, str]) -> Plan:
    """The steps in order and what they cost; ``asked`` are a person's choices for edges."""
    job, routed = judged.job, list(judged.features)
    edges = tuple(edge_map(job.part, job.features, asked))
    against = contradictions(edges, job.features)
    if against:
        own = _by_feature(against)
        routed = [replace(r, flags=(*r.flags, *own.get(r.feature.id, ()))) for r in routed]
    efforts = Efforts(job, edges)
    broken = _broken(job, edges)
    chosen, held = _held(efforts, way(efforts, routed, broken))
    others = {
        room.name: _on(room.name, efforts, routed, broken, chosen) for room in rooms() if room.versatile
    }
    groups = _setups(chosen)
    flags = [flag for r in routed for flag in r.flags]
    flags += [flag for flag in (*judged.flags, *against) if flag.feature not in job.by_id]
    flags += holding_flags(held)
    setups = []
    zeros = [_zero(job, steps, h) for steps, h in zip(groups, held, strict=True)]
    machined = [
        (n, z) for n, (z, g) in enumerate(zip(zeros, groups, strict=True), 1) if g[0].process not in STATIONS
    ]
    flags += [flag for n, z in machined if (flag := not_touched(n, z)) is not None]
    steps = _planned_steps(job, efforts, chosen, zeros)
    for number, (zero, answer) in enumerate(zip(zeros, held, strict=True), 1):
        own_steps = tuple(s for s in steps if s.setup == number)
        first = own_steps[0]
        setups.append(
            Setup(
                number,
                first.process,
                first.approach,
                zero,
                answer,
                own_steps,
                name_of_stock(number - 1),
                name_of_stock(number),
            )
        )
    return Plan(
        job,
        judged.recognition,
        tuple(routed),
        tuple(setups),
        edges,
        tuple(flags),
        estimate(efforts, chosen, others, routed),
        fragile_places(job),
    )


def _on(
    process: str, efforts: Efforts, routed: Sequence[RoutedFeature], broken: Sequence[Feature], chosen: Way
) -> tuple[tuple[str, ...], Way]:
    """What one process would take over, and the way that comes of it."""
    moved = [r.moved_to(process) for r in routed]
    taken = tuple(m.feature.id for m, r in zip(moved, routed, strict=True) if m is not r)
    if not taken:
        return taken, chosen
    loose = way(efforts, moved, broken)
    return taken, demagnetised(efforts, loose, magnetised(efforts.job, _setups(loose)))


def _held(efforts: Efforts, loose: Way) -> tuple[Way, tuple[Held, ...]]:
    """A way with what comes of how its setups are held, and that."""
    held = hold(efforts.job, _setups(loose))
    return demagnetised(efforts, loose, magnetic(held)), held


def _by_feature(flags: Sequence[Flag]) -> dict[str | None, list[Flag]]:
    found: dict[str | None, list[Flag]] = {}
    for flag in flags:
        found.setdefault(flag.feature, []).append(flag)
    return found


def _broken(job: JobContext, edges: Sequence[EdgeVerdict]) -> list[Feature]:
    """Features with edges that must be broken, in the order of the features."""
    broken = {made_with(e, job.by_id) for e in edges if e.verdict == Break.MUST_BREAK}
    return [f for f in job.features if f.id in broken]


def _setups(chosen: Way) -> list[list[Step]]:
    found: list[list[Step]] = []
    for step, setup in zip(chosen.steps, chosen.setups, strict=True):
        if setup > len(found):
            found.append([])
        found[setup - 1].append(step)
    return found


def _zero(job: JobContext, steps: Sequence[Step], held: Held) -> Zero:
    squares = any(s.stage in (Stage.SQUARE, Stage.SIZE) for s in steps)
    return zero_for(job, steps[0].approach.direction, Moment(held.made, held.fixtures, held.over_mm, squares))


def _planned_steps(
    job: JobContext, efforts: Efforts, chosen: Way, zeros: Sequence[Zero]
) -> list[PlannedStep]:
    found = []
    for n, step in enumerate(chosen.steps):
        zero = zeros[chosen.setups[n] - 1]
        after = sorted((place + 1, why) for place, why in chosen.before[n].items())
        found.append(
            PlannedStep(
                number=n + 1,
                stage=step.stage,
                process=step.process,
                setup=chosen.setups[n],
                approach=step.approach,
                features=step.features,
                passes=tuple(_pass(job, efforts, t, zero, chosen.steps[n + 1 :], n + 2) for t in step.tasks),
                after=tuple(number for number, _ in after),
                because=tuple(why for _, why in after),
                minutes=efforts.of_step(step).minutes,
                notes=(step.stage.words, *step.notes, *_places(step, zero), *_reasons(after)),
            )
        )
    return found


def _places(step: Step, zero: Zero) -> Iterator[str]:
    """What a person must know the place of, in the zero of the setup."""
    for task in step.tasks:
        if task.at is not None:
            x, y, z = np.round(zero.local(np.array(task.at)), 6) + 0.0  # no -0.000
            yield f"{task.feature.id} at X {x:.3f} Y {y:.3f} Z {z:.3f} of the setup's zero"


def _reasons(after: Sequence[tuple[int, str]]) -> Iterator[str]:
    """Each reason once, with the steps it holds for."""
    for reason in dict.fromkeys(r for _, r in after):
        yield f"after {', '.join(str(n) for n, r in after if r == reason)}: {reason}"


def _pass(
    job: JobContext, efforts: Efforts, task: Task, zero: Zero, later: Sequence[Step], first: int
) -> Pass:
    leaves = _left_by(job, task)
    taken = None
    if leaves != Allowance():
        same = (
            number
            for number, step in enumerate(later, first)
            if step.stage in _TAKES_OFF
            and any(t.feature.id == task.feature.id and (t.blends or not task.keeps) for t in step.tasks)
        )
        taken = next(same, None)
    effort = efforts.of_task(task)
    level = float(zero.axes[2] @ np.array(zero.origin_mm))
    own = tuple(replace(t, high_mm=t.high_mm - level, low_mm=t.low_mm - level) for t in task.passes)
    heights = [h for t in own for h in (t.high_mm, t.low_mm)]
    if task.stage == Stage.START_HOLE:  # right through, whatever is cut above or below its opening later
        up = zero.axes[2]
        over = float(job.part.frame.origin @ up) - level
        heights = [over + job.top_mm(up), over - job.top_mm(-up)]
    heights = heights or zero.local(job.cloud(task.feature.faces))[:, 2].tolist()
    region = "" if task.feature.id == feature_of(task.feature.id) else task.feature.text
    return Pass(
        feature_of(task.feature.id),
        region,
        task.tool,
        max(heights),
        min(heights),
        leaves,
        taken,
        effort.minutes,
        effort.basis,
        task,
        effort.each_cost + sum(t.used() * t.cost for t in effort.tools),
        own,
    )


def _left_by(job: JobContext, task: Task) -> Allowance:
    process = job.processes.get(task.process)
    return process.leaves(job, task) if process else Allowance()

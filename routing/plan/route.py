"""The route: the first workable process for each feature, and the operations in order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from featurize.feature import Feature, Kind, Role
from featurize.recognise import Recognition
from routing.inputs.choices import Choices
from routing.plan.edges import EdgeVerdict, contradictions, edge_flags, edge_map
from routing.plan.estimate import Estimate, Sizes, estimate, plan
from routing.plan.holding.plan import Held, hold, holding_flags
from routing.plan.order import Choice, Operation
from routing.plan.thin_walls import Fragile, fragile_places
from routing.plan.threads import check_threads
from routing.processes import all_processes
from routing.processes.approaches import side_direction
from routing.processes.base import JobContext, Verdict
from routing.processes.finish import demands
from routing.processes.flags import Flag, Severity
from routing.processes.heights import HeightGrid
from routing.processes.shop import Shop
from routing.processes.undercut import cut_mm3, is_undercut

NONE = "none"
# The bulk taken first is worth a setup where at most this share is left (common practice, no source).
WORTH_A_SETUP = 0.5


@dataclass(frozen=True)
class RoutedFeature:
    """``process`` is "none" for what comes with the blank and for what nothing in the shop can make.

    ``ahead`` is the answer of an earlier process that takes the bulk and leaves its ``rest`` to ``process``.
    """

    feature: Feature
    process: str
    verdicts: tuple[Verdict, ...]
    flags: tuple[Flag, ...]
    ahead: Verdict | None = None

    @property
    def verdict(self) -> Verdict | None:
        """The answer of the chosen process."""
        return next((v for v in self.verdicts if v.process == self.process), None)


@dataclass(frozen=True, eq=False)
class Route:
    """Everything decided about one part; the stock is made from it later."""

    recognition: Recognition
    features: tuple[RoutedFeature, ...]
    operations: tuple[Operation, ...]
    edges: tuple[EdgeVerdict, ...]
    flags: tuple[Flag, ...]
    estimate: Estimate
    holding: tuple[Held, ...] = ()
    fragile: tuple[Fragile, ...] = ()

    @cached_property
    def by_id(self) -> Mapping[str, RoutedFeature]:
        return {routed.feature.id: routed for routed in self.features}

    @cached_property
    def verdicts(self) -> Mapping[str, tuple[Verdict, ...]]:
        """Every process's answer, in the order asked, by feature id."""
        return {routed.feature.id: routed.verdicts for routed in self.features}

    @property
    def made(self) -> Iterator[tuple[Feature, Verdict]]:
        """What each process makes of which feature, the bulk that one takes ahead of another included."""
        for routed in self.features:
            for verdict in (routed.ahead, routed.verdict):
                if verdict is not None:
                    yield routed.feature, verdict

    def process_of(self, feature_id: str) -> str:
        return self.by_id[feature_id].process


def make_route(recognition: Recognition, shop: Shop, choices: Choices) -> Route:
    """Asks every process about every feature, then orders what was chosen."""
    return ordered(judged(recognition, shop, choices), choices.edges)


@dataclass(frozen=True, eq=False)
class Judged:
    """Every process's answers, before anything is ordered."""

    recognition: Recognition
    job: JobContext
    features: tuple[RoutedFeature, ...]
    flags: tuple[Flag, ...]  # of threads and drawn edges


def judged(recognition: Recognition, shop: Shop, choices: Choices) -> Judged:
    """What makes each feature; the choices for edges have no say in it."""
    job = JobContext(recognition.part, recognition.features, shop, choices)
    thread_flags = check_threads(job.part, job.features, carbide=job.material.binder_percent is not None)
    other = (*thread_flags, *edge_flags(job.part, job.features))
    mine = _by_feature(other)
    routed = tuple(_routed(job, feature, mine.get(feature.id, ())) for feature in job.features)
    return Judged(recognition, job, routed, other)


def ordered(judged: Judged, asked: Mapping[str, str]) -> Route:
    """The operations in order and what they cost; ``asked`` are a person's choices for edges."""
    job, routed = judged.job, list(judged.features)
    edges = tuple(edge_map(job.part, job.features, asked))
    against = contradictions(edges, job.features)
    if against:
        mine = _by_feature(against)
        routed = [replace(r, flags=(*r.flags, *mine.get(r.feature.id, ()))) for r in routed]
    other = [*judged.flags, *against]
    sizes = Sizes(job, {r.feature.id: r.verdicts for r in routed}, edges)
    broken = _broken(job, edges)
    chosen = plan(sizes, [_choice(job, r) for r in routed], broken)
    flags = [flag for r in routed for flag in r.flags]
    flags += [flag for flag in other if flag.feature not in job.by_id]
    others = {}
    for process in _ASKED:
        moved = [_moved(r, process) for r in routed]
        taken = tuple(m.feature.id for m, r in zip(moved, routed, strict=True) if m is not r)
        others[process] = taken, plan(sizes, [_choice(job, m) for m in moved], broken) if taken else chosen
    options = {
        r.feature.id: [
            (v.process == r.process, _choice(job, _moved(r, v.process))) for v in r.verdicts if v.workable
        ]
        for r in routed
        if r.verdicts
    }
    estimated = estimate(sizes, chosen, others, options)
    held = hold(job, chosen.operations)
    flags += holding_flags(held)
    return Route(
        judged.recognition,
        tuple(routed),
        chosen.operations,
        edges,
        tuple(flags),
        estimated,
        held,
        fragile_places(job),
    )


def _by_feature(flags: Sequence[Flag]) -> dict[str | None, list[Flag]]:
    found: dict[str | None, list[Flag]] = {}
    for flag in flags:
        found.setdefault(flag.feature, []).append(flag)
    return found


# What a shop asks: would it be cheaper to give one machine all that it can make?
_ASKED = ("mill", "sink-erode")


def _moved(routed: RoutedFeature, process: str) -> RoutedFeature:
    """The feature by another process, where that one can make it."""
    if process == routed.process or not _is_workable(routed, process):
        return routed
    return replace(routed, process=process, ahead=None)


def _choice(job: JobContext, routed: RoutedFeature) -> Choice:
    ground = _is_workable(routed, "surface grind")
    return Choice(routed.feature, routed.verdict, _finisher(job, routed), ground, routed.ahead)


def _routed(job: JobContext, feature: Feature, told: Sequence[Flag]) -> RoutedFeature:
    """``told`` are the flags that it has already."""
    mine = [
        *told,
        *(
            Flag("called-out-fine", Severity.NOTE, feature.id, f"{d.because[:1].upper()}{d.because[1:]}.")
            for d in demands(feature)
        ),
    ]
    if feature.kind == Kind.OUTSIDE_FACE:
        return RoutedFeature(feature, NONE, (), tuple(mine))
    verdicts = tuple(process.judge(job, feature) for process in all_processes())
    first = next((v for v in verdicts if v.workable), None)
    forced = job.choices.process_for(feature.id, str(feature.kind))
    if forced is not None:
        answer = next(v for v in verdicts if v.process == forced)
        if not answer.workable:
            mine.append(_forced(feature, answer))
        return RoutedFeature(feature, forced, verdicts, tuple(mine))
    if first is None:
        why = "; ".join(f"{v.process}: {v.reason}" for v in verdicts)
        said = f"{feature.kind} {feature.id}: nothing in the shop makes it: {why}."
        mine.append(Flag("no-process", Severity.BLOCKING, feature.id, said))
    ahead = _ahead(job, feature, verdicts, first) if first else None
    return RoutedFeature(feature, first.process if first else NONE, verdicts, tuple(mine), ahead)


def _ahead(job: JobContext, feature: Feature, verdicts: Sequence[Verdict], first: Verdict) -> Verdict | None:
    """Who takes the bulk before the process that makes the feature whole, where it leaves little enough."""
    for verdict in verdicts[: verdicts.index(first)]:
        if verdict.rest is not None:
            side = str(verdict.details.get("side", verdict.details.get("axis", "+z")))
            whole = (
                cut_mm3(job, feature)
                if is_undercut(feature)
                else HeightGrid.of(job, feature, side_direction(job, side)).removed_mm3
            )
            if verdict.rest.volume_mm3 < WORTH_A_SETUP * whole:
                return verdict
    return None


def _forced(feature: Feature, answer: Verdict) -> Flag:
    left = f"; about {answer.shortfall_mm3:.3g} mm3 stays behind" if answer.shortfall_mm3 > 0 else ""
    said = f"{answer.process} was asked for though {answer.reason}{left}."
    return Flag("forced-process", Severity.WARNING, feature.id, said)


def _finisher(job: JobContext, routed: RoutedFeature) -> str | None:
    """Who takes the allowance left on ground floors: the mill where it can, else the wheel again."""
    floors = routed.feature.faces_with(Role.FLOOR)
    left_mm, _ = job.choices.allowance_for(routed.feature.id, str(routed.feature.kind))
    if routed.process != "surface grind" or not floors or not left_mm:
        return None
    return "mill" if _is_workable(routed, "mill") else "surface grind"


def _is_workable(routed: RoutedFeature, process: str) -> bool:
    return any(v.workable for v in routed.verdicts if v.process == process)


def _broken(job: JobContext, edges: Sequence[EdgeVerdict]) -> tuple[str, ...]:
    """Features with edges that must be broken, in the order of the features."""
    faces = {face for e in edges if str(e.verdict) == "must break" for face in e.faces}
    return tuple(f.id for f in job.features if faces & set(f.faces))

"""Operations in order: steps of each feature, what must come before what and why, fewest setups."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import IntEnum
from graphlib import TopologicalSorter

from featurize.feature import Feature, Kind
from routing.plan.datums import wishes
from routing.plan.thin_walls import crossed, fragile_places, runs_out
from routing.processes.base import JobContext, Verdict
from routing.processes.finish import demands
from routing.processes.material_rules import MaterialRule
from routing.processes.signs import TRADE


class Stage(IntEnum):
    """When a step is due where nothing else decides."""

    SQUARE = 0
    DRILL = 1
    RELIEF = 2
    THREAD = 3
    START_HOLE = 4
    OPEN = 5
    GRIND = 6
    WIRE = 7
    TRIM = 8
    ROUGH = 9
    SEMI_FINISH = 10
    FINISH = 11
    ERODE = 12
    LAST = 13
    EDGES = 14


@dataclass(frozen=True)
class Step:
    """One stage of one process from one side, over all features that share them."""

    stage: Stage
    process: str
    side: str
    features: tuple[str, ...]
    notes: tuple[str, ...] = ()
    volumes_mm3: Mapping[str, float] = field(default_factory=dict)  # of features not taken whole

    @property
    def setup(self) -> tuple[str, str]:
        return self.process, self.side


@dataclass(frozen=True)
class Operation:
    """``after`` are the numbers of operations that must be done before, ``because`` their reasons."""

    number: int
    stage: str
    process: str
    setup: int
    from_side: str
    features: tuple[str, ...]
    after: tuple[int, ...]
    because: tuple[str, ...]
    minutes: float
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Choice:
    """A feature with the verdict of its process; None for what comes with the blank or cannot be made."""

    feature: Feature
    verdict: Verdict | None
    finisher: str | None = None  # who takes the allowance left on ground floors
    ground: bool = False  # whether the wheel reaches the feature, whoever is chosen
    ahead: Verdict | None = None  # who takes the bulk before, and leaves its rest

    @property
    def side(self) -> str:
        return str(self.verdict.details.get("side", "+z")) if self.verdict else ""


ALL_SIDES = "all"
_MILLED = (Stage.ROUGH, Stage.SEMI_FINISH, Stage.FINISH)
_GROUND_FIRST = "grinding before milling: the cutter finds only what the wheel left"
_CAUTIONS = {sign.name: sign.caution for sign in TRADE if sign.caution}


def steps_of(job: JobContext, choices: Sequence[Choice], broken: Sequence[str]) -> list[Step]:
    """All steps, merged by stage, process and side. ``broken`` are features with edges to break."""
    loose = [Step(Stage.SQUARE, "surface grind", ALL_SIDES, _ids(_blank(choices)))]
    care = Care.of(job, choices)
    for choice in choices:
        loose += _fine(choice)
        if choice.verdict is None:
            continue
        mine = steps_for(choice)
        if notes := care.notes(choice):
            if care.is_crossed(choice):
                loose.append(replace(mine[0], stage=Stage.OPEN, notes=notes))
            else:
                mine = [replace(s, notes=(*s.notes, *notes)) for s in mine]
        loose += mine
    if broken:
        note = "mounting side only; the working side stays sharp"
        loose.append(Step(Stage.EDGES, "bench", "-z", tuple(broken), (note,)))
    return [_with_caution(_with_passes(s, care.rule)) for s in _merged(loose)]


@dataclass(frozen=True)
class Care:
    """What is asked of the cuts beside places that may break out (common practice, no source)."""

    rule: MaterialRule
    thin: Mapping[str, tuple[str, ...]]  # of features, in words
    over: Mapping[str, tuple[str, ...]]  # openings whose rim a feature's cut runs out over
    by_cut: frozenset[str]  # features whose own rim another cut runs out over
    out: frozenset[str]  # features that run out over a free edge of what chips

    @classmethod
    def of(cls, job: JobContext, choices: Sequence[Choice]) -> Care:
        rule = job.shop.rule(job.material)
        cut = [c.feature for c in choices if _is_cut(c)]
        thin: dict[str, tuple[str, ...]] = {}
        for place in fragile_places(job):
            thin[place.feature] = (*thin.get(place.feature, ()), place.words)
        opened = [c.feature for c in choices if c.verdict is not None and c.feature.kind in _OPENINGS]
        out = frozenset(f.id for f in cut if runs_out(f)) if rule.chipping >= _CHIPS else frozenset()
        return cls(
            rule,
            thin,
            crossed(job, cut, opened),
            frozenset().union(*crossed(job, cut, cut).values()),
            out,
        )

    def notes(self, choice: Choice) -> tuple[str, ...]:
        """For one feature's steps."""
        if not _is_cut(choice):
            return ()
        name, feed = choice.feature.id, f"reduced feed ({self.rule.careful_feed:.0%})"
        found = [
            f"{name} {words}: {feed} and depth, enter and leave at it, lift between passes"
            for words in self.thin.get(name, ())
        ]
        if over := self.over.get(name):
            found.append(f"{name} crosses {', '.join(over)}: enter and leave it at {feed}")
        if name in self.out:
            found.append(f"{name} runs out over a free edge that chips: enter and leave at {feed}")
        return tuple(found)

    def is_crossed(self, choice: Choice) -> bool:
        """Whether a thin feature is crossed by another cut, so that it is opened first."""
        return choice.feature.id in self.thin and choice.feature.id in self.by_cut


_OPENINGS = (Kind.HOLE, Kind.THREADED_HOLE, Kind.THROUGH_PROFILE)
# From here on a material's free edges break out where a cut leaves over them (common practice, no source).
_CHIPS = 0.5


def _blank(choices: Sequence[Choice]) -> list[Feature]:
    return [c.feature for c in choices if c.feature.kind == Kind.OUTSIDE_FACE]


def _ids(features: Iterable[Feature]) -> tuple[str, ...]:
    return tuple(f.id for f in features)


def steps_for(choice: Choice) -> list[Step]:
    """The steps of one feature alone, without what its callouts ask beyond them."""
    mine = _steps(choice)
    if (ahead := choice.ahead) is None or ahead.rest is None:
        return mine
    bulk = replace(choice, verdict=ahead, ahead=None)
    note = f"{choice.feature.id} only {ahead.rest.words} by the {ahead.process} before"
    left = {choice.feature.id: ahead.rest.volume_mm3}
    return [*_steps(bulk), *(replace(s, notes=(*s.notes, note), volumes_mm3=left) for s in mine)]


def _steps(choice: Choice) -> list[Step]:
    feature, verdict, side = choice.feature, choice.verdict, choice.side
    assert verdict is not None

    def step(stage: Stage, *notes: str, process: str = verdict.process) -> Step:
        return Step(stage, process, side, (feature.id,), notes)

    if verdict.process == "wire":
        side = str(verdict.details.get("axis", "+z"))
        if "start_hole_mm" not in verdict.details:
            return [step(Stage.WIRE)]
        hole = verdict.details
        where = f"{feature.id} start hole {hole['start_hole_mm']:g} at {hole['start_hole_at']}"
        if hole["start_hole_made"] == "drilled":
            return [step(Stage.START_HOLE, where, process="mill"), step(Stage.WIRE)]
        return [step(Stage.START_HOLE, f"{where}, eroded", process="sink-erode"), step(Stage.WIRE)]
    if verdict.process == "surface grind":
        finish = [step(Stage.FINISH, process=choice.finisher)] if choice.finisher else []
        return [step(Stage.GRIND), *finish]
    if verdict.process == "mill":
        if feature.bores:
            steps = [step(Stage.DRILL)]
            if feature.thread and feature.thread.designation:
                steps += [step(Stage.RELIEF)] if "counterbore_depth_mm" in feature.dims else []
                steps.append(step(Stage.THREAD))
            return steps
        if feature.kind in (Kind.CHAMFER, Kind.EDGE_ROUND):
            return [step(Stage.FINISH)]
        return [step(stage) for stage in _MILLED]
    if verdict.process == "sink-erode":
        return [step(Stage.ERODE)]
    return [step(Stage.GRIND)]  # a process that this module does not know goes with the grinding


# Who finishes what each process made, to size or form, and how (common practice, no source).
_FINE: Mapping[str, tuple[Stage, str, str]] = {
    "wire": (Stage.TRIM, "wire", "trim cuts at low energy until it holds"),
    "surface grind": (Stage.LAST, "surface grind", "fine wheel, spark out, measure at rest temperature"),
    "sink-erode": (Stage.LAST, "sink-erode", "a fresh finishing electrode at low energy"),
    "mill": (Stage.LAST, "bench", "lapped or polished by hand"),
    "bore": (Stage.LAST, "mill", "fine-bored, or jig-ground where hardened; reamed only in soft steel"),
}


def _fine(choice: Choice) -> list[Step]:
    """A step of its own for what the feature's callouts ask beyond its process."""
    feature, verdict = choice.feature, choice.verdict
    reasons = [d.because for d in demands(feature)]
    if not reasons or feature.thread is not None:
        return []
    side = choice.side or next(iter(feature.opens_to), "+z")
    if verdict is None:
        if feature.kind not in (Kind.OUTSIDE_FACE, Kind.OUTSIDE_PROFILE):
            return []  # nothing makes it, which is said elsewhere
        who = "surface grind"
    elif verdict.process == "wire":
        who, side = "wire", str(verdict.details.get("axis", "+z"))
    elif verdict.process == "mill" and feature.bores:
        who = "bore"
    else:
        who = "surface grind" if choice.ground else verdict.process
    if who not in _FINE:
        return []
    stage, process, how = _FINE[who]
    return [Step(stage, process, side, (feature.id,), (f"{feature.id} {'; '.join(reasons)}: {how}",))]


def _merged(loose: Sequence[Step]) -> list[Step]:
    found: dict[tuple[Stage, str, str], Step] = {}
    for s in loose:
        key = (s.stage, s.process, s.side)
        old = found.get(key)
        found[key] = (
            s
            if old is None
            else replace(
                old,
                features=tuple(dict.fromkeys(old.features + s.features)),
                notes=tuple(dict.fromkeys(old.notes + s.notes)),
                volumes_mm3={**old.volumes_mm3, **s.volumes_mm3},
            )
        )
    return sorted((s for s in found.values() if s.features), key=lambda s: (s.stage, s.process, s.side))


def _with_passes(step: Step, rule: MaterialRule) -> Step:
    """What eroding leaves altered is taken off by passes at ever lower energy."""
    n = rule.finishing_passes
    if n < 2 or step.stage not in (Stage.WIRE, Stage.ERODE):
        return step
    how = f"at least {n} {'trims' if step.stage == Stage.WIRE else 'finishing steps'} at ever lower energy"
    said = f"{how}: erosion leaches the binder and cracks the skin (common practice)"
    return replace(step, notes=(*step.notes, said))


def _with_caution(step: Step) -> Step:
    caution = _CAUTIONS.get(step.process)
    return replace(step, notes=(*step.notes, caution)) if caution else step


def precedence(job: JobContext, steps: Sequence[Step]) -> dict[int, dict[int, str]]:
    """For each step (by place) the steps that come before it, with the reason."""
    before: dict[int, dict[int, str]] = {k: {} for k in range(len(steps))}
    features = {f.id: f for f in job.features}
    for k, late in enumerate(steps):
        for j, early in enumerate(steps):
            reason = _reason(early, late, features)
            if j != k and reason:
                before[k][j] = reason
    for j, k, why in [*wishes(job, steps), *_way_in_first(job, steps), *_ground_first(steps)]:
        if not _leads_to(before, k, j):
            before[k].setdefault(j, why)
    return _direct(before)


def _way_in_first(job: JobContext, steps: Sequence[Step]) -> Iterator[tuple[int, int, str]]:
    """The bore or recess around a groove before the groove: its tool comes in through it."""
    features = {f.id: f for f in job.features}
    for k, late in enumerate(steps):
        around = {
            job.owner[face].id
            for groove in (features[f] for f in late.features if features[f].kind == Kind.GROOVE)
            for own in groove.faces
            for face in job.part.across(own)
            if face not in groove.faces and job.owner[face].kind != Kind.OUTSIDE_FACE
        }
        for j, early in enumerate(steps):
            cut = early.stage in (Stage.DRILL, Stage.WIRE, Stage.FINISH, Stage.ERODE)
            apart = not set(early.features) & set(late.features)
            if cut and apart and around & set(early.features):
                yield j, k, "a groove's tool comes in through the bore or recess around it"


def _ground_first(steps: Sequence[Step]) -> Iterator[tuple[int, int, str]]:
    """Grinding before what is milled from other sides, unless a datum asks for the opposite."""
    for k, late in enumerate(steps):
        for j, early in enumerate(steps):
            if early.stage == Stage.GRIND and late.stage in _MILLED:
                yield j, k, _GROUND_FIRST


def _leads_to(before: Mapping[int, Mapping[int, str]], early: int, late: int) -> bool:
    """Whether a chain of arrows goes from one step to another."""
    seen: set[int] = set()
    stack = [late]
    while stack:
        k = stack.pop()
        if k == early:
            return True
        if k not in seen:
            seen.add(k)
            stack.extend(before[k])
    return False


def _direct(before: Mapping[int, Mapping[int, str]]) -> dict[int, dict[int, str]]:
    """Only the arrows that no chain of others implies (the transitive reduction)."""
    above: dict[int, set[int]] = {}
    for k in TopologicalSorter({k: list(v) for k, v in before.items()}).static_order():
        above[k] = set(before[k]).union(*(above[j] for j in before[k]))
    return {
        k: {j: why for j, why in early.items() if not any(j in above[i] for i in early)}
        for k, early in before.items()
    }


def _reason(early: Step, late: Step, features: Mapping[str, Feature]) -> str | None:
    a, b = early.stage, late.stage
    shared = set(early.features) & set(late.features)
    if a >= b:
        return None
    if a == Stage.SQUARE:
        return "the blank is squared and its datums ground first"
    if b == Stage.EDGES:
        return "edges are broken at the end, on the mounting side only"
    if a in (Stage.DRILL, Stage.RELIEF, Stage.THREAD):
        if shared and b in (Stage.RELIEF, Stage.THREAD):
            return (
                "a thread's relief is opened before the thread"
                if a == Stage.RELIEF
                else "the core hole is drilled first"
            )
        holds = any(features[f].thread and features[f].opens_to == ("-z",) for f in early.features)
        if holds and b > Stage.THREAD and late.side != "-z":
            return "the part is later held by these threads"
    if a == Stage.START_HOLE and b == Stage.WIRE and shared:
        return "the wire is threaded through its start hole"
    if b == Stage.TRIM and shared:
        return "trim cuts follow the main cut"
    if b == Stage.LAST and (shared or late.process == "surface grind"):
        return "what is called out this fine is finished last: no later cut may move or mark it"
    if a == Stage.OPEN and Stage.GRIND <= b <= Stage.FINISH:
        return "a fragile opening is opened before a later cut crosses it"
    if a == Stage.GRIND and b in _MILLED and (shared or early.side == late.side):
        return _GROUND_FIRST
    if shared and a in _MILLED and b in _MILLED:
        return "semi-finish before the floor finish" if b == Stage.FINISH else "roughing first"
    if b == Stage.ERODE:
        return "erosion last: electrodes take only what nothing else reaches"
    return None


def ordered(steps: Sequence[Step], before: Mapping[int, Mapping[int, str]]) -> list[int]:
    """A stable order that keeps a setup while anything in it is ready."""
    sorter = TopologicalSorter({k: list(v) for k, v in before.items()})
    sorter.prepare()
    ready: list[int] = []
    order: list[int] = []
    setup: tuple[str, str] | None = None
    while sorter.is_active():
        ready += sorter.get_ready()
        kept = [k for k in ready if steps[k].setup == setup]
        k = min(kept or ready, key=lambda i: (steps[i].stage, i))
        setup = steps[k].setup
        ready.remove(k)
        order.append(k)
        sorter.done(k)
    return order


def operations(job: JobContext, steps: Sequence[Step], minutes: Sequence[float]) -> tuple[Operation, ...]:
    """Numbered operations; ``minutes`` are per step, in the order of the steps."""
    before = precedence(job, steps)
    order = ordered(steps, before)
    number = {k: n for n, k in enumerate(order, 1)}
    found: list[Operation] = []
    setup, current = 0, None
    for k in order:
        s = steps[k]
        if s.setup != current:
            setup, current = setup + 1, s.setup
        after = sorted((number[j], reason) for j, reason in before[k].items())
        found.append(
            Operation(
                number=number[k],
                stage=s.stage.name.lower().replace("_", " "),
                process=s.process,
                setup=setup,
                from_side=s.side,
                features=s.features,
                after=tuple(n for n, _ in after),
                because=tuple(reason for _, reason in after),
                minutes=minutes[k],
                notes=(s.stage.name.lower().replace("_", " "), *s.notes, *_reasons(after)),
            )
        )
    return tuple(found)


def _reasons(after: Sequence[tuple[int, str]]) -> Iterator[str]:
    """Each reason once, with the operations it holds for."""
    for reason in dict.fromkeys(r for _, r in after):
        yield f"after {', '.join(str(n) for n, r in after if r == reason)}: {reason}"


def _is_cut(choice: Choice) -> bool:
    verdict = choice.verdict
    return verdict is not None and verdict.process in ("surface grind", "mill") and not choice.feature.bores

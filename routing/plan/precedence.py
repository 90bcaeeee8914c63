"""What must come before what, and why: rules in a table, preferences where none asks for the opposite."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from graphlib import TopologicalSorter

from featurize.brep.frame import opposite
from featurize.feature import Kind
from routing.plan.datums import order_preferences
from routing.plan.steps import Step
from routing.processes.context import JobContext
from routing.processes.protocol import BORING, Stage

MILLED = (Stage.ROUGH, Stage.SEMI_FINISH, Stage.FINISH)
GROUND_FIRST = "grinding before milling: the cutter finds only what the wheel left"
# Whatever opens a way in for a groove's tool.
_OPENS = (Stage.DRILL, Stage.BORE, Stage.WIRE, Stage.FINISH, Stage.ERODE)


@dataclass(frozen=True, eq=False)
class Pair:
    """Two steps in the order that their stages have; ``shared`` where they have a feature in common."""

    job: JobContext
    early: Step
    late: Step

    @property
    def shared(self) -> bool:
        return not set(self.early.features).isdisjoint(self.late.features)

    @property
    def holds_part(self) -> bool:
        """Whether the early step makes threads by which the part is later held."""
        threaded = (f for name in self.early.features if (f := self.job.by_id[name]).thread)
        return any(f.opens_to == ("-z",) for f in threaded)


@dataclass(frozen=True, eq=False)
class Rule:
    applies: Callable[[Pair], bool]
    because: str


def _stages(early: Sequence[Stage], late: Sequence[Stage]) -> Callable[[Pair], bool]:
    return lambda p: p.early.stage in early and p.late.stage in late


def _both(*tests: Callable[[Pair], bool]) -> Callable[[Pair], bool]:
    return lambda p: all(test(p) for test in tests)


def _shared(p: Pair) -> bool:
    return p.shared


def _into_relief(p: Pair) -> bool:
    """Whether the early step drills towards the relief that the late one makes at the exit."""
    drills = p.early.stage == Stage.DRILL and p.late.stage == Stage.RELIEF
    return drills and p.shared and p.early.side == opposite(p.late.side)


ANY = tuple(Stage)
_AFTER_THREADS = tuple(s for s in Stage if s > Stage.THREAD)
_SOFT = tuple(s for s in Stage if s < Stage.STRESS_RELIEF)
_HEATED = (Stage.STRESS_RELIEF, Stage.HARDEN)
_HARD = tuple(s for s in Stage if s > Stage.SIZE)
_UP_TO_FINISH = tuple(s for s in Stage if Stage.GRIND <= s <= Stage.FINISH)

# The first that applies to an early and a late step says why (common practice, no source).
RULES: tuple[Rule, ...] = (
    Rule(_stages((Stage.SQUARE,), ANY), "the blank is squared and its datums ground first"),
    Rule(_stages(ANY, (Stage.INSPECT,)), "cleaning, gauging and the final inspection come last"),
    Rule(_stages(_SOFT, _HEATED), "cut while the steel is soft"),
    Rule(_stages((Stage.STRESS_RELIEF,), (Stage.HARDEN,)), "stresses of roughing go before it is hardened"),
    Rule(_stages(_HEATED, (Stage.SIZE, *_HARD)), "what must be true is made after hardening, which warps"),
    Rule(_stages((Stage.SIZE,), _HARD), "the hardened part is ground to size, and its datums with it, first"),
    Rule(_stages(ANY, (Stage.EDGES,)), "edges are broken at the end, on the mounting side only"),
    Rule(
        _both(_stages(ANY, (Stage.SEAT_EDGES,)), _shared),
        "edges are broken once all that meets there is cut",
    ),
    Rule(
        _both(_stages((Stage.WIRE, Stage.TRIM, Stage.ERODE), (Stage.RECAST,)), _shared),
        "the recast skin comes off once all erosion there is done",
    ),
    Rule(_both(_stages((Stage.SOFT_ROUGH,), (Stage.GRIND, *MILLED)), _shared), "roughing first"),
    Rule(
        _both(_stages((Stage.SPOT_FACE,), BORING), _shared),
        "a drill starts on a flat that is square to it",
    ),
    Rule(
        _both(_stages((Stage.RELIEF,), (Stage.THREAD,)), _shared),
        "a thread's relief is opened before the thread",
    ),
    Rule(
        _both(_stages((Stage.COUNTERSINK,), (Stage.THREAD,)), _shared),
        "a thread's mouth is chamfered before the thread",
    ),
    Rule(
        _both(_stages((Stage.DRILL,), BORING), _shared, lambda p: not _into_relief(p)),
        "the core hole is drilled first",
    ),
    Rule(
        _both(_stages(BORING, (*BORING, *MILLED)), _shared, lambda p: not _into_relief(p)),
        "a bore is opened before its mouth and floor",
    ),
    Rule(
        _both(_stages(BORING, _AFTER_THREADS), lambda p: p.holds_part and p.late.side != "-z"),
        "the part is later held by these threads",
    ),
    Rule(
        _both(_stages((Stage.START_HOLE,), (Stage.WIRE,)), _shared),
        "the wire is threaded through its start hole",
    ),
    Rule(_both(_stages(ANY, (Stage.TRIM,)), _shared), "trim cuts follow the main cut"),
    Rule(
        _both(_stages(ANY, (Stage.LAST,)), lambda p: p.shared or p.late.process == p.job.squarer.name),
        "what is called out this fine is finished last: no later cut may move or mark it",
    ),
    Rule(
        _stages((Stage.OPEN,), _UP_TO_FINISH),
        "a fragile opening is opened before a later cut crosses it",
    ),
    Rule(
        _both(_stages((Stage.GRIND,), MILLED), lambda p: p.shared or p.early.side == p.late.side),
        GROUND_FIRST,
    ),
    Rule(_both(_stages(MILLED, (Stage.FINISH,)), _shared), "semi-finish before the floor finish"),
    Rule(_both(_stages(MILLED, MILLED), _shared), "roughing first"),
    Rule(_stages(ANY, (Stage.ERODE,)), "erosion last: electrodes take only what nothing else reaches"),
)


def reason(pair: Pair) -> str | None:
    """Why a step comes before another, None where no rule says that it must."""
    if pair.early.stage >= pair.late.stage:
        return None
    return next((rule.because for rule in RULES if rule.applies(pair)), None)


def precedence(job: JobContext, steps: Sequence[Step]) -> dict[int, dict[int, str]]:
    """For each step (by place) the steps that come before it, with the reason."""
    before: dict[int, dict[int, str]] = {k: {} for k in range(len(steps))}
    for k, late in enumerate(steps):
        for j, early in enumerate(steps):
            because = reason(Pair(job, early, late))
            if j != k and because:
                before[k][j] = because
    for j, k, why in [
        *order_preferences(job, steps),
        *_way_in_first(job, steps),
        *_way_out_first(job, steps),
        *_ground_first(steps),
        *_seat_first(job, steps),
    ]:
        if not _leads_to(before, k, j):
            before[k].setdefault(j, why)
    return direct(before)


def _seat_first(job: JobContext, steps: Sequence[Step]) -> Iterator[tuple[int, int, str]]:
    """Edges of the mounting side before the machines that bear on it, unless it is hardened after them."""
    for j, early in enumerate(steps):
        for k, late in enumerate(steps if early.stage == Stage.SEAT_EDGES else ()):
            waits = late.stage not in (Stage.SQUARE, Stage.SIZE) and not any(t.soft for t in late.tasks)
            if waits and late.process in job.processes and late.side != early.side:
                yield (
                    j,
                    k,
                    "edges of the mounting side are broken before it is borne on: a burr lifts the part",
                )


def _way_in_first(job: JobContext, steps: Sequence[Step]) -> Iterator[tuple[int, int, str]]:
    """The bore or recess around a groove before the groove: its tool comes in through it."""
    for k, late in enumerate(steps):
        around = {
            job.owner[face].id
            for groove in (job.by_id[f] for f in late.features if job.by_id[f].kind == Kind.GROOVE)
            for own in groove.faces
            for face in job.part.across(own)
            if face not in groove.faces and job.owner[face].kind != Kind.OUTSIDE_FACE
        }
        for j, early in enumerate(steps):
            apart = not set(early.features) & set(late.features)
            if early.stage in _OPENS and apart and around & set(early.features):
                yield j, k, "a groove's tool comes in through the bore or recess around it"


def _way_out_first(job: JobContext, steps: Sequence[Step]) -> Iterator[tuple[int, int, str]]:
    """The relief at a through thread's exit before its drill: else the part is turned over once more."""
    for j, relief in enumerate(steps):
        for k, drill in enumerate(steps):
            if _into_relief(Pair(job, drill, relief)):
                yield j, k, "the drill breaks out into the relief, and breaks no edge"


def _ground_first(steps: Sequence[Step]) -> Iterator[tuple[int, int, str]]:
    """Grinding before what is milled from other sides, unless a datum asks for the opposite."""
    for k, late in enumerate(steps):
        for j, early in enumerate(steps):
            if early.stage == Stage.GRIND and late.stage in MILLED:
                yield j, k, GROUND_FIRST


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


def direct(before: Mapping[int, Mapping[int, str]]) -> dict[int, dict[int, str]]:
    """Only the arrows that no chain of others implies (the transitive reduction)."""
    above: dict[int, set[int]] = {}
    for k in TopologicalSorter({k: list(v) for k, v in before.items()}).static_order():
        above[k] = set(before[k]).union(*(above[j] for j in before[k]))
    return {
        k: {j: why for j, why in early.items() if not any(j in above[i] for i in early)}
        for k, early in before.items()
    }

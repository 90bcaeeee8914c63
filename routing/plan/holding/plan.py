"""How each setup is held: the first way of the shop's order that works, and why those before it do not."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from featurize import tolerances as tol
from featurize.brep.frame import SIDES
from routing.plan.bearing import outside
from routing.plan.holding.between import chuck, vise
from routing.plan.holding.by_threads import Screwed, threads, usable
from routing.plan.holding.fixtures import Fixture
from routing.plan.holding.on_plate import blocks, clamps, magnet
from routing.plan.holding.setup import Answer, Grade, Situation, best
from routing.plan.steps import STATIONS
from routing.processes.context import JobContext
from routing.processes.flags import Flag, Severity
from routing.processes.protocol import ALL_SIDES, Approach, Stage

WAYS: Mapping[str, Callable[[Situation], Answer]] = {
    "threads": threads,
    "magnet": magnet,
    "blocks": blocks,
    "vise": vise,
    "chuck": chuck,
    "clamps": clamps,
}
# Of these the part may come magnetic.
MAGNETIC = frozenset({"magnet", "blocks"})
# Decimals to which the areas of seats are compared.
_SAME_MM2 = 3


@dataclass(frozen=True)
class Held:
    """One setup: ``answer`` is the way taken, None where nothing holds it, ``refused`` those asked before.

    ``seat`` is the side that is down, ``seat_mm2`` what is flat of it by then and ``seat_whole_mm2`` what was
    in the blank; "" and 0 where it is held by hand. ``made`` are the features that were made before, ``cut``
    those of this setup; ``over_mm`` stands over the squared blank a side, for after hardening. ``fixtures``
    stand as in the first position of a part that is turned over.
    """

    setup: int
    process: str
    from_side: str
    answer: Answer | None
    refused: tuple[Answer, ...]
    seat: str = ""
    seat_mm2: float = 0.0
    seat_whole_mm2: float = 0.0
    made: frozenset[str] = frozenset()
    cut: frozenset[str] = frozenset()
    over_mm: float = 0.0
    fixtures: tuple[Fixture, ...] = ()

    @property
    def bears_on(self) -> tuple[str, ...]:
        return self.answer.bears_on if self.answer else ()

    @property
    def screws(self) -> tuple[Screwed, ...]:
        """Every thread that was looked at, taken or not."""
        return tuple(s for a in (self.answer, *self.refused) if a for s in a.screws)


class HeldStep(Protocol):
    """A step as holding sees it."""

    @property
    def stage(self) -> Stage: ...

    @property
    def process(self) -> str: ...

    @property
    def approach(self) -> Approach: ...

    @property
    def features(self) -> tuple[str, ...]: ...


def hold(job: JobContext, setups: Sequence[Sequence[HeldStep]]) -> tuple[Held, ...]:
    """A holding for each setup, given by its steps, in order."""
    return tuple(_each(job, setups, lambda process: True))


def magnetised(job: JobContext, setups: Sequence[Sequence[HeldStep]]) -> list[int]:
    """The numbers of the setups that leave the part magnetic; only what may be held so is looked at."""

    def may_be(process: str) -> bool:
        return process not in STATIONS and not MAGNETIC.isdisjoint(job.processes[process].holding(job).ways)

    return magnetic(_each(job, setups, may_be))


def magnetic(held: Iterable[Held]) -> list[int]:
    """The numbers of setups held so that the part is magnetic afterwards."""
    return [h.setup for h in held if h.answer is not None and h.answer.magnetises]


def _each(
    job: JobContext, setups: Sequence[Sequence[HeldStep]], wanted: Callable[[str], bool]
) -> Iterator[Held]:
    """A holding for each setup whose process is wanted."""
    made: set[str] = set()
    threaded: set[str] = set()
    for number, (steps, over) in enumerate(zip(setups, _over(job, setups), strict=True), 1):
        cut = {f for s in steps if s.stage not in _NOT_CUT for f in s.features}
        if wanted(steps[0].process):
            held = _held(job, number, steps[0], cut, made, threaded, max(over))
            if max(over) - min(over) > tol.LENGTH_MM:  # nobody knows how a given blank lies in a fixture
                held = replace(held, fixtures=())
            yield replace(held, made=frozenset(made), cut=frozenset(cut), over_mm=max(over))
        made |= {f for s in steps if s.stage not in _NOT_MADE for f in s.features}
        threaded |= {f for s in steps if s.stage == Stage.THREAD for f in s.features}


def _over(job: JobContext, setups: Sequence[Sequence[HeldStep]]) -> Iterator[list[float]]:
    """For each setup how far the stock then stands over the squared blank on each side."""
    blanks, due = job.blanks, {s.stage for steps in setups for s in steps} & {Stage.SQUARE, Stage.SIZE}
    for steps in setups:
        now = blanks and (
            blanks.bought if Stage.SQUARE in due else blanks.soft if Stage.SIZE in due else None
        )
        sides = [job.part.frame.direction(s) for s in SIDES]
        yield [now.extent(d)[1] - blanks.squared.extent(d)[1] if now and blanks else 0.0 for d in sides]
        due -= {s.stage for s in steps}


# A start hole is not yet the opening.
_NOT_CUT = (Stage.SQUARE, Stage.SIZE)
_NOT_MADE = (
    Stage.SQUARE,
    Stage.SIZE,
    Stage.START_HOLE,
    Stage.STRESS_RELIEF,
    Stage.HARDEN,
    Stage.RECAST,
    Stage.SEAT_EDGES,
    Stage.EDGES,
    Stage.INSPECT,
)


def _held(
    job: JobContext,
    number: int,
    first: HeldStep,
    cut: set[str],
    made: set[str],
    threaded: set[str],
    over_mm: float,
) -> Held:
    process, side = first.process, first.approach.side
    if process in STATIONS:
        return Held(
            number, process, side, Answer("by hand", Grade.HOLDS, "held by hand or in a soft vise"), ()
        )
    preference = job.processes[process].holding(job)
    bases, tilt = _bases(job, first.approach)
    setups = [
        Situation(
            job, preference.force_n, base, frozenset(cut), frozenset(made - cut), frozenset(threaded), over_mm
        )
        for base in bases
    ]
    # Sides of one size are told apart by their order, not by rounding.
    low = min(setups, key=lambda s: round(s.seat_mm2, _SAME_MM2))
    seat = low.seat.side, low.seat_mm2, low.seat.whole_mm2
    if tilt is not None and tilt.answer is not None:
        return Held(number, process, side, None, (tilt.answer,), *seat)
    asked: list[Answer] = []
    first_up = next((k for k, base in enumerate(bases) if base == job.side_name(first.approach.direction)), 0)
    standing: dict[str, tuple[Fixture, ...]] = {}
    for way in preference.ways:
        answers = [WAYS[way](setup) for setup in setups]
        standing[way] = answers[first_up].fixtures
        # Turned over several sides it must hold on each.
        worst = min(answers, key=lambda a: (a.grade == Grade.HOLDS, a.grade == Grade.WEAK))
        if len(answers) > 1:
            worst = replace(worst, reason=f"turned over {len(answers)} sides, such as {worst.reason}")
        if tilt is not None:
            worst = replace(worst, reason=f"{worst.reason}, {tilt.words}")
        if worst.grade == Grade.HOLDS:
            return Held(number, process, side, worst, tuple(asked), *seat, fixtures=standing[way])
        asked.append(worst)
    chosen = best(asked) if asked else None
    if chosen is None or chosen.grade == Grade.NO:
        return Held(number, process, side, None, tuple(asked), *seat)
    others = tuple(a for a in asked if a is not chosen)
    return Held(number, process, side, chosen, others, *seat, fixtures=standing[chosen.way])


@dataclass(frozen=True)
class _Tilt:
    """A part set slanted: on a sine plate, or refused with ``answer``."""

    words: str
    answer: Answer | None = None


def _bases(job: JobContext, approach: Approach) -> tuple[Sequence[str], _Tilt | None]:
    """The sides that are up in a setup, and how it is set slanted."""
    if approach.side == ALL_SIDES:
        # A disc is turned over its two faces: the round is no side to square.
        return [s for s in SIDES if outside(job, s).features] or SIDES, None
    if approach.side in SIDES:
        return (approach.side,), None
    up = approach.direction
    base = max(SIDES, key=lambda s: float(job.part.frame.direction(s) @ up))
    return (base,), _tilted(job, base, up @ job.part.frame.axes.T)


def _tilted(job: JobContext, base: str, up: Iterable[float]) -> _Tilt:
    """The sine plate's gauge blocks: height = length x sine of the angle, one for each tilted axis."""
    shop = job.shop.workholding
    local = dict(zip("xyz", up, strict=True))
    lean = [local[a] for a in "xyz" if a != base[1]]
    whole = math.degrees(math.acos(min(1.0, abs(local[base[1]]))))
    if whole > shop.sine_limit_deg:
        text = f"slanted by {whole:.2f} deg, over the {shop.sine_limit_deg:g} of the sine plate"
        return _Tilt("", Answer("sine plate", Grade.NO, text))
    # First about one axis until the direction stands over the other, then about that one.
    second = math.asin(max(-1.0, min(1.0, lean[1])))
    first = math.atan2(lean[0], abs(local[base[1]]))
    angles = [abs(a) for a in (first, second) if abs(a) > np.radians(0.02)]
    words = [f"{math.degrees(a):.3f} deg, gauge blocks {shop.sine_mm * math.sin(a):.3f}" for a in angles]
    kind = "compound sine plate" if len(angles) > 1 else "sine plate"
    return _Tilt(f"on a {kind} of {shop.sine_mm:g}: {' and '.join(words)}")


def holding_flags(held: Sequence[Held]) -> list[Flag]:
    """What a person must see to, and what may be done."""
    found = []
    for h in held:
        where = f"Setup {h.setup} ({h.process} from {h.from_side})"
        if h.answer is None:
            why = "; ".join(f"{a.way}: {a.reason}" for a in h.refused) or "no way is in the shop file"
            text = (
                f"{where} is held by nothing in the shop's order: {why}. Make a fixture, bond it to a "
                "carrier, or leave a foot on the blank to hold it by."
            )
            found.append(Flag("not-held", Severity.WARNING, None, text))
        elif h.answer.grade == Grade.WEAK:
            text = (
                f"{where} is held weakly by the {h.answer.way}: {h.answer.reason}. Cut lightly or add stops."
            )
            found.append(Flag("holding-weak", Severity.WARNING, None, text))
    taken = {s.feature for h in held if h.answer for s in usable(h.answer.screws)}
    seen = set()
    for s in (s for h in held for s in h.screws):
        # A thread that is weak in itself matters where it is held by; a wall that would break, anyhow.
        is_known = s.cramped or s.feature in taken
        if s.grade != Grade.HOLDS and is_known and s.feature not in seen:
            seen.add(s.feature)
            text = f"{s.reason} (estimates): tighten it less, or do not hold by it."
            found.append(Flag(f"thread-hold-{s.grade}", Severity.WARNING, s.feature, text))
    return found

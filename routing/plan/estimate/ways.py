"""One way to make the part: its steps in order, with the lines of what they take."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from featurize.feature import Feature
from routing.plan.choice import RoutedFeature, RoutedRegion
from routing.plan.estimate.efforts import Efforts
from routing.plan.estimate.price import Bill, PriceLine, setup_min, with_scrap
from routing.plan.precedence import precedence
from routing.plan.schedule import ordered
from routing.plan.steps import BENCH, Step, steps_of, tasks_of
from routing.processes.blank import Shape
from routing.processes.protocol import Effort, MadeTool, Stage, Task
from routing.stock.blank import blank_for


@dataclass(frozen=True, eq=False)
class Way:
    """``before`` has, for each step by its place in the order, the places that come before it, and why."""

    steps: tuple[Step, ...]
    setups: tuple[int, ...]  # the setup of each step, from 1
    before: tuple[Mapping[int, str], ...]
    bill: Bill

    @property
    def setup_count(self) -> int:
        return len(set(self.setups))


def way(efforts: Efforts, routed: Sequence[RoutedFeature], broken: Sequence[Feature]) -> Way:
    """Orders what was chosen and reckons it. ``broken`` are features with edges to break."""
    job = efforts.job
    loose = steps_of(job, routed, broken)
    needs = precedence(job, loose)
    order = ordered(loose, needs)
    place = {k: n for n, k in enumerate(order)}
    steps = tuple(loose[k] for k in order)
    setups = tuple(n for n, (_, same) in enumerate(groupby(steps, key=lambda s: s.setup), 1) for _ in same)
    before = tuple({place[j]: why for j, why in needs[k].items()} for k in order)
    lines = [*_step_lines(efforts, steps, setups), *_other_lines(efforts)]
    return Way(steps, setups, before, Bill(with_scrap(lines, efforts.rates), efforts.rates))


def demagnetised(efforts: Efforts, made: Way, magnets: Sequence[int]) -> Way:
    """The same with a step after each run of ``magnets``, which are the setups that leave it magnetic.

    A run ends where a machine draws chips to the part or gauges are laid on it: handwork between two magnets
    ends none (common practice, no source).
    """
    if not magnets:
        return made
    steps, setups, before = list[Step](), list[int](), list[Mapping[int, str]]()
    place: dict[int, int] = {}
    for n, (step, setup) in enumerate(zip(made.steps, made.setups, strict=True)):
        place[n] = len(steps)
        steps.append(step)
        setups.append(setup)
        before.append({place[j]: why for j, why in made.before[n].items()})
        rest = zip(made.steps[n + 1 :], made.setups[n + 1 :], strict=True)
        follows = next((s for t, s in rest if t.process != BENCH), None)
        if setup in magnets and setup not in made.setups[n + 1 :] and follows not in magnets:
            note = "demagnetised: a wire or a cutter draws chips to what is left, and gauges lie"
            task = Task(Stage.DEMAGNETISE, BENCH, step.approach, step.tasks[0].feature, notes=(note,))
            steps.append(Step(Stage.DEMAGNETISE, BENCH, step.approach, (task,), (note,)))
            setups.append(setup)
            before.append({len(steps) - 2: "the magnet is off"})
    lines = [*_step_lines(efforts, steps, setups), *_other_lines(efforts)]
    bill = Bill(with_scrap(lines, efforts.rates), efforts.rates)
    return Way(tuple(steps), tuple(setups), tuple(before), bill)


def alone(efforts: Efforts, region: RoutedRegion) -> Bill:
    """What one region takes by one process: no set-ups, no blank, no inspection."""
    lines: list[PriceLine] = []
    for task in tasks_of(efforts.job, region):
        lines += _lines(efforts, task.stage.words, task.process, efforts.of_task(task))
    return Bill(tuple(lines), efforts.rates)


def _step_lines(efforts: Efforts, steps: Sequence[Step], setups: Sequence[int]) -> Iterator[PriceLine]:
    last = 0
    for number, (step, setup) in enumerate(zip(steps, setups, strict=True), 1):
        own = efforts.factor(step.process, step.stage.words)
        ready = own * setup_min(efforts.rates, step.process) if setup != last else 0.0
        last = setup
        yield from _lines(efforts, step.stage.words, step.process, efforts.of_step(step), ready, number)


def _lines(
    efforts: Efforts, what: str, process: str, effort: Effort, ready: float = 0.0, number: int | None = None
) -> Iterator[PriceLine]:
    cost, what_for = efforts.running_cost(process)
    basis, own = effort.basis, efforts.factor(process, what)
    if own != 1.0:
        basis += (f"all times {own:.3g}, the shop's own (rates.factor)",)
    if cost:
        basis += (f"{what_for} {cost:g} {efforts.rates.currency} an hour",)
    yield PriceLine(
        what,
        process,
        basis,
        set_up_min=ready,
        run_min=effort.run_min,
        idle_min=effort.idle_min,
        each_cost=cost * effort.run_min / 60 + effort.each_cost,
        operation=number,
        factor=own,
    )
    for (name, maker), tools in _made(effort.tools).items():
        used = ", ".join(f"{t.share:.3g}" for t in tools)
        blanks = ", ".join("x".join(f"{s:g}" for s in t.blank_mm) for t in tools)
        made = f"{len(tools)} {name} at {tools[0].make_min:g} min, blanks {blanks}"
        basis = (f"{made} {tools[0].basis}; one piece wears {used} of them",)
        own = efforts.factor(maker)
        yield PriceLine(name, maker, basis, tools=tools, tool_min=own * tools[0].make_min, factor=own)


def _made(tools: Sequence[MadeTool]) -> dict[tuple[str, str], tuple[MadeTool, ...]]:
    found: dict[tuple[str, str], tuple[MadeTool, ...]] = {}
    for tool in tools:
        key = tool.what, tool.made_by
        found[key] = (*found.get(key, ()), tool)
    return found


def _other_lines(efforts: Efforts) -> Iterator[PriceLine]:
    """The blank."""
    job, rates = efforts.job, efforts.rates
    rule = job.rule()
    shape = job.blanks.bought.shape if job.blanks else None
    if shape == Shape.GIVEN:
        yield PriceLine("blank", "material", ("the blank was given: it is not priced",))
        return
    margin = job.choices.blank_margin_mm + rates.blank_margin_mm
    bought = blank_for(job.part, shape=shape, margin_mm=margin)
    mass = bought.volume_mm3 * rule.density_g_per_cm3 * 1e-6
    yield PriceLine(
        "blank",
        "material",
        (
            f"{bought.size}, {mass:.3g} kg at {rule.density_g_per_cm3:g} g/cm3 and "
            f"{rule.price_per_kg:g} {rates.currency}/kg",
        ),
        each_cost=mass * rule.price_per_kg,
    )

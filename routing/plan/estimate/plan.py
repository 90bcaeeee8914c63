"""One way to make the part: its operations in order, with the lines of what they take."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from featurize.feature import Kind
from routing.inputs.choices import BLANKS
from routing.plan.estimate.effort import Effort
from routing.plan.estimate.price import Bill, Line, setup_min, with_scrap
from routing.plan.estimate.steps import Sizes
from routing.plan.order import Choice, Operation, operations, steps_for, steps_of
from routing.stock.blank import Shape, blank_for


@dataclass(frozen=True)
class Plan:
    operations: tuple[Operation, ...]
    bill: Bill

    @property
    def setups(self) -> int:
        return len({o.setup for o in self.operations})


def plan(sizes: Sizes, choices: Sequence[Choice], broken: Sequence[str]) -> Plan:
    """Orders what was chosen and reckons it. ``broken`` are features with edges to break."""
    job = sizes.job
    ground = {c.feature.id for c in choices if c.verdict and c.verdict.process == "surface grind"}
    steps = steps_of(job, choices, broken)
    efforts = [sizes.effort(s, ground) for s in steps]
    found = operations(job, steps, [e.minutes for e in efforts])
    # Steps were merged by these three, so they name one.
    by_step = {
        (s.stage.name.lower().replace("_", " "), s.process, s.side): e
        for s, e in zip(steps, efforts, strict=True)
    }
    ordered = [(o, by_step[o.stage, o.process, o.from_side]) for o in found]
    lines = [*_operation_lines(sizes, ordered), *_other_lines(sizes)]
    return Plan(found, Bill(with_scrap(lines, sizes.rates), sizes.rates))


def alone(sizes: Sizes, choice: Choice) -> Bill:
    """What one feature takes by one process: no set-ups, no blank, no inspection."""
    ground = {choice.feature.id} if choice.verdict and choice.verdict.process == "surface grind" else set()
    lines: list[Line] = []
    for step in steps_for(choice):
        lines += _lines(sizes, step.stage.name.lower(), step.process, sizes.effort(step, ground))
    return Bill(tuple(lines), sizes.rates)


def _operation_lines(sizes: Sizes, ordered: Sequence[tuple[Operation, Effort]]) -> Iterator[Line]:
    setup = 0
    for o, effort in ordered:
        first, setup = o.setup != setup, o.setup
        ready = setup_min(sizes.rates, o.process) if first else 0.0
        yield from _lines(sizes, o.stage, o.process, effort, ready, o.number)


def _lines(
    sizes: Sizes, what: str, process: str, effort: Effort, ready: float = 0.0, number: int | None = None
) -> Iterator[Line]:
    rates = sizes.rates
    wear = sizes.rule.cutter_cost_per_hour if process == "mill" else 0.0
    basis = effort.basis
    if wear:
        basis += (f"cutters wear {wear:g} {rates.currency} an hour",)
    yield Line(
        what,
        process,
        basis,
        set_up_min=ready,
        run_min=effort.run_min,
        idle_min=effort.idle_min,
        each_cost=wear * effort.run_min / 60,
        operation=number,
    )
    if effort.electrodes:
        made = rates.erode
        used = ", ".join(f"{e.share:.3g}" for e in effort.electrodes)
        blanks = ", ".join("x".join(f"{s:g}" for s in e.blank_mm) for e in effort.electrodes)
        yield Line(
            "electrodes",
            "mill",
            (
                f"{len(effort.electrodes)} electrodes at {made.electrode_min:g} min milling, blanks {blanks} "
                f"at {made.electrode_per_cm3:g} {rates.currency}/cm3, {made.electrode_cost:g} "
                f"{rates.currency} each for holders; one piece wears {used} of them",
            ),
            tools=effort.electrodes,
            tool_min=made.electrode_min,
        )


def _other_lines(sizes: Sizes) -> Iterator[Line]:
    """Inspection and the blank."""
    job, rates, rule = sizes.job, sizes.rates, sizes.rule
    made = [f for f in job.features if f.kind != Kind.OUTSIDE_FACE]
    callouts = sum(len(f.callouts) for f in job.features)
    inspect = rates.inspect
    yield Line(
        "inspection",
        "inspect",
        (
            f"{len(made)} features at {inspect.feature_min:g} min, {callouts} callouts at "
            f"{inspect.callout_min:g} min, {inspect.piece_min:g} min a piece",
        ),
        set_up_min=setup_min(rates, "inspect"),
        run_min=inspect.feature_min * len(made) + inspect.callout_min * callouts,
        idle_min=inspect.piece_min,
    )
    if job.choices.blank not in BLANKS:
        yield Line("blank", "material", ("the blank was given: it is not priced",))
        return
    shape = None if job.choices.blank == "auto" else Shape(job.choices.blank)
    margin = job.choices.blank_margin_mm + rates.blank_margin_mm
    bought = blank_for(job.part, shape=shape, margin_mm=margin)
    mass = bought.volume_mm3 * rule.density_g_per_cm3 * 1e-6
    yield Line(
        "blank",
        "material",
        (
            f"{bought.size}, {mass:.3g} kg at {rule.density_g_per_cm3:g} g/cm3 and "
            f"{rule.price_per_kg:g} {rates.currency}/kg",
        ),
        each_cost=mass * rule.price_per_kg,
    )

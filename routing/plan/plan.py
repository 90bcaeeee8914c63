"""The plan: one immutable object that every paper is a projection of.

Setups in order, each with its zero, holding and steps; each step with its passes. Lengths mm, volumes mm3,
minutes. Places and directions are in model coordinates, heights in the setup's zero.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

from featurize.feature import Feature
from featurize.recognise import Recognition
from routing.plan.choice import RoutedFeature, RoutedRegion
from routing.plan.edges import EdgeVerdict
from routing.plan.estimate import Estimate
from routing.plan.holding.plan import Held
from routing.plan.thin_walls import Fragile
from routing.plan.zero import Zero
from routing.processes.context import JobContext
from routing.processes.flags import Flag
from routing.processes.protocol import Allowance, Approach, Stage, Task, ToolPass, Verdict
from routing.processes.tools import Tool


@dataclass(frozen=True, eq=False)
class Pass:
    """One tool at one region of a feature. ``region`` is its words, "" for the whole.

    ``high_mm`` and ``low_mm`` are between what heights it works, over the setup's zero. ``leaves`` stays for
    the step ``taken_off_by``, None where nothing is left or none takes it. ``cost`` is the estimate's money
    for what it wears of its tool. ``tool_passes`` are the tool's own, in order, their levels over the
    setup's zero.
    """

    feature: str
    region: str
    tool: Tool | None
    high_mm: float
    low_mm: float
    leaves: Allowance
    taken_off_by: int | None
    minutes: float
    basis: tuple[str, ...]
    task: Task
    cost: float
    tool_passes: tuple[ToolPass, ...] = ()


@dataclass(frozen=True, eq=False)
class PlannedStep:
    """``after`` are the numbers of steps that must be done before, ``because`` their reasons."""

    number: int
    stage: Stage
    process: str
    setup: int
    approach: Approach
    features: tuple[str, ...]
    passes: tuple[Pass, ...]
    after: tuple[int, ...]
    because: tuple[str, ...]
    minutes: float
    notes: tuple[str, ...]

    @property
    def from_side(self) -> str:
        return self.approach.side


@dataclass(frozen=True, eq=False)
class Setup:
    """``stock_before`` and ``stock_after`` name the bodies that are in the shop then."""

    number: int
    process: str
    approach: Approach
    zero: Zero
    held: Held
    steps: tuple[PlannedStep, ...]
    stock_before: str
    stock_after: str


@dataclass(frozen=True, eq=False)
class Plan:
    """Everything decided about one part; bodies and papers are made from it later."""

    job: JobContext
    recognition: Recognition
    features: tuple[RoutedFeature, ...]
    setups: tuple[Setup, ...]
    edges: tuple[EdgeVerdict, ...]
    flags: tuple[Flag, ...]
    estimate: Estimate
    fragile: tuple[Fragile, ...]

    @cached_property
    def steps(self) -> tuple[PlannedStep, ...]:
        """All steps in order: the operations of the route."""
        return tuple(step for setup in self.setups for step in setup.steps)

    @cached_property
    def by_id(self) -> Mapping[str, RoutedFeature]:
        return {routed.feature.id: routed for routed in self.features}

    @cached_property
    def verdicts(self) -> Mapping[str, tuple[Verdict, ...]]:
        """Every process's answer about the whole feature, in the order asked, by feature id."""
        return {routed.feature.id: routed.verdicts for routed in self.features}

    @property
    def holding(self) -> tuple[Held, ...]:
        return tuple(setup.held for setup in self.setups)

    @property
    def regions(self) -> Iterator[RoutedRegion]:
        for routed in self.features:
            yield from routed.regions

    @property
    def made(self) -> Iterator[tuple[Feature, Verdict]]:
        """What each process makes of which region, the bulk that one takes ahead of another included."""
        for region in self.regions:
            for verdict in (*region.ahead, region.verdict):
                if verdict is not None:
                    yield region.piece, verdict

    def process_of(self, feature_id: str) -> str:
        return self.by_id[feature_id].process

    def step_of(self, feature_id: str) -> PlannedStep | None:
        """The first step of its process at a feature, or at the core of one."""
        core, process = self.by_id[feature_id].main.piece.id, self.process_of(feature_id)
        own = (s for s in self.steps if s.process == process)
        return next((s for s in own if any(p.task.feature.id == core for p in s.passes)), None)

    def approach_of(self, feature_id: str) -> Approach | None:
        """How the tool comes that makes a feature, or the core of one."""
        step = self.step_of(feature_id)
        return step.approach if step else None

    def setup_of(self, step: int) -> Setup:
        return next(s for s in self.setups if any(o.number == step for o in s.steps))


def name_of_stock(setup: int) -> str:
    """The body after a setup; 0 is the blank."""
    return f"setup {setup}" if setup else "blank"

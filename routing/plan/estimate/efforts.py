"""What each task of a plan takes: asked of who does it, kept from one way to make the part to the next."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field

from routing.plan.edges import EdgeVerdict
from routing.plan.estimate import stations
from routing.plan.steps import STATIONS, Step
from routing.processes.context import JobContext
from routing.processes.protocol import Effort, Task, feature_of, total
from routing.processes.shop import Rates


@dataclass(frozen=True, eq=False)
class Efforts:
    job: JobContext
    edges: tuple[EdgeVerdict, ...]
    _known: dict[Hashable, Effort] = field(default_factory=dict, repr=False)

    @property
    def rates(self) -> Rates:
        return self.job.shop.rates

    def factor(self, process: str, step: str = "") -> float:
        """What the shop's own minutes are to those worked out from its rates."""
        return self.rates.factor.of(process, self.job.material.family, step)

    def of_step(self, step: Step) -> Effort:
        """One piece's effort for a step, without its setup."""
        return total(self.of_task(task) for task in step.tasks)

    def of_task(self, task: Task) -> Effort:
        """One region's, told by the name of its feature."""
        ahead = task.ahead.process if task.ahead else ""
        key = (
            task.stage,
            task.process,
            task.approach.side,
            task.feature.id,
            task.tool,
            task.volume_mm3,
            task.keeps,
            task.blends,
            task.soft,
            ahead,
        )
        if key not in self._known:
            found = (
                stations.effort(self.job, task, self.edges)
                if task.process in STATIONS
                else self.job.processes[task.process].effort(self.job, task)
            )
            own = found.of(feature_of(task.feature.id))
            self._known[key] = own.scaled(self.factor(task.process, task.stage.words))
        return self._known[key]

    def running_cost(self, process: str) -> tuple[float, str]:
        """Money an hour beyond the machine's rate, and what for."""
        return (
            (0.0, "") if process in STATIONS else self.job.processes[process].running_cost_per_hour(self.job)
        )

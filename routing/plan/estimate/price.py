"""Lines of minutes and money, their sum for a batch, and how far it may be out.

The rule of ranges: lines of one process share its rates, so what is wrong with one is wrong with all, and
their deviations add; processes err independently of each other, so those sums add in quadrature, low and
high apart. A batch learns nothing: each piece takes as long as the first.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from routing.processes.protocol import MadeTool
from routing.processes.shop import Range, Rates

RULE = (
    "ranges of lines of one process add, as they share its rates; sums of different processes add in "
    "quadrature, low and high apart"
)

# Lines that no machine spends time on.
_NO_TIME = ("material", "scrap")


@dataclass(frozen=True)
class Sum:
    """A middle value with what it may turn out to be."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class PriceLine:
    """One line of the estimate. ``process`` gives its hourly rate and its range.

    ``set_up_min`` is spent once for a batch, ``run_min`` and ``idle_min`` for each piece. ``tools`` are the
    electrodes made for this part, each in ``tool_min``. ``each_cost`` is money per piece beyond time.
    """

    what: str
    process: str
    basis: tuple[str, ...]
    set_up_min: float = 0.0
    run_min: float = 0.0
    idle_min: float = 0.0
    each_cost: float = 0.0
    tools: tuple[MadeTool, ...] = ()
    tool_min: float = 0.0
    operation: int | None = None
    factor: float = 1.0  # the shop's own, which is in all minutes here

    def minutes(self, pieces: int = 1) -> float:
        """Minutes apiece in a batch."""
        return (
            self.set_up_min / pieces + self.run_min + self.idle_min + self.tool_min * self.tools_made(pieces)
        )

    def cost(self, per_hour: float, pieces: int = 1) -> float:
        """Money apiece in a batch."""
        return self.minutes(pieces) / 60 * per_hour + self.each_cost + self.tool_cost(pieces)

    def tools_made(self, pieces: int = 1) -> float:
        """Electrodes apiece: one each for the batch, or what it wears."""
        return sum(tool.used(pieces) for tool in self.tools)

    def tool_cost(self, pieces: int = 1) -> float:
        """Money apiece for electrodes, beside the time of making them."""
        return sum(tool.used(pieces) * tool.cost for tool in self.tools)


@dataclass(frozen=True)
class Bill:
    """All lines of one way to make the part."""

    lines: tuple[PriceLine, ...]
    rates: Rates

    def minutes(self, pieces: int = 1) -> Sum:
        return self._sum(lambda line: line.minutes(pieces))

    def cost(self, pieces: int = 1) -> Sum:
        return self._sum(lambda line: self.cost_of(line, pieces))

    def cost_of(self, line: PriceLine, pieces: int = 1) -> float:
        return line.cost(per_hour(self.rates, line.process), pieces)

    def range_of(self, line: PriceLine) -> Range:
        return range_of(self.rates, line.process)

    def _sum(self, value: Callable[[PriceLine], float]) -> Sum:
        of: dict[str, float] = {}
        for line in self.lines:
            of[line.process] = of.get(line.process, 0.0) + value(line)
        return combined(of, self.rates)


def combined(values: Mapping[str, float], rates: Rates) -> Sum:
    """The sum of one value for each process, by the rule of ranges."""
    middle = sum(values.values())
    down = sum((v * (1 - range_of(rates, name).low)) ** 2 for name, v in values.items()) ** 0.5
    up = sum((v * (range_of(rates, name).high - 1)) ** 2 for name, v in values.items()) ** 0.5
    return Sum(middle, middle - down, middle + up)


def per_hour(rates: Rates, process: str) -> float:
    """Money; nothing for what is bought or lost. Raises KeyError where the shop file has no rate."""
    return 0.0 if process in _NO_TIME else rates.per_hour[process]


def setup_min(rates: Rates, process: str) -> float:
    """Raises KeyError where the shop file has no time."""
    return rates.setup_min[process]


def range_of(rates: Rates, process: str) -> Range:
    """Raises KeyError where the shop file has no range."""
    return rates.range_of(process)


def with_scrap(lines: Sequence[PriceLine], rates: Rates) -> tuple[PriceLine, ...]:
    """The lines, and one for the pieces that are lost: blank and work of p / (1 - p) more for each good one.

    p is the chance that at least one operation spoils the piece; set-ups and electrodes are not made again.
    """
    good = 1.0
    for line in lines:
        if line.operation is not None:
            good *= 1 - rates.scrap_share[line.process]
    spent = sum(
        (line.run_min + line.idle_min) / 60 * per_hour(rates, line.process) + line.each_cost for line in lines
    )
    more = 1 / good - 1
    basis = f"{1 - good:.2%} of pieces lost, each with its blank and all its work: {more:.4f} of {spent:.2f}"
    return (*lines, PriceLine("scrap risk", "scrap", (basis,), each_cost=more * spent))

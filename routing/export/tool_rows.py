"""The tools of each setup and of the whole job: what to lay out, how far it stands out, what is spent.

Tools, steps, minutes and what wears of a tool are the plan's; what of its life that is, is told where the
shop's list has its price.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import Protocol, runtime_checkable

from routing.export.numbers import rounded
from routing.export.table import harmless
from routing.export.tool_words import kind_of, sizes_of
from routing.plan.plan import Pass, Plan, PlannedStep, Setup
from routing.processes.shop import Shop
from routing.processes.tools import ElectrodeSet, HandTool, Tool

TO_BUY, UNLISTED, MADE = "to buy", "not in the shop's lists: look for it", "made for this job"
CHOOSE = "choose one"
NONE = "none named"


@runtime_checkable
class _Bought(Protocol):
    """A tool whose price the shop's list has."""

    @property
    def price(self) -> float: ...


@runtime_checkable
class _Standing(Protocol):
    """A tool whose list says how far it must stand out of its holder."""

    @property
    def stick_out_mm(self) -> float: ...


@dataclass(frozen=True)
class ToolRow:
    """One tool in one setup, or in the whole job where ``setup`` is None.

    ``reach_mm`` is how far under the stock's top it goes, ``cost`` what the estimate counts for its wear,
    ``life_share`` how much of its price, so of its life, that is; None where the shop's rates do not say.
    ``get`` is "" for what the shop has.
    """

    setup: int | None
    process: str
    tool: str
    kind: str
    size_mm: float | None
    sizes: str
    stick_out_mm: float | None
    reach_mm: float
    steps: tuple[int, ...]
    features: tuple[str, ...]
    minutes: float
    life_share: float | None
    cost: float | None
    get: str


def tool_rows(plan: Plan) -> list[ToolRow]:
    """Those of each setup in its order, then those of the job."""
    uses = [
        (setup, step, p)
        for setup in plan.setups
        for step in setup.steps
        for p in step.passes
        if step.process in plan.job.processes or p.tool is not None
    ]
    by_setup = [(setup, [u for u in uses if u[0] is setup]) for setup in plan.setups]
    found = [row for setup, own in by_setup for row in _rows(plan, setup.number, own)]
    return [*found, *_rows(plan, None, uses)]


_Use = tuple[Setup, PlannedStep, Pass]


def _rows(plan: Plan, number: int | None, uses: Iterable[_Use]) -> Iterator[ToolRow]:
    groups: dict[tuple[str, str], list[_Use]] = {}
    for setup, step, p in uses:
        words = NONE if p.tool is None else str(p.tool)
        groups.setdefault((step.process, words), []).append((setup, step, p))
    for (process, words), own in groups.items():
        yield _row(plan, number, process, words, own)


def _row(plan: Plan, number: int | None, process: str, words: str, own: Sequence[_Use]) -> ToolRow:
    tool = own[0][2].tool
    minutes = sum(p.minutes for *_, p in own)
    cost = sum(p.cost for *_, p in own)
    share = cost / tool.price if cost and isinstance(tool, _Bought) and tool.price > 0 else None
    out = max([0.0, *(_stick_out_mm(p) for *_, p in own)])
    sizes = [] if tool is None else sizes_of(tool)
    return ToolRow(
        setup=number,
        process=process,
        tool=words,
        kind="" if tool is None else kind_of(tool),
        size_mm=rounded(sizes[0].value) if sizes else None,
        sizes=", ".join(map(str, sizes)),
        stick_out_mm=rounded(out) if out else None,
        reach_mm=rounded(max(_depth_mm(plan, setup, p) for setup, _, p in own)),
        steps=tuple(dict.fromkeys(step.number for _, step, _ in own)),
        features=tuple(dict.fromkeys(p.feature for *_, p in own)),
        minutes=rounded(minutes, 1),
        life_share=None if share is None else rounded(share, 4),
        cost=rounded(cost, 2) if cost else None,
        get=_get(
            plan.job.shop,
            tool,
            workable=all(p.task.verdict is None or p.task.verdict.workable for *_, p in own),
        ),
    )


def _stick_out_mm(p: Pass) -> float:
    """What the verdict asks for, else the least that the tool's list says."""
    return max(s.stick_out_mm if isinstance(s, _Standing) else 0.0 for s in (p.task.verdict, p.tool))


def _depth_mm(plan: Plan, setup: Setup, p: Pass) -> float:
    """How far under the top of the part's box a pass goes."""
    up = setup.zero.axes[2]
    top = plan.job.top_mm(up) + float((plan.job.part.frame.origin - setup.zero.origin_mm) @ up)
    return max(0.0, top - p.low_mm)


def _get(shop: Shop, tool: Tool | None, *, workable: bool) -> str:
    """What is to be done to have a tool: where a person forced a process, the shop may have none that can."""
    if tool is None:
        return CHOOSE if workable else TO_BUY
    if isinstance(tool, HandTool):
        return ""
    if isinstance(tool, ElectrodeSet):
        return MADE
    listed = [t for t in _listed(shop) if type(t) is type(tool)]
    if not listed:
        return UNLISTED
    return "" if tool in listed else TO_BUY


def _listed(shop: Shop) -> Iterator[object]:
    """Every entry of the lists in the processes' own tables, and what they stand for."""
    for section in shop.sections.values():
        names = [f.name for f in fields(section)]  # type: ignore[arg-type]
        names += [n for n in vars(type(section)) if n.startswith("every_")]
        for value in (getattr(section, n) for n in names):
            if isinstance(value, Sequence) and not isinstance(value, str):
                yield from value


def text(rows: Sequence[ToolRow]) -> str:
    """CSV (RFC 4180); the rows of the job have "job" for their setup."""
    stream = io.StringIO()
    writer = csv.DictWriter(stream, [f.name for f in fields(ToolRow)])
    writer.writeheader()
    writer.writerows(_cells(asdict(row)) for row in rows)
    return stream.getvalue()


def _cells(row: Mapping[str, object]) -> dict[str, object]:
    cells = {
        k: " ".join(map(str, v)) if isinstance(v, tuple) else "" if v is None else v for k, v in row.items()
    }
    cells["setup"] = cells["setup"] or "job"
    return {k: harmless(v) if isinstance(v, str) else v for k, v in cells.items()}

"""Steps in an order that keeps what must come before, with as few setups as that allows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from graphlib import TopologicalSorter
from typing import Protocol


class Scheduled(Protocol):
    """A step: its stage, and the setup that it needs."""

    @property
    def stage(self) -> int: ...

    @property
    def setup(self) -> tuple[str, ...]: ...


def ordered(steps: Sequence[Scheduled], before: Mapping[int, Mapping[int, str]]) -> list[int]:
    """A stable order that keeps a setup while anything in it is ready."""
    sorter = TopologicalSorter({k: list(v) for k, v in before.items()})
    sorter.prepare()
    ready: list[int] = []
    order: list[int] = []
    setup: tuple[str, ...] | None = None
    while sorter.is_active():
        ready += sorter.get_ready()
        kept = [k for k in ready if steps[k].setup == setup]
        k = min(kept or ready, key=lambda i: (steps[i].stage, i))
        setup = steps[k].setup
        ready.remove(k)
        order.append(k)
        sorter.done(k)
    return order

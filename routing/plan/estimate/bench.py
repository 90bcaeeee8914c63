"""Minutes of the bench: closed forms on lengths and areas, common practice, no source."""

from __future__ import annotations

from routing.plan.edges import Break, EdgeVerdict
from routing.processes.context import JobContext
from routing.processes.protocol import Effort, Stage, Task
from routing.processes.shop import BenchRates
from routing.processes.sizes import area_of_faces


def effort(job: JobContext, task: Task, edges: tuple[EdgeVerdict, ...]) -> Effort:
    """What a person does by hand at one feature; raises ValueError for a stage of no bench."""
    rates = job.shop.rates.bench
    if task.stage == Stage.LAST:
        return lap(area_of_faces(job, task.feature.faces), rates)
    if task.stage != Stage.EDGES:
        raise ValueError(f"the bench does not do {task.stage.words}")
    # Each edge is counted once, with the first of its two faces.
    mine = (e for e in edges if e.verdict == Break.MUST_BREAK and job.owner[e.faces[0]].id == task.feature.id)
    length = sum(e.length_mm for e in mine)
    return break_edges(length, rates) if length else Effort()


def break_edges(length: float, rates: BenchRates) -> Effort:
    words = f"{length:.4g} mm of edge at {rates.edge_mm_per_min:g} mm/min"
    return Effort(length / rates.edge_mm_per_min, 0.0, (words,))


def lap(area: float, rates: BenchRates) -> Effort:
    words = f"{area:.4g} mm2 lapped at {rates.lap_mm2_per_min:g} mm2/min"
    return Effort(area / rates.lap_mm2_per_min, 0.0, (words,))

"""What is done beside the machines: the bench, the inspector, and what is bought in.

Closed forms on lengths, areas and masses, common practice, no source; every rate stands in the shop file.
"""

from __future__ import annotations

from routing.plan.edges import Break, EdgeVerdict, made_with
from routing.processes.context import JobContext
from routing.processes.protocol import Effort, Stage, Task
from routing.processes.shop import BenchRates
from routing.processes.sizes import area_of_faces


def effort(job: JobContext, task: Task, edges: tuple[EdgeVerdict, ...]) -> Effort:
    """One piece's effort for a task of a station; raises ValueError for a stage of none."""
    rates = job.shop.rates
    match task.stage:
        case Stage.LAST:
            return lap(area_of_faces(job, task.feature.faces), rates.bench)
        case Stage.RECAST:
            return recast(area_of_faces(job, task.feature.faces), rates.bench)
        case Stage.SEAT_EDGES | Stage.EDGES:
            own = (e for e in edges if made_with(e, job.by_id) == task.feature.id)
            length = sum(e.length_mm for e in own if e.verdict == Break.MUST_BREAK)
            return break_edges(length, rates.bench) if length else Effort()
        case Stage.DEMAGNETISE:
            return Effort(0.0, rates.bench.demagnetise_min, ("demagnetised and checked with a needle",))
        case Stage.INSPECT:
            each, called = rates.inspect.feature_min, len(task.feature.callouts)
            words = f"gauged {each:g} min, {called} callouts at {rates.inspect.callout_min:g} min"
            return Effort(each + called * rates.inspect.callout_min, 0.0, (words,))
        case Stage.STRESS_RELIEF:
            return Effort(basis=("stress relieved, bought in",), each_cost=rates.bought_in.stress_relief_each)
        case Stage.HARDEN:
            kg = job.part.volume_mm3 * job.rule().density_g_per_cm3 * 1e-6
            cost = rates.bought_in.hardening_each + kg * rates.bought_in.hardening_per_kg
            return Effort(basis=(f"hardened to {job.material.name}, {kg:.3g} kg, bought in",), each_cost=cost)
    raise ValueError(f"no station does {task.stage.words}")


def break_edges(length: float, rates: BenchRates) -> Effort:
    words = f"{length:.4g} mm of edge at {rates.edge_mm_per_min:g} mm/min"
    return Effort(length / rates.edge_mm_per_min, 0.0, (words,))


def lap(area: float, rates: BenchRates) -> Effort:
    words = f"{area:.4g} mm2 lapped at {rates.lap_mm2_per_min:g} mm2/min"
    return Effort(area / rates.lap_mm2_per_min, 0.0, (words,))


def recast(area: float, rates: BenchRates) -> Effort:
    words = f"{area:.4g} mm2 of recast skin off at {rates.recast_mm2_per_min:g} mm2/min"
    return Effort(area / rates.recast_mm2_per_min, 0.0, (words,))

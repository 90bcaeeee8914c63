"""The electrodes that a feature will take, before any is drawn: their blanks, wear and money.

The estimate and the list of electrodes both have them from here.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from featurize.brep.shadow import View
from featurize.brep.surfaces import Array
from featurize.feature import Feature
from routing.processes.context import JobContext
from routing.processes.protocol import MadeTool, Verdict
from routing.processes.sink_erode import rules as plan
from routing.processes.sink_erode.shop import ErodeRates, ErodeShop
from routing.processes.sink_erode.zones import Zone, footprint_mm, zones_of


def forecast(
    job: JobContext,
    feature: Feature,
    toward: Array,
    ahead: Verdict | None,
    volume_mm3: float,
    area_mm2: float,
    *,
    kinds: tuple[str, ...] = (plan.ROUGH, plan.FINISH),
) -> tuple[MadeTool, ...]:
    """Those of one feature, sunk from a direction; ``volume_mm3`` and ``area_mm2`` are left to them."""
    rates, scale = job.shop[ErodeShop].rates, job.shop.rule(job.material).erode_scale
    groups: tuple[tuple[Zone, ...], ...] = zones_of(job, feature, toward, ahead) or ((),)
    corners = sum(map(len, groups))
    found = []
    for n, zones in enumerate(groups):
        part = len(zones) / corners if corners else 1.0
        for kind in kinds:
            life = plan.life(kind, volume_mm3, area_mm2, rates, scale)
            size = size_mm(job, feature, toward, zones, plan.gap_of(kind, job.shop[ErodeShop].electrodes))
            blank = plan.blank(size, job.shop[ErodeShop].electrodes, rates.electrode_per_cm3)
            group = n + 1 if zones else 0
            cost = blank.cost + rates.electrode_cost
            made = MadeTool(
                feature.id,
                kind,
                group,
                part * life,
                blank.size_mm,
                cost,
                rates.electrode_min,
                "mill",
                "electrodes",
                _basis(rates, job.shop.rates.currency),
            )
            found.append(made)
    return tuple(found)


def _basis(rates: ErodeRates, currency: str) -> str:
    material = f"at {rates.electrode_per_cm3:g} {currency}/cm3"
    return f"{material}, {rates.electrode_cost:g} {currency} each for holders"


def size_mm(
    job: JobContext, feature: Feature, toward: Array, zones: tuple[Zone, ...], gap_mm: float
) -> tuple[float, float, float]:
    """Of the whole electrode: across, up, along the view it is sunk in."""
    view, owned = View.of(job.part, toward), job.shop[ErodeShop].electrodes
    key = ("cavity outline", feature.id, *np.round(toward, 9))
    outline = job.kept(key, lambda: _outline(job, feature, view))
    turn = np.array([view.across, view.up])
    open_ = [(turn @ job.part.frame.direction(s), owned.overrun_mm) for s in feature.opens_to]
    wide, high = footprint_mm(outline, zones, gap_mm, () if zones else open_)
    low = float((job.cloud(feature.faces) @ view.along).min())
    top = job.kept(("top", *np.round(toward, 9)), lambda: float((job.part.mesh.vertices @ view.along).max()))
    # Right through it goes on below, else the gap is under it.
    through = any(job.part.frame.direction(s) @ view.along < -0.9 for s in feature.opens_to)
    below = owned.overrun_mm if through and not zones else -gap_mm
    return plan.whole_mm((wide, high, top + owned.overrun_mm - low + below), owned)


def _outline(job: JobContext, feature: Feature, view: View) -> Any:
    """The cavity's own outline, or what its faces span where they enclose nothing."""
    from featurize.brep.solids import KernelError
    from routing.processes.outlines import outline_of

    try:
        return outline_of(job.part, view, np.array(feature.faces))
    except KernelError:
        return shapely.multipoints(view.flat(job.cloud(feature.faces))).envelope

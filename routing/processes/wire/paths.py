"""What a wire machine is told of a feature: its paths, each with its passes, start hole and slug."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely

from featurize.brep.part import Part
from featurize.brep.silhouette import View, cast
from featurize.brep.surfaces import Array
from featurize.feature import Feature
from routing.processes.context import JobContext
from routing.processes.tools import Wire
from routing.processes.wire.leads import Lead, Surroundings, lead_in
from routing.processes.wire.passes import Trims, passes_of
from routing.processes.wire.profiles import WireCut, cuts, wire_view
from routing.processes.wire.rulings import Ruled
from routing.processes.wire.shop import WireShop
from routing.processes.wire.slugs import Slug, slug
from routing.processes.wire.start_holes import Circle, StartHole, circle_of, start_hole
from routing.processes.wire.verdict import WirePass, WireVerdict


@dataclass(frozen=True, eq=False)
class Leg:
    """One pass of a path: what the verdict says of it, its two outlines, and the way to them."""

    made: WirePass
    ruled: Ruled
    lead: Lead
    name: str


@dataclass(frozen=True, eq=False)
class Path:
    """One cut of a feature. ``name`` is the feature's id, with a number where it has several cuts.

    ``legs`` are its passes in cutting order, ``span_mm`` the stock's ends along the view. ``hole`` and
    ``slug`` are None for what is started from the edge.
    """

    feature: str
    name: str
    view: View
    cut: WireCut
    wire: Wire
    span_mm: tuple[float, float]
    legs: tuple[Leg, ...]
    hole: StartHole | None
    slug: Slug | None

    @property
    def faults(self) -> list[tuple[str, str]]:
        """(flag code, sentence) for what a person must settle before the wire starts."""
        found = []
        if self.hole is not None and self.hole.problem:
            found.append(("start-hole-none", f"{self.name}: no start hole fits: {self.hole.problem}."))
        elif self.hole is not None and self.hole.tight:
            room = f"{self.hole.diameter_mm:g} in a {self.hole.inscribed_mm:.3f} circle"
            found.append(
                ("start-hole-tight", f"{self.name}: the start hole nearly fills its opening: {room}.")
            )
        for leg in self.legs:
            if leg.lead.problem:
                found.append(("wire-lead-blocked", f"{leg.name}: {leg.lead.problem}: lead in by hand."))
            if self.cut.closed and leg.made.stock_mm > self.wire.kerf_mm:
                wide = f"up to {leg.made.stock_mm:.3f} wide, over the {self.wire.kerf_mm:.3f} kerf"
                text = f"what it cuts off is {wide}: it comes loose in pieces, catch them"
                found.append(("wire-loose-piece", f"{leg.name}: {text}."))
        if self.cut.closed and not self.cut.opening:
            text = (
                "the part itself is cut free: leave a tab, hold the part, and part it last (common practice)"
            )
            found.append(("wire-part-falls", f"{self.name}: {text}."))
        if self.slug is not None:
            found += [("slug", f"{self.name}: {note}") for note in self.slug.notes]
        return found


class Silhouettes:
    """What the part covers across each wire, cast once."""

    def __init__(self, part: Part) -> None:
        self._part = part
        self._known: dict[tuple[float, ...], Any] = {}

    def across(self, view: View) -> Any:
        """A shapely region in a view of the part."""
        key = (*np.round(np.concatenate([view.along, view.up]), 9),)
        if key not in self._known:
            self._known[key] = cast(self._part, view)
        return self._known[key]


def cuts_of(job: JobContext, faces: Sequence[int], along: Array) -> tuple[View, tuple[WireCut, ...]]:
    """The cuts of some faces along a unit direction, and the view they are in; kept for the part."""
    view = wire_view(job.part, along)
    key = "wire cuts", tuple(faces), tuple(np.round(along, 9))
    return view, job.seen(key, lambda: cuts(job.part, faces, view))


def passes_on(job: JobContext, feature: Feature, along: Array, wire: Wire) -> tuple[WirePass, ...]:
    """The passes of a feature's paths along a unit direction, with their trims."""
    view, found = cuts_of(job, feature.faces, along)
    trims = Trims(job.shop[WireShop].rates, job.shop.rule(job.material).finishing_passes)
    return tuple(passes_of(found, view, job.thickness, part_span(job, along), wire, trims))


def part_span(job: JobContext, along: Array) -> tuple[float, float]:
    """The part's ends along a direction, over its frame's origin, from below."""
    top = job.top_mm(along)
    return top - job.extent_mm(along), top


def paths(
    job: JobContext,
    feature: Feature,
    verdict: WireVerdict,
    along: Array,
    blank: Array,
    silhouettes: Silhouettes,
) -> tuple[Path, ...]:
    """The paths of one wired feature.

    A forced feature without a wire gets the thinnest. ``blank`` has points (n, 3), model coordinates, whose
    hull is the blank. ``silhouettes`` are kept from one feature to the next.
    """
    shop = job.shop[WireShop]
    view, found = cuts_of(job, feature.faces, along)
    wire = verdict.wire or min(shop.wires, key=lambda w: w.diameter_mm)
    heights = (blank - view.origin) @ view.along
    span = float(heights.min()), float(heights.max())
    hull = shapely.convex_hull(shapely.multipoints(view.flat(blank)))
    around = Surroundings(span, hull, silhouettes.across(view), wire.corner_mm)
    named = [feature.id] if len(found) == 1 else [f"{feature.id}-{n}" for n in range(1, len(found) + 1)]
    passes = verdict.passes or passes_on(job, feature, along, wire)
    made = []
    for number, (name, cut) in enumerate(zip(named, found, strict=True), 1):
        hole = _hole(job, cut, verdict, view, along, span)
        fallen = None
        if hole is not None and cut.opening:
            fallen = slug(cut, span, wire.kerf_mm, hole.diameter_mm or 0.0, job.material, shop.machine)
        centre = None if hole is None else np.array(hole.circle.centre)
        entries = [p for p in passes if p.path == number]
        legs = tuple(
            Leg(p, q.ruled, lead_in(cut, k, centre, around, shop.machine), f"{name}_{k + 1}_{p.wall.name}")
            for k, (p, q) in enumerate(zip(entries, cut.passes, strict=True))
        )
        made.append(Path(feature.id, name, view, cut, wire, span, legs, hole, fallen))
    return tuple(made)


def _hole(
    job: JobContext,
    cut: WireCut,
    verdict: WireVerdict,
    view: View,
    along: Array,
    span_mm: tuple[float, float],
) -> StartHole | None:
    """In the opening itself; an open run of walls inside the part is started where the verdict says."""
    height = span_mm[1] - span_mm[0]
    if cut.opening:
        circle = circle_of(cut, *part_span(job, along))
        if circle is None:
            return None
        return start_hole(circle, height, job.shop[WireShop].machine, job.piercing)
    if cut.closed or verdict.start_hole is None or verdict.start_at is None:
        return None
    x, y = view.flat(np.array(verdict.start_at))
    return replace(
        verdict.start_hole, circle=Circle((float(x), float(y)), verdict.start_hole.circle.radius_mm)
    )

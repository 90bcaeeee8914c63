"""What a wire machine is told of a feature: paths, start holes, slugs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from featurize.brep.part import Part
from featurize.brep.shadow import View, cast
from featurize.brep.surfaces import Array
from featurize.feature import Feature
from routing.processes.context import JobContext
from routing.processes.protocol import Approach
from routing.processes.tools import Wire
from routing.processes.wire.profiles import Cut, cuts, wire_view
from routing.processes.wire.shop import WireShop
from routing.processes.wire.slugs import Slug, slug
from routing.processes.wire.start_holes import Lead, StartHole, largest_circle, lead_in, start_hole
from routing.processes.wire.verdict import WireVerdict


@dataclass(frozen=True, eq=False)
class Path:
    """One cut of a feature. ``name`` is the feature's id, with a number where it has several cuts.

    ``hole`` and ``slug`` are None for what is started from the edge.
    """

    feature: str
    name: str
    view: View
    cut: Cut
    wire: Wire
    lead: Lead
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
        if self.lead.problem:
            found.append(("wire-lead-blocked", f"{self.name}: {self.lead.problem}: lead in by hand."))
        if self.cut.closed and not self.cut.opening:
            said = (
                "the part itself is cut free: leave a tab, hold the part, and part it last (common practice)"
            )
            found.append(("wire-part-falls", f"{self.name}: {said}."))
        if self.slug is not None:
            found += [("slug", f"{self.name}: {note}") for note in self.slug.notes]
        return found


class Shadows:
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


def paths(
    job: JobContext,
    feature: Feature,
    verdict: WireVerdict,
    approach: Approach,
    blank: Array,
    shadows: Shadows | None = None,
) -> tuple[Path, ...]:
    """The paths of one wired feature.

    A forced feature without a wire gets the thinnest. ``blank`` has points (n, 3) whose hull is the blank, model
    coordinates. ``shadows`` are kept from one feature to the next.
    """
    shop, part, along = job.shop[WireShop], job.part, approach.direction
    view = wire_view(part, along)
    wire = verdict.wire or min(shop.wires, key=lambda w: w.diameter_mm)
    heights = (blank - view.origin) @ view.along
    span = float(heights.min()), float(heights.max())
    hull = shapely.convex_hull(shapely.multipoints(view.flat(blank)))
    shadow = (shadows or Shadows(part)).across(view)
    found = cuts(part, feature.faces, view)
    named = [feature.id] if len(found) == 1 else [f"{feature.id}-{n}" for n in range(1, len(found) + 1)]
    made = []
    for name, cut in zip(named, found, strict=True):
        hole = fallen = None
        circle = largest_circle(cut.outlines) if cut.opening else None
        if circle is not None:
            hole = start_hole(circle, span[1] - span[0], shop.machine, job.piercing)
            kerf = wire.diameter_mm + 2 * wire.gap_mm
            up = float(along @ view.along) > 0
            fallen = slug(cut, span, kerf, hole.diameter_mm or 0.0, job.material, shop.machine, up=up)
        centre = None if circle is None else np.array(circle.centre)
        lead = lead_in(cut, centre, wire.corner_mm, hull, shadow, shop.machine)
        made.append(Path(feature.id, name, view, cut, wire, lead, hole, fallen))
    return tuple(made)

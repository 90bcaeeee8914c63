"""What cutters and wheels take: all that stands over the faces of a pass, as far as the listed tools get there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from manifold3d import CrossSection, JoinType, Manifold

from featurize.brep.surfaces import Array
from routing.dryrun.findings import Fault, Finding
from routing.dryrun.reach import Above, Round, Section, Wheel, disc, near, not_reached
from routing.dryrun.scene import Bench
from routing.dryrun.solids import CHORD_MM, joined, moved, prism
from routing.dryrun.written import Pass, Step

# What a wall may be off before it is a finding.
TOLERANCE_MM = 0.005
# Narrower strips out of reach are the chords of round walls.
_SLACK_MM = 2 * TOLERANCE_MM
# Triangles' own edges close up when the plan is grown by this.
_CLOSE_MM = CHORD_MM
_OVER_MM = 1.0
_NOTHING_MM3 = 1e-5


@dataclass(frozen=True, eq=False)
class Taken:
    """What the passes of a step take of one region, in model coordinates.

    ``missed`` is what the tools in ``words`` do not get at, and ``fault`` why; ``unshown`` is taken too but no stock
    file shows it; ``breaks_mm`` is how deep it may go into the part, where it breaks an edge.
    """

    feature: str
    step: int
    body: Manifold
    findings: tuple[Finding, ...] = ()
    missed: Manifold = field(default_factory=Manifold)
    words: str = ""
    fault: Fault = Fault.OUT_OF_REACH
    unshown: Manifold = field(default_factory=Manifold)
    breaks_mm: float = 0.0


def section(tool: Mapping[str, Any], traverse: Array | None, bench: Bench) -> Section | None:
    """The listed tool as it stands, None for what does not turn."""
    if traverse is not None and "width_mm" in tool:
        x, y, _ = bench.zero.axes @ traverse
        return Wheel(tool["width_mm"], tool["diameter_mm"], (float(x), float(y)))
    if "head_mm" in tool or "diameter_mm" not in tool or tool.get("form") == "chamfer":
        return None
    return Round(tool["diameter_mm"] / 2, tool.get("corner_radius_mm", 0.0), tool.get("neck_mm"))


def swept(bench: Bench, step: Step, passes: Sequence[Pass], here: Manifold) -> Taken:
    """Passes of one feature over the same faces; ``here`` is the stock in the setup's coordinates before them."""
    p = min(passes, key=lambda q: (q.floor_mm, q.wall_mm, q.low_mm))
    facets = bench.facets_of(p.faces)
    top = here.bounding_box()[5] + _OVER_MM
    if "head_mm" in p.tool:
        top = p.high_mm
    plan = bench.plan_of(facets).offset(_CLOSE_MM, JoinType.Miter)
    floor = float(facets[:, :, 2].min()) if len(facets) else p.low_mm
    over = prism(plan, min(p.low_mm, floor), top)
    body = (over ^ here) - _kept(bench, step, p, over)
    found = list(_records(step, passes, floor))
    if p.low_mm < floor - TOLERANCE_MM:  # deeper than the model: down from the lowest flat
        lowest = facets[(facets[:, :, 2] < floor + TOLERANCE_MM).all(axis=1)]
        if len(lowest):
            body += prism(bench.plan_of(lowest), p.low_mm, floor + CHORD_MM)
    taken = Taken(p.feature, step.number, body, tuple(found), words=_words(passes))
    if (sections := _sections(bench, step, passes)) and body.volume() > _NOTHING_MM3:
        taken = _within_reach(bench, taken, sections)
    axes, origin = bench.zero.axes, bench.zero.origin
    return replace(taken, body=moved(taken.body, axes, origin), missed=moved(taken.missed, axes, origin))


def _sections(bench: Bench, step: Step, passes: Sequence[Pass]) -> list[Section]:
    """Each tool once, the one that gets into most corners first."""
    found = dict.fromkeys(section(p.tool, step.traverse, bench) for p in passes)
    if None in found:
        return []
    return sorted((s for s in found if s is not None), key=lambda s: (max(s.tip_heights_mm), s.reach_mm))


def _words(passes: Sequence[Pass]) -> str:
    return " or ".join(dict.fromkeys(str(p.tool.get("words", "the tool")) for p in passes))


def _records(step: Step, passes: Sequence[Pass], floor: float) -> list[Finding]:
    return [
        Finding(
            Fault.RECORD,
            f"goes down to {p.low_mm:.3f}, the model's faces to {floor:.3f} over the setup's zero",
            p.feature,
            step.number,
            depth_mm=abs(p.low_mm - floor),
        )
        for p in passes
        if abs(p.low_mm - floor) > TOLERANCE_MM
    ]


def _kept(bench: Bench, step: Step, p: Pass, over: Manifold) -> Manifold:
    """The part with the allowances that the pass leaves, near what it takes."""
    wide = 2 * max(p.floor_mm, p.wall_mm) + 0.1
    x0, y0, z0, x1, y1, z1 = over.bounding_box()
    box = Manifold.cube((x1 - x0 + 2 * wide, y1 - y0 + 2 * wide, z1 - z0 + 2 * wide))
    part = bench.part ^ box.translate((x0 - wide, y0 - wide, z0 - wide))
    if not p.leaves:
        return part
    if step.traverse is not None:
        x, y, _ = bench.zero.axes @ step.traverse
        ways = np.array([[-y, x], [y, -x]])
    else:
        angles = np.arange(8) * np.pi / 4
        ways = np.column_stack([np.cos(angles), np.sin(angles)])
    moves = [(0.0, 0.0)] + [(float(a), float(b)) for a, b in ways * p.wall_mm if p.wall_mm > 0]
    return joined([part, *(part.translate((dx, dy, p.floor_mm)) for dx, dy in moves)])


def _within_reach(bench: Bench, taken: Taken, tools: Sequence[Section]) -> Taken:
    """In the setup's coordinates: less what none of the tools gets at."""
    above = Above(near(bench.part, taken.body, tools))
    missed = not_reached(taken.body, tools, above, _SLACK_MM)
    fault = Fault.OUT_OF_REACH
    if not bench.fixture.is_empty() and not missed:
        fixture = near(bench.local_fixture, taken.body, tools)
        if not fixture.is_empty():
            missed = not_reached(taken.body, tools, Above(above.solid + fixture), _SLACK_MM)
            fault = Fault.IN_THE_WAY
    if not missed:
        return taken
    lost = joined([_slab(*m) for m in missed]) ^ taken.body
    return replace(taken, body=taken.body - lost, missed=lost, fault=fault)


def _slab(low: float, high: float, region: CrossSection) -> Manifold:
    return prism(disc(region, CHORD_MM), low, high)

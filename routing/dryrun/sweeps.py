"""What cutters and wheels take: all that stands over the faces of a pass, as far as the listed tools get
there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from manifold3d import CrossSection, JoinType, Manifold

from featurize.brep.surfaces import Array
from routing.dryrun.contact import Untouched, untouched
from routing.dryrun.findings import Fault, Finding
from routing.dryrun.pieces import corners_of
from routing.dryrun.reach import (
    SHARP_MM,
    Above,
    Missed,
    Round,
    RunningWheel,
    ToolSection,
    disc,
    near,
    not_reached,
)
from routing.dryrun.scene import Bench
from routing.dryrun.solids import CHORD_MM, filled, joined, local, moved, prism
from routing.dryrun.written import WrittenPass, WrittenStep

# What a wall may be off before it is a finding.
TOLERANCE_MM = 0.005
# A formed surface may be off by so much more than its chords, as a ball's cusps are.
FORM_MM = 0.03
# Narrower strips out of reach are the chords of round walls.
_SLACK_MM = 2 * TOLERANCE_MM
# Triangles' own edges close up when the plan is grown by this.
_CLOSE_MM = CHORD_MM
_OVER_MM = 1.0
_FAR_MM = 1000.0
_NOTHING_MM3 = 1e-5
# What a shank, a holder or a fixture keeps a tool from: less comes of chords.
_CRASH_MM3 = 0.05
# The cosine to up of a wall is no more, that of a floor no less.
_WALL, _FLOOR = 0.02, 1 - 1e-4


@dataclass(frozen=True, eq=False)
class Taken:
    """What the passes of a step take of one region, in model coordinates.

    ``missed`` is what the tools in ``words`` do not get at, and ``fault`` why; ``unshown`` is taken too
    but no stock
    file shows it; ``breaks_mm`` is how deep it may go into the part, where it breaks an edge.
    ``untouched`` is where tools with round corners that leave nothing on do not come to the faces, though
    ``body`` has it gone.
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
    untouched: Untouched | None = None
    runs_out: bool = False  # a wheel that stops before something, and rounds its end


def section(p: WrittenPass, traverse: Array | None, bench: Bench) -> ToolSection | None:
    """The listed tool as it stands, None for what does not turn."""
    tool = p.tool
    if traverse is not None and "width_mm" in tool:
        x, y, _ = bench.zero.axes @ traverse
        return RunningWheel(tool["width_mm"], tool["diameter_mm"], (float(x), float(y)))
    if "head_mm" in tool or "diameter_mm" not in tool or tool.get("form") == "chamfer":
        return None
    sizes = tool["diameter_mm"] / 2, tool.get("corner_radius_mm", 0.0), tool.get("neck_mm")
    if p.held is None:
        return Round(*sizes)
    return Round(*sizes, p.held["shank_mm"] / 2, p.held["stick_out_mm"], p.held["holder_mm"] / 2)


def swept(bench: Bench, step: WrittenStep, passes: Sequence[WrittenPass], here: Manifold) -> Taken:
    """Passes of one feature over the same faces; ``here`` is the stock in the setup's coordinates before
    them.
    """
    p = min(passes, key=lambda q: (q.floor_mm, q.wall_mm, q.low_mm))
    facets = bench.facets_of(p.faces)
    top = here.bounding_box()[5] + _OVER_MM
    if "head_mm" in p.tool:
        top = p.high_mm
    plan = filled(bench.plan_of(facets).offset(_CLOSE_MM, JoinType.Miter))
    plan += _bridged(bench, plan) + _beside(bench, plan, here)
    floor = float(facets[:, :, 2].min()) if len(facets) else p.low_mm
    over = prism(plan, min(p.low_mm, floor), top)
    sections = _sections(bench, step, passes)
    over = over ^ here
    kept = _kept(bench, step, p, over, sections)
    body = over - kept
    if step.traverse is not None:
        way = bench.zero.axes @ step.traverse
        if _is_formed(facets):  # what the wheel is dressed to stays as wide all the way
            body -= _in_line(way, kept ^ over)
        body = (_in_line(way, body) ^ here) - kept
    found = list(_records(step, passes, floor))
    if p.low_mm < floor - TOLERANCE_MM:  # deeper than the model: down from the lowest flat
        lowest = facets[(facets[:, :, 2] < floor + TOLERANCE_MM).all(axis=1)]
        if len(lowest):
            body += prism(bench.plan_of(lowest), p.low_mm, floor + CHORD_MM)
    taken = Taken(p.feature, step.number, body, tuple(found), words=_words(passes))
    rounds = [s for s in sections if isinstance(s, Round)]
    if any(r.corner_mm > SHARP_MM for r in rounds) and _is_formed(facets):
        if not p.leaves:
            missed = untouched(facets, _about(kept, facets, rounds), rounds, FORM_MM)
            taken = replace(taken, untouched=missed.moved(bench.zero.axes, bench.zero.origin))
    elif sections and body.volume() > _NOTHING_MM3:
        taken = _within_reach(bench, taken, sections, kept)
    axes, origin = bench.zero.axes, bench.zero.origin
    return replace(taken, body=moved(taken.body, axes, origin), missed=moved(taken.missed, axes, origin))


def _bridged(bench: Bench, plan: CrossSection) -> CrossSection:
    """Openings of the part that lie between the pieces of a plan: a tool goes on over them."""
    if plan.num_contour() < 2:
        return CrossSection()
    return plan.hull() - bench.shadow


def _beside(bench: Bench, plan: CrossSection, here: Manifold) -> CrossSection:
    """What of a stock that is larger than the part stands in line with a plan, outside the part."""
    (x0, y0, _, x1, y1, _), (u0, v0, _, u1, v1, _) = here.bounding_box(), bench.part.bounding_box()
    over = max(u0 - x0, v0 - y0, x1 - u1, y1 - v1)
    if over < TOLERANCE_MM:
        return CrossSection()
    return plan.offset(over + CHORD_MM, JoinType.Miter) - filled(bench.shadow)


def _about(kept: Manifold, facets: Array, tools: Sequence[Round]) -> Array:
    """The triangles (k, 3, 3) of what stays that a tool may meet at faces (m, 3, 3)."""
    room = 2 * max(t.radius_mm for t in tools) + _OVER_MM
    (x0, y0, z0), (x1, y1, _) = facets.reshape(-1, 3).min(axis=0), facets.reshape(-1, 3).max(axis=0)
    box = Manifold.cube((x1 - x0 + 2 * room, y1 - y0 + 2 * room, _FAR_MM))
    return corners_of(kept ^ box.translate((x0 - room, y0 - room, z0 - _OVER_MM)))


def _sections(bench: Bench, step: WrittenStep, passes: Sequence[WrittenPass]) -> list[ToolSection]:
    """Each tool once, the one that gets into most corners first."""
    found = dict.fromkeys(section(p, step.traverse, bench) for p in passes)
    if None in found:
        return []
    return sorted((s for s in found if s is not None), key=lambda s: (max(s.tip_heights_mm), s.reach_mm))


def _words(passes: Sequence[WrittenPass]) -> str:
    return " or ".join(dict.fromkeys(str(p.tool.get("words", "the tool")) for p in passes))


def _records(step: WrittenStep, passes: Sequence[WrittenPass], floor: float) -> list[Finding]:
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


def _is_formed(facets: Array) -> bool:
    """Whether faces (m, 3, 3) are neither flat floors nor upright walls: a wheel has their form."""
    normals = np.cross(facets[:, 1] - facets[:, 0], facets[:, 2] - facets[:, 0])
    lengths = np.linalg.norm(normals, axis=1)
    lean = np.abs(normals[lengths > 0, 2] / lengths[lengths > 0])
    return bool(((lean > _WALL) & (lean < _FLOOR)).any())


def _in_line(way: Array, body: Manifold) -> Manifold:
    """All that lies in line with a body along a level unit vector (3,), as a wheel runs."""
    if body.is_empty():
        return body
    up = np.array([0.0, 0.0, 1.0])
    axes, origin = np.array([np.cross(up, way), up, way]), np.zeros(3)
    profile = local(body, axes, origin).project()
    return moved(prism(profile, -_FAR_MM, _FAR_MM), axes, origin)


def _kept(
    bench: Bench, step: WrittenStep, p: WrittenPass, over: Manifold, tools: Sequence[ToolSection]
) -> Manifold:
    """The part with the allowances that the pass leaves, as far as the tools may touch it."""
    part = near(bench.part, over, tools, step.traverse is not None)
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


def _within_reach(bench: Bench, taken: Taken, tools: Sequence[ToolSection], kept: Manifold) -> Taken:
    """In the setup's coordinates: less what none of the tools gets at."""
    above, need = Above(kept), taken.body
    missed = not_reached(need, tools, above, _SLACK_MM)
    fault, found = Fault.OUT_OF_REACH, list(taken.findings)

    def crash(what: str, more_mm3: float) -> None:
        if more_mm3 > _CRASH_MM3:
            text = f"{taken.words}: {what} in the way"
            found.append(Finding(Fault.IN_THE_WAY, text, taken.feature, taken.step, volume_mm3=more_mm3))

    bare = [t.bare if isinstance(t, Round) else t for t in tools]
    high = [kept.bounding_box()[5] - need.bounding_box()[2] + max(t.tip_heights_mm) for t in tools]
    if missed and any(t.over([h]) != b.over([h]) for t, b, h in zip(tools, bare, high, strict=True)):
        free = not_reached(need, bare, above, _SLACK_MM)
        crash("the shank or the holder has something", _volume(missed) - _volume(free))
    fixture = bench.fixture
    if not fixture.is_empty():
        fixture = near(fixture, need, tools, all_along=False)
    if not fixture.is_empty():
        held = not_reached(need, tools, Above(above.solid + fixture), _SLACK_MM)
        if (more := _volume(held) - _volume(missed)) > _CRASH_MM3:
            crash("a fixture stands", more)
            missed, fault = held, Fault.IN_THE_WAY
    taken = replace(taken, findings=tuple(found))
    if not missed:
        return taken
    lost = joined([_slab(*m) for m in missed]) ^ taken.body
    runs_out = any(isinstance(t, RunningWheel) for t in tools)
    return replace(taken, body=taken.body - lost, missed=lost, fault=fault, runs_out=runs_out)


def _volume(missed: Sequence[Missed]) -> float:
    return sum((high - low) * float(region.area()) for low, high, region in missed)


def _slab(low: float, high: float, region: CrossSection) -> Manifold:
    return prism(disc(region, CHORD_MM), low, high)

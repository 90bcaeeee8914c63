"""What cutters and wheels take: all that stands over the faces of a pass, as far as the listed tool gets there."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from manifold3d import CrossSection, JoinType, Manifold

from featurize.brep.surfaces import Array
from routing.dryrun.findings import Fault, Finding
from routing.dryrun.reach import Above, Round, Section, Wheel, disc, not_reached
from routing.dryrun.scene import Bench
from routing.dryrun.solids import CHORD_MM, all_of, joined, local, moved, prism
from routing.dryrun.written import Pass, Step

# What a wall may be off before it is a finding.
TOLERANCE_MM = 0.005
# Narrower strips out of reach are the chords of round walls.
_SLACK_MM = 2 * TOLERANCE_MM
# Triangles' own edges close up when the plan is grown by this.
_CLOSE_MM = CHORD_MM
_OVER_MM = 1.0


@dataclass(frozen=True, eq=False)
class Taken:
    """What one pass takes, in model coordinates, ``over`` all that it may; and what is wrong with it."""

    feature: str
    step: int
    body: Manifold
    over: Manifold
    findings: tuple[Finding, ...] = ()


def section(tool: Mapping[str, Any], traverse: Array | None, bench: Bench) -> Section | None:
    """The listed tool as it stands, None for what does not turn."""
    if traverse is not None and "width_mm" in tool:
        x, y, _ = bench.zero.axes @ traverse
        return Wheel(tool["width_mm"], tool["diameter_mm"], tool["corner_radius_mm"], (float(x), float(y)))
    if "head_mm" in tool or "diameter_mm" not in tool:
        return None
    return Round(tool["diameter_mm"] / 2, tool.get("corner_radius_mm", 0.0))


def swept(bench: Bench, step: Step, p: Pass, here: Manifold) -> Taken:
    """``here`` is the stock in the setup's coordinates, as it stands before the step."""
    facets = bench.facets_of(p.faces)
    top = here.bounding_box()[5] + _OVER_MM
    if "head_mm" in p.tool:
        top = p.high_mm
    plan = bench.plan_of(facets).offset(_CLOSE_MM, JoinType.Miter)
    over = prism(plan, p.low_mm, top)
    floor = float(facets[:, :, 2].min()) if len(facets) else p.low_mm
    body = over - _kept(bench, step, p, over)
    found = []
    if p.low_mm < floor - TOLERANCE_MM:  # deeper than the model: down from the lowest flat
        lowest = facets[(facets[:, :, 2] < floor + TOLERANCE_MM).all(axis=1)]
        if len(lowest):
            body += prism(bench.plan_of(lowest), p.low_mm, floor + CHORD_MM)
    if abs(p.low_mm - floor) > TOLERANCE_MM:
        said = f"goes down to {p.low_mm:.3f}, the model's faces to {floor:.3f} over the setup's zero"
        found.append(Finding(Fault.RECORD, said, p.feature, step.number, depth_mm=abs(p.low_mm - floor)))
    tool = section(p.tool, step.traverse, bench)
    if tool is not None:
        body, missed = _within_reach(bench, step, p, body, here, tool)
        found += missed
    axes, origin = bench.zero.axes, bench.zero.origin
    return Taken(p.feature, step.number, moved(body, axes, origin), moved(over, axes, origin), tuple(found))


def _kept(bench: Bench, step: Step, p: Pass, over: Manifold) -> Manifold:
    """The part with the allowances that the pass leaves, near what it takes."""
    if not p.leaves:
        return bench.part
    x0, y0, z0, x1, y1, z1 = over.bounding_box()
    wide, margin = 2 * max(p.floor_mm, p.wall_mm), 0.1
    near = Manifold.cube((x1 - x0 + 2 * (wide + margin), y1 - y0 + 2 * (wide + margin), z1 - z0 + 2 * wide))
    part = bench.part ^ near.translate((x0 - wide - margin, y0 - wide - margin, z0 - wide))
    if step.traverse is not None:
        x, y, _ = bench.zero.axes @ step.traverse
        ways = np.array([[-y, x], [y, -x]])
    else:
        angles = np.arange(8) * np.pi / 4
        ways = np.column_stack([np.cos(angles), np.sin(angles)])
    moves = [(0.0, 0.0)] + [tuple(w) for w in ways * p.wall_mm if p.wall_mm > 0]
    return joined([bench.part, *(part.translate((dx, dy, p.floor_mm)) for dx, dy in moves)])


def _within_reach(
    bench: Bench, step: Step, p: Pass, body: Manifold, stock: Manifold, tool: Section
) -> tuple[Manifold, list[Finding]]:
    """What of a body the tool can take, and what not."""
    need = body ^ stock
    if need.is_empty():
        return body, []
    found: list[Finding] = []
    for fault, blocked in _obstacles(bench, p, stock - body):
        missed = [
            (low, high, left)
            for low, high, left in not_reached(need, tool, blocked, _SLACK_MM)
        ]
        if not missed:
            continue
        lost = joined([prism(disc(left, CHORD_MM), low, high) for low, high, left in missed])
        lost = lost ^ need
        low, _, left = max(missed, key=lambda m: m[2].area())
        ring = max(left.to_polygons(), key=len)
        place = bench.zero.model(np.array([*ring.mean(axis=0), low]))
        words = p.tool.get("words", "the tool")
        said = f"{words} does not get at it from {step.from_side}"
        if fault is Fault.IN_THE_WAY:
            said = f"{words} meets the fixture from {step.from_side}"
        found.append(
            Finding(fault, said, p.feature, step.number, _vec(place), lost.volume(), _widest(left))
        )
        body, need = body - lost, need - lost
    return body, found


def _obstacles(
    bench: Bench, p: Pass, rest: Manifold
) -> list[tuple[Fault, Callable[[float], CrossSection]]]:
    found: list[tuple[Fault, Callable[[float], CrossSection]]] = [(Fault.OUT_OF_REACH, bench.above_part)]
    if not bench.fixture.is_empty():
        part, fixture = bench.above_part, bench.above_fixture
        found.append((Fault.IN_THE_WAY, lambda z: all_of([part(z), fixture(z)])))
    return found


def _widest(region: CrossSection) -> float:
    """Twice a region's area over its outline: about its half width."""
    rings = region.to_polygons()
    around = sum(float(np.linalg.norm(r - np.roll(r, 1, axis=0), axis=1).sum()) for r in rings)
    return 2 * float(region.area()) / around


def _vec(point: Array) -> tuple[float, float, float]:
    x, y, z = point
    return float(x), float(y), float(z)

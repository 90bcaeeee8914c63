"""Which of the shop's cutters make a region at the least cost: by engagement, reach, minutes and wear.

Each way has cutters that rough in turn, and those that finish walls, floors and shapes. The one that fits the
inside corners may have help: a larger one on the floor, a ball on shapes, a cutter on the floor of a pin.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from featurize import tolerances as tol
from routing.processes.mill.clearing import Clearing, Rougher, in_turn
from routing.processes.mill.held import stick_out_mm
from routing.processes.mill.pace import owned, per_minute, reach_mm
from routing.processes.mill.region import MillRegion
from routing.processes.mill.shop import MillShop
from routing.processes.mill.verdict import FinishCut, MillingWay, RoughCut
from routing.processes.sizes import whole_volume
from routing.processes.tools import Cutter, SideCutter

# Of each kind of cutter the largest sizes that fit are weighed: a smaller one is slower at all it does.
_SIZES = 2
# A larger cutter is put in for the floor where it gets to this much of it (common practice, no source).
_MOST_OF_FLOOR = 0.5
# At most so many cutters rough a region in turn: a big one and rest cutters (common practice, no source).
_MOST_ROUGHERS = 3
# A cutter that leaves this much of the volume has no part in roughing it.
_CLEARS_NOTHING = 0.999
# Costs this near are one, and the larger, stiffer cutter is taken: no estimate is as good.
_SAME_COST = 0.02


def weigh(region: MillRegion, walls: Sequence[Cutter], shapes: Sequence[Cutter]) -> list[MillingWay]:
    """Every way worth a thought, the cheapest first; [] where the cutters that fit cannot make it.

    ``walls`` are the cutters that get to all walls and their feet, ``shapes`` those that get to the shaped
    faces; both from the largest down.
    """
    walls, shapes = (_with_room(region, some) for some in (walls, shapes))
    found = []
    for finish in _finishes(region, walls, shapes):
        tool = min((c.tool for c in finish if c.what != "shape"), default=None, key=lambda t: t.diameter_mm)
        tool = tool or finish[0].tool
        assert isinstance(tool, Cutter)
        rough = _roughed(region, tool, [*walls, *shapes]) if region.is_roughed else ()
        if region.is_roughed and not rough:
            continue
        found.append(_summed(region, tool, rough, finish))
    if not found:
        return []
    found.sort(key=lambda way: way.cost)
    near = [way for way in found if way.cost <= (1 + _SAME_COST) * found[0].cost]
    best = max(near, key=lambda way: way.tool.diameter_mm)
    return [best, *(way for way in found if way is not best)]


def _with_room(region: MillRegion, cutters: Sequence[Cutter]) -> list[Cutter]:
    """Those that have room to turn in, where any has; else the smallest."""
    if not region.is_roughed or not cutters:
        return list(cutters)
    most = max(_clearing(region).turns_mm, min(c.radius_mm for c in cutters))
    return [c for c in cutters if c.radius_mm <= most + tol.LENGTH_MM]


def second_of(ways: Sequence[MillingWay]) -> MillingWay | None:
    """The next best: by another kind of tool if there is one, else by another cutter."""
    best = ways[0]
    assert isinstance(best.tool, Cutter)
    kind = [w for w in ways[1:] if isinstance(w.tool, Cutter) and w.tool.kind != best.tool.kind]
    size = [w for w in ways[1:] if w.tool.diameter_mm != best.tool.diameter_mm]
    return next(iter([*kind, *size]), None)


def _finishes(
    region: MillRegion, walls: Sequence[Cutter], shapes: Sequence[Cutter]
) -> Iterator[tuple[FinishCut, ...]]:
    shop = region.job.shop[MillShop]
    flats = [c for c in walls if shop.kind_of(c).floor > 0]
    plain = region.walls_mm2 + region.floors_mm2 + region.shape_feet_mm > 0
    for tool in _largest(region, [c for c in (walls if plain else shapes) if shop.kind_of(c).wall > 0]):
        shaper = tool if tool in shapes else _quickest(region, shapes, "shape")
        along_walls = region.walls_mm2
        if shaper is not None and shaper is not tool:  # which leaves its own corner at a sharp foot
            along_walls += region.shape_feet_mm * shaper.corner_radius_mm
        cuts = [FinishCut(tool, "walls", along_walls)] if along_walls else []
        if region.shapes_mm2:
            if shaper is None:
                continue
            cuts.append(FinishCut(shaper, "shape", region.shapes_mm2))
        if not region.floors_mm2:
            yield _merged(cuts)
            continue
        floorer = tool if shop.kind_of(tool).floor > 0 else _quickest(region, flats, "floor")
        if floorer is None:
            continue
        yield _merged([*cuts, FinishCut(floorer, "floor", region.floors_mm2)])
        larger, share = _for_floor(region, floorer)
        if larger is not None:
            area = region.floors_mm2
            rest = FinishCut(floorer, "floor", (1 - share) * area)
            yield _merged([FinishCut(larger, "floor", share * area), *cuts, rest])


def _merged(cuts: Sequence[FinishCut]) -> tuple[FinishCut, ...]:
    """What one cutter does to walls and floors is one cut, at the pace of most of it."""
    found: dict[Cutter | SideCutter, FinishCut] = {}
    for cut in cuts:
        same = found.get(cut.tool)
        if same is None:
            found[cut.tool] = cut
            continue
        what = max(same, cut, key=lambda c: c.area_mm2).what
        found[cut.tool] = FinishCut(cut.tool, what, same.area_mm2 + cut.area_mm2)
    return tuple(found.values())


def _largest(region: MillRegion, cutters: Sequence[Cutter]) -> Iterator[Cutter]:
    """Of each kind and form the largest sizes, each with the neck that keeps most of its rate."""
    sizes: dict[tuple[str, str], dict[float, Cutter]] = {}
    for c in sorted(cutters, key=lambda c: (-c.diameter_mm, region.pace(c).slender)):
        of_kind = sizes.setdefault((c.kind, c.form), {})
        if c.diameter_mm not in of_kind and len(of_kind) < _SIZES:
            of_kind[c.diameter_mm] = c
    for of_kind in sizes.values():
        yield from of_kind.values()


def _quickest(region: MillRegion, cutters: Sequence[Cutter], what: str) -> Cutter | None:
    def money(c: Cutter) -> float:
        return region.money([region.finishing(FinishCut(c, what, 1000.0), semi=False)])

    return min(_largest(region, cutters), key=money, default=None)


def _for_floor(region: MillRegion, tool: Cutter) -> tuple[Cutter | None, float]:
    """The larger cutter for a floor that saves most, and how much of it that one gets to."""
    job = region.job
    shop = job.shop[MillShop]
    best: tuple[float, Cutter | None, float] = (_floor_money(region, tool, 1.0), None, 0.0)
    larger = [
        c
        for c in _helpers(region)
        if c.form in ("flat", "bull")
        and c.radius_mm > tool.radius_mm + tol.SURFACE_MM
        and shop.kind_of(c).floor > 0
    ]
    for c in larger:
        if reach_mm(job, c) < region.depth_mm - tol.SURFACE_MM:
            continue
        share = _clearing(region).floor_share(c)
        if share < _MOST_OF_FLOOR:
            continue
        money = _floor_money(region, c, share) + _floor_money(region, tool, 1 - share)
        best = min(best, (money, c, share), key=lambda b: b[0])
    return best[1], best[2]


def _floor_money(region: MillRegion, tool: Cutter, share: float) -> float:
    cut = FinishCut(tool, "floor", share * region.floors_mm2)
    return region.money(region.finishing(cut, semi=semi) for semi in (True, False))


def _helpers(region: MillRegion) -> list[Cutter]:
    """Cutters of any size that pass what stands beside: each kind and size with the neck that suits best."""
    job = region.job
    key = ("helpers", region.feature.id, round(region.depth_mm, 6), region.toward.tobytes())

    def make() -> list[Cutter]:
        found: dict[tuple[str, str, float, float], Cutter] = {}
        for c in owned(job):
            if c.form == "chamfer" or stick_out_mm(job, region.feature, region.toward, c) is None:
                continue
            name = (c.kind, c.form, c.diameter_mm, c.corner_radius_mm)
            other = found.get(name)
            deep = min(reach_mm(job, c), region.depth_mm)
            if other is None or (deep, -region.pace(c).slender) > (
                min(reach_mm(job, other), region.depth_mm),
                -region.pace(other).slender,
            ):
                found[name] = c
        return list(found.values())

    return job.kept(key, make)


def _clearing(region: MillRegion) -> Clearing:
    widest = max(c.diameter_mm for c in region.job.shop[MillShop].cutters)
    return Clearing.of(region.job, region.feature, region.toward, widest)


def _roughed(region: MillRegion, tool: Cutter, fits: Sequence[Cutter]) -> tuple[RoughCut, ...]:
    """The cheapest cutters in turn, the last no larger than the one that fits the corners."""
    last = frozenset(c for c in fits if c.radius_mm <= tool.radius_mm + tol.LENGTH_MM)
    key = ("roughed", region.feature.id, region.toward.tobytes(), tool.radius_mm, last)
    return region.job.kept(key, lambda: _in_turn(region, tool.radius_mm, last))


def _in_turn(region: MillRegion, least_mm: float, last: frozenset[Cutter]) -> tuple[RoughCut, ...]:
    job = region.job
    shop = job.shop[MillShop]
    volume = whole_volume(job, region.feature)
    room = _clearing(region).turns_mm
    roughers = []
    for c in dict.fromkeys([*_helpers(region), *sorted(last, key=str)]):
        may = c in last or (least_mm - tol.LENGTH_MM <= c.radius_mm <= room)
        if shop.kind_of(c).rough <= 0 or not may:
            continue
        left = _clearing(region).left_share(c, reach_mm(job, c))
        if c in last or left < _CLEARS_NOTHING:
            whole = region.roughing(RoughCut(c, volume))
            roughers.append(Rougher(c, left, whole.run_min * per_minute(job) + whole.each_cost))
    change = shop.rates.tool_change_min * per_minute(job)
    turns = in_turn(roughers, lambda c: c in last, change, _MOST_ROUGHERS)
    return tuple(RoughCut(c, share * volume) for c, share in turns)


def _summed(
    region: MillRegion, tool: Cutter, rough: Sequence[RoughCut], finish: Sequence[FinishCut]
) -> MillingWay:
    efforts = [region.roughing(cut) for cut in rough]
    semis = (True, False) if region.is_roughed else (False,)
    efforts += [region.finishing(cut, semi=semi) for cut in finish for semi in semis]
    tools = [*(cut.tool for cut in rough), *(cut.tool for cut in finish)]
    worst = max((region.pace(t) for t in tools), key=lambda p: p.slender)
    return MillingWay(
        tool,
        tuple(rough),
        tuple(finish),
        sum(e.minutes for e in efforts),
        region.money(efforts),
        region.pace(tool).engaged_mm(tool.diameter_mm, region.depth_mm),
        worst.slender,
        worst.stiff,
    )

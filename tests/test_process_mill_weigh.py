"""Which cutters rough and finish a region: against brute force, closed forms and the shop file's rates."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import cadquery as cq
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from featurize.feature import Feature, Kind
from featurize.recognise import Recognition
from routing.inputs.choices import Choices
from routing.inputs.shop import ShopError, load_shop
from routing.plan.make import make_plan
from routing.plan.plan import Plan
from routing.processes.context import JobContext
from routing.processes.mill.clearing import Clearing, Rougher, in_turn
from routing.processes.mill.verdict import MillVerdict
from routing.processes.protocol import Stage
from routing.processes.shop import Shop
from routing.processes.sizes import whole_volume
from routing.processes.tools import Cutter
from tests.support.routed import UP, asked, block, job_of, owned, recognised, shop_with, the


def pocket(
    radius_mm: float = 2.0, depth: float = 6, x: float = 24, y: float = 16, foot_mm: float = 0.0
) -> cq.Workplane:
    tool = cq.Workplane().box(x, y, depth, centered=(True, True, False)).translate((0, 0, 20 - depth))
    if radius_mm:
        tool = tool.edges("|Z").fillet(radius_mm)
    if foot_mm:
        tool = tool.faces("<Z").edges().fillet(foot_mm)
    return block().cut(tool)


def verdict_of(job: JobContext, feature: Feature) -> MillVerdict:
    verdict = asked(job, feature, "mill")
    assert isinstance(verdict, MillVerdict)
    return verdict


def milled(body: cq.Workplane, kind: Kind = Kind.POCKET, **kw: Any) -> tuple[JobContext, MillVerdict]:
    job = job_of(body, **kw)
    return job, verdict_of(job, the(job, kind))


# Roughing in turn.

_rougher = st.builds(Rougher, st.just(Cutter("flat", 1.0, 0.0, 9.0)), st.floats(0, 1), st.floats(0.1, 100))


@settings(max_examples=200, deadline=None)
@given(st.lists(_rougher, min_size=1, max_size=6), st.floats(0, 20), st.integers(1, 3))
def test_the_cutters_in_turn_are_the_cheapest_of_all_sequences(
    some: Sequence[Rougher], change: float, most: int
) -> None:
    """Brute force over every sequence of falling rest; the last one is any of even place."""
    roughers = [replace(r, cutter=replace(r.cutter, diameter_mm=1.0 + n)) for n, r in enumerate(some)]

    def is_last(cutter: Cutter) -> bool:
        return int(cutter.diameter_mm) % 2 == 1

    def money(chain: Sequence[Rougher]) -> float:
        before = [1.0, *(r.left_share for r in chain[:-1])]
        after = [*(r.left_share for r in chain[:-1]), 0.0]
        return sum(change + (b - a) * r.per_share for r, b, a in zip(chain, before, after, strict=True))

    chains = [
        chain
        for n in range(1, most + 1)
        for chain in itertools.permutations(roughers, n)
        if is_last(chain[-1].cutter)
        and all(a.left_share > b.left_share for a, b in itertools.pairwise(chain))
    ]
    found = in_turn(roughers, is_last, change, most)
    by_cutter = {r.cutter: r for r in roughers}
    assert money([by_cutter[c] for c, _ in found]) == pytest.approx(min(map(money, chains)))
    assert sum(share for _, share in found) == pytest.approx(1.0)


@pytest.mark.parametrize("diameter", [2.0, 4.0, 6.0])
def test_what_a_flat_cutter_leaves_of_a_square_pocket(diameter: float) -> None:
    """Closed form: four corners of (1 - pi / 4) r^2, of the whole section."""
    job = job_of(pocket(0.0, x=16, y=14))
    clearing = Clearing.of(job, the(job, Kind.POCKET), UP, 8.0)
    r = diameter / 2
    left = 4 * (1 - math.pi / 4) * r**2 / (16 * 14)
    # The grid knows r to a pitch, and each corner to a few of its cells.
    slack = 4 * ((1 - math.pi / 4) * 2 * r * clearing.pitch_mm + 3 * clearing.pitch_mm**2) / (16 * 14)
    assert clearing.left_share(Cutter("flat", diameter, 0.0, 30), 30.0) == pytest.approx(left, abs=slack)


def test_what_a_ball_leaves_at_the_foot() -> None:
    """Its section at a height h over the floor is a disc of sqrt(2 R h - h^2) about its middle."""
    x, y, depth, radius = 16.0, 14.0, 6.0, 3.0
    job = job_of(pocket(0.0, depth, x=x, y=y))
    clearing = Clearing.of(job, the(job, Kind.POCKET), UP, 8.0)

    def cleared(h: float) -> float:
        r = math.sqrt(2 * radius * h - h * h) if h < radius else radius
        a, b = x - 2 * radius, y - 2 * radius
        return a * b + 2 * (a + b) * r + math.pi * r * r

    whole = x * y * depth
    left = 1 - quad(cleared, 0, depth, points=[radius])[0] / whole
    assert clearing.left_share(Cutter("ball", 2 * radius, radius, 30), 30.0) == pytest.approx(left, abs=0.02)
    # Out of reach stays: half the depth, half the volume.
    flat = Cutter("flat", 2.0, 0.0, 30)
    assert clearing.left_share(flat, depth / 2) == pytest.approx(0.5, abs=0.02)


def test_a_cutter_without_room_to_ramp_clears_nothing() -> None:
    job = job_of(pocket(0.0, x=16, y=10))
    clearing = Clearing.of(job, the(job, Kind.POCKET), UP, 12.0)
    assert clearing.left_share(Cutter("flat", 9.0, 0.0, 30), 30.0) == 1.0  # 10 wide: 8 and no more
    assert clearing.left_share(Cutter("flat", 7.8, 0.0, 30), 30.0) < 0.2


@pytest.mark.parametrize("material", ["steel-60hrc", "carbide-12"])
@pytest.mark.parametrize("radius", [0.5, 1.0, 2.5])
def test_a_big_cutter_roughs_and_smaller_ones_take_the_rest(radius: float, material: str) -> None:
    job, verdict = milled(pocket(radius, 4), material=material)
    way = verdict.way
    assert way is not None
    sizes = [c.tool.diameter_mm for c in way.rough]
    assert sizes[0] > 2 * sizes[-1] or len(sizes) == 1
    assert sizes[-1] <= 2 * radius
    # Each mm3 once.
    assert sum(c.volume_mm3 for c in way.rough) == pytest.approx(whole_volume(job, the(job, Kind.POCKET)))
    # The finishing cutter alone takes longer.
    rates, rule = owned("rates.mill"), job.shop.rule(job.material)
    alone = sum(c.volume_mm3 for c in way.rough) / (
        rates.mm3_per_min * rates.share(sizes[-1]) * rule.feed_scale
    )
    tasks = job.processes["mill"].tasks(job, the(job, Kind.POCKET), verdict)
    rough = [t for t in tasks if t.stage == Stage.ROUGH]
    assert [t.tool for t in rough] == [c.tool for c in way.rough]
    assert sum(job.processes["mill"].effort(job, t).run_min for t in rough) < alone


def test_semi_finish_comes_before_every_floor_finish() -> None:
    """Behind a wheel too, where it stops before an end; a run that it makes whole is sparked out to size."""
    through = block().cut(cq.Workplane().box(60, 8, 8).translate((0, 0, 20)))
    plan = make_plan(recognised(through), load_shop(), Choices(material="steel-60hrc"))
    assert [s for s in plan.steps if s.process == "mill"] == []
    blind = cq.Workplane().box(60, 8, 8).edges("|Z").fillet(3).translate((-15, 0, 20))
    plan = make_plan(recognised(block().cut(blind)), load_shop(), Choices(material="steel-60hrc"))
    assert any(s.process == "surface grind" and s.stage == Stage.GRIND for s in plan.steps)
    mill = [s.stage for s in plan.steps if s.process == "mill"]
    assert mill == [Stage.ROUGH, Stage.SEMI_FINISH, Stage.FINISH]
    both = make_plan(recognised(pocket()), load_shop(), Choices(material="steel-60hrc"))
    stages = [s.stage for s in both.steps if s.process == "mill"]
    assert stages == [Stage.ROUGH, Stage.SEMI_FINISH, Stage.FINISH]


# Weighing.


def test_the_best_is_the_cheapest_and_the_second_is_told() -> None:
    job, verdict = milled(pocket(1.0, 5), material="carbide-12")
    best, second = verdict.way, verdict.second
    assert best is not None
    assert second is not None
    assert best.tool == verdict.tool
    assert second.tool != best.tool
    assert second.cost >= best.cost * 0.98  # costs so near are one
    assert f"{best.minutes:.0f} min and {best.cost:.0f} EUR" in verdict.reason
    assert f"{second.tool}: {second.minutes:.0f} min and {second.cost:.0f} EUR" in verdict.reason
    # Minutes and money are those of the tasks: the machine's rate and what wears.
    process = job.processes["mill"]
    efforts = [process.effort(job, t) for t in process.tasks(job, the(job, Kind.POCKET), verdict)]
    assert sum(e.minutes for e in efforts) == pytest.approx(best.minutes)
    machine = best.minutes * job.shop.rates.per_hour["mill"] / 60
    assert machine + sum(e.each_cost for e in efforts) == pytest.approx(best.cost)


def flat(kind: str, diameter: float = 1.9, neck: float = 19.0, **more: Any) -> Cutter:
    return Cutter("flat", diameter, 0.02, neck, kind, stick_out_mm=neck + 10, **more)


@pytest.mark.parametrize(
    ("material", "on"), [("steel-60hrc", ("steel", "both")), ("carbide-12", ("carbide", "both"))]
)
def test_only_cutters_for_the_material_are_weighed(material: str, on: tuple[str, ...]) -> None:
    _, verdict = milled(pocket(1.0, 5), material=material)
    kinds = {k.name: k.on for k in owned("cutter_kinds")}
    assert verdict.way is not None
    ways = [verdict.way, *([verdict.second] if verdict.second else [])]
    for way in ways:
        assert all(kinds[c.tool.kind] in on for c in (*way.rough, *way.finish))


def test_a_long_engagement_pays_where_walls_are_deep_and_the_carbide_is_hard() -> None:
    """A pin grinds its whole side at once: shallow walls are cut, deep ones in hard carbide ground."""
    cutters = (
        flat("diamond-coated cutter"),
        flat("diamond grinding pin"),
        flat("diamond-coated cutter", 6.0, 40),
    )
    shop = shop_with(cutters=cutters)

    def walls_by(depth: float, material: str) -> str:
        _, verdict = milled(pocket(1.0, depth), shop=shop, material=material)
        assert verdict.way is not None
        return next(c.tool.kind for c in verdict.way.finish if c.what == "walls")

    assert walls_by(1.0, "carbide-25") == "diamond-coated cutter"
    assert walls_by(9.0, "carbide-6") == "diamond grinding pin"
    # A pin does no floors: another cutter has them.
    _, verdict = milled(pocket(1.0, 9.0), shop=shop, material="carbide-6")
    assert verdict.way is not None
    assert {c.tool.kind for c in verdict.way.finish if c.what == "floor"} == {"diamond-coated cutter"}


@given(st.floats(1, 500), st.floats(1, 2000))
@settings(max_examples=5, deadline=None)
def test_a_dearer_or_shorter_lived_cutter_never_costs_less(price: float, life: float) -> None:
    def cost(cutter: Cutter) -> float:
        _, verdict = milled(pocket(1.0, 5), shop=shop_with(cutters=(cutter,)))
        assert verdict.way is not None
        return verdict.way.cost

    base = cost(flat("coated cutter", price=price, life_min=life))
    assert cost(flat("coated cutter", price=price * 1.5, life_min=life)) > base
    assert cost(flat("coated cutter", price=price, life_min=life / 2)) > base


def test_a_ball_is_a_feed_mill_for_roughing_alone() -> None:
    _, verdict = milled(pocket(2.0, 6))
    assert verdict.way is not None
    assert verdict.way.rough[0].tool.kind == "feed mill"
    assert all(c.tool.kind != "feed mill" for c in verdict.way.finish)
    assert verdict.way.rough[-1].tool.kind != "feed mill"


def test_a_new_kind_of_cutter_is_one_row(tmp_path: Path) -> None:
    """The row and a cutter of it, laid over the default lists."""
    text = load_text()
    row = (
        'name = "laser-cut burr", on = "both", grinds = false, engagement = 2, rough = 3, wall = 3, floor = 3'
    )
    text = text.replace("cutter_kinds = [", f"cutter_kinds = [\n    {{ {row} }},")
    own = 'kind = "laser-cut burr", form = "flat", diameter_mm = 2.5, corner_radius_mm = 0.02, neck_mm = 20'
    text = text.replace("\ncutters = [", f"\ncutters = [\n    {{ {own} }},")
    path = tmp_path / "shop.toml"
    path.write_text(text)
    _, verdict = milled(pocket(1.5, 6), shop=load_shop(path))
    assert verdict.tool is not None
    assert str(verdict.tool) == "2.5 flat laser-cut burr"


def load_text() -> str:
    from routing.inputs.shop.load import default_text

    return default_text()


def test_a_cutter_of_no_kind_is_one_clear_line(tmp_path: Path) -> None:
    path = tmp_path / "shop.toml"
    path.write_text(
        '\n[[cutters]]\nform = "flat"\ndiameter_mm = 2\ncorner_radius_mm = 0\nneck_mm = 9\nkind = "saw"\n'
    )
    with pytest.raises(ShopError) as error:
        load_shop(path)
    assert "\n" not in str(error.value)
    assert str(error.value).startswith(
        "shop.toml: line 7: cutters[0].kind cannot be: 'saw' is none of cutter_kinds"
    )


# Chamfers.


def test_a_chamfer_is_a_chamfer_cutter_s_where_the_shop_has_its_angle() -> None:
    for legs, form in (((2, 2), "chamfer"), ((2, 0.7), "flat")):
        body = block().faces(">Z").edges("|X").edges(">Y").chamfer(*legs)
        _, verdict = milled(body, Kind.CHAMFER)
        assert verdict.workable, verdict.reason
        assert isinstance(verdict.tool, Cutter)
        assert verdict.tool.form == form


# On the demo inserts.

DEMOS = Path(__file__).resolve().parents[1] / "demo_models"


def demo(name: str, material: str) -> Plan:
    from featurize.brep.build import build_part
    from featurize.recognise import recognise
    from featurize.step.read import read_step

    solid = read_step(DEMOS / f"{name}.step", isolate=False).parts[0]
    found: Recognition = recognise(
        build_part(solid.solid, face_names=solid.face_names, source_faces=solid.source_faces)
    )
    shop: Shop = load_shop()
    return make_plan(found, shop, Choices(material=material))


def test_sharp_cornered_cavities_are_no_longer_roughed_with_their_smallest_cutter() -> None:
    """Some 1300 mm3 of carbide: with 0.895 to 1.395 alone it takes over three hours."""
    plan = demo("corner_cavity", "carbide-12")
    rough = [p for s in plan.steps if s.stage == Stage.ROUGH for p in s.passes]
    found = {p.feature: [q for q in rough if q.feature == p.feature] for p in rough}
    for passes in found.values():
        sizes = [p.tool.diameter_mm for p in passes]  # type: ignore[union-attr]
        assert sizes[0] > 5
        assert sizes == sorted(sizes, reverse=True) or passes[0].tool.form == "ball"  # type: ignore[union-attr]
        assert sizes[-1] < 1.5
    rates, rule = owned("rates.mill"), plan.job.shop.rule(plan.job.material)
    volume = sum(p.task.volume_mm3 or 0.0 for p in rough)
    alone = volume / (rates.mm3_per_min * rates.share(1.395) * rule.feed_scale)
    assert sum(p.minutes for p in rough) < alone / 2.5
    assert np.isfinite(volume)

"""What a material is worth: hardness against handbooks, rules that never turn with binder or hardness."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routing.inputs.choices import Choices, ChoicesError
from routing.inputs.shop import ShopError, load_shop
from routing.processes.hardness import GRAINS_UM, binder_share, carbide_hv, steel_hv
from routing.processes.material import Material
from routing.processes.material_rules import MaterialRule, like_binder_percent

SHOP = load_shop()
RULES = tuple(SHOP.materials.values())

# How each number goes with more binder, and with more hardness of steel: +1 up, -1 down.
WITH_BINDER = {
    "smallest_cutter_mm": -1,
    "length_ratio": 1,
    "stiff_ratio": 1,
    "feed_scale": 1,
    "hole_scale": 1,
    "life_scale": 1,
    "wire_scale": 1,
    "grind_scale": 1,
    "erode_scale": 1,
    "finishing_passes": -1,
    "chipping": -1,
    "careful_feed": 1,
    "thin_mm": -1,
    "thin_ratio": 1,
    "tensile_mpa": 1,
    "safety": -1,
    "magnet_share": 1,
    "density_g_per_cm3": -1,
    "cutter_cost_per_hour": -1,
}
WITH_HARDNESS = {
    "stiff_ratio": -1,
    "feed_scale": -1,
    "hole_scale": -1,
    "life_scale": -1,
    "wire_scale": -1,
    "grind_scale": -1,
    "erode_scale": -1,
    "smallest_cutter_mm": 1,
    "finishing_passes": 1,
    "chipping": 1,
    "careful_feed": -1,
    "thin_mm": 1,
    "thin_ratio": -1,
    "safety": 1,
    "magnet_share": -1,
    "cutter_cost_per_hour": 1,
}
binder, hardness = st.floats(3, 30), st.floats(20, 70)
grain = st.floats(0.2, 10)


def carbide(percent: float, grain_um: float | None = None) -> Material:
    return Material("carbide", binder_percent=percent, grain_um=grain_um)


def steel(hrc: float) -> Material:
    return Material("steel", hardness_hrc=hrc)


def turned(low: MaterialRule, high: MaterialRule, signs: dict[str, int]) -> list[str]:
    """Names of the numbers that go the wrong way from the first rule to the second."""
    return [name for name, sign in signs.items() if sign * (getattr(high, name) - getattr(low, name)) < -1e-9]


@given(binder, binder)
def test_no_number_turns_with_the_binder(a: float, b: float) -> None:
    low, high = sorted((a, b))
    assert turned(SHOP.rule(carbide(low)), SHOP.rule(carbide(high)), WITH_BINDER) == []


@given(hardness, hardness)
def test_no_number_turns_with_the_hardness(a: float, b: float) -> None:
    low, high = sorted((a, b))
    assert turned(SHOP.rule(steel(low)), SHOP.rule(steel(high)), WITH_HARDNESS) == []


@given(binder, grain, grain)
def test_a_finer_grain_is_worked_like_less_binder(percent: float, a: float, b: float) -> None:
    fine, coarse = sorted((a, b))
    fine_rule, coarse_rule = (SHOP.rule(carbide(percent, g)) for g in (fine, coarse))
    by_hardness = {k: v for k, v in WITH_BINDER.items() if k != "density_g_per_cm3"}
    assert turned(fine_rule, coarse_rule, by_hardness) == []
    assert fine_rule.density_g_per_cm3 == coarse_rule.density_g_per_cm3  # the same mass of both


@given(binder)
def test_the_usual_grain_changes_nothing(percent: float) -> None:
    plain = SHOP.rule(carbide(percent))
    same = SHOP.rule(carbide(percent, plain.grain_um))
    assert same.feed_scale == pytest.approx(plain.feed_scale, abs=1e-6)


@given(binder, grain)
def test_what_it_is_like_is_as_hard(percent: float, grain_um: float) -> None:
    """Where the shop's carbides reach that far: beyond 1 and 40 % nothing is as hard."""
    like = like_binder_percent(carbide(percent, grain_um), RULES)
    assert like is not None
    if 1.01 < like < 39.9:
        usual = SHOP.rule(carbide(like)).grain_um or 0.0
        assert carbide_hv(like, usual) == pytest.approx(carbide_hv(percent, grain_um), rel=1e-4)


def test_the_shops_own_rules_come_out_as_they_stand() -> None:
    for rule in RULES:
        at = steel(rule.hardness_hrc) if rule.hardness_hrc else carbide(rule.binder_percent or 0)
        assert SHOP.rule(at) == rule


def test_steel_between_carbide_and_none() -> None:
    """Common practice, no source: carbide is milled and eroded slower than steel, and chips more."""
    softest, hardest = SHOP.rule(carbide(30)), SHOP.rule(steel(70))
    assert softest.feed_scale < hardest.feed_scale
    assert softest.chipping > hardest.chipping
    assert softest.erode_scale < hardest.erode_scale


# ISO 18265 / ASTM E140, from memory: 60 HRC is 697 HV, 50 HRC 513, 30 HRC 302.
@pytest.mark.parametrize(("hrc", "hv"), [(30, 302), (50, 513), (60, 697)])
def test_hardness_of_steel_by_the_conversion_tables(hrc: float, hv: float) -> None:
    assert steel_hv(hrc) == pytest.approx(hv, rel=0.01)


# HV30 of straight tungsten carbide with cobalt as handbooks give it, from memory; the rule strays by 15 %.
@pytest.mark.parametrize(
    ("percent", "grain_um", "hv"),
    [(6, 1.0, 1600), (6, 0.65, 1800), (10, 0.65, 1600), (10, 1.0, 1450), (15, 1.9, 1100), (25, 2.5, 830)],
)
def test_hardness_of_carbide_by_handbook(percent: float, grain_um: float, hv: float) -> None:
    assert carbide_hv(percent, grain_um) == pytest.approx(hv, rel=0.15)


@given(binder, binder, grain, grain)
def test_more_binder_and_a_coarser_grain_are_softer(a: float, b: float, g: float, h: float) -> None:
    (low, high), (fine, coarse) = sorted((a, b)), sorted((g, h))
    assert carbide_hv(low, fine) >= carbide_hv(high, coarse) - 1e-6


def test_binder_by_volume() -> None:
    # Rule of mixtures by hand: 10 g cobalt of 8.9 and 90 g carbide of 15.63 g/cm3.
    assert binder_share(10) == pytest.approx(1.1236 / (1.1236 + 5.7582), rel=1e-4)


def test_classes_of_grain_lie_in_order() -> None:
    assert all(a < b for a, b in pairwise(GRAINS_UM.values()))
    limits = [0.2, 0.5, 0.8, 1.3, 2.5, 6.0]  # ISO 4499-2, from memory
    assert all(low < um < high for (low, high), um in zip(pairwise(limits), GRAINS_UM.values(), strict=True))


@pytest.mark.parametrize(
    ("name", "percent", "um"),
    [
        ("carbide-12", 12, None),
        ("carbide-12-fine", 12, GRAINS_UM["fine"]),
        ("carbide-6.5-0.8um", 6.5, 0.8),
        ("carbide-25-coarse", 25, GRAINS_UM["coarse"]),
    ],
)
def test_how_a_carbide_is_written(name: str, percent: float, um: float | None) -> None:
    material = Material.named(name)
    assert (material.binder_percent, material.grain_um) == (percent, um)
    assert Choices(material=name).material == name


@pytest.mark.parametrize(
    "name",
    [
        "carbide-12-tiny",
        "carbide-12-0.1um",
        "carbide-12-20um",
        "carbide-2-fine",
        "steel-60hrc-fine",
        "carbide",
    ],
)
def test_what_is_no_material_is_said_in_one_line(name: str) -> None:
    with pytest.raises(ChoicesError) as error:
        Choices(material=name)
    assert name in str(error.value)
    assert "carbide-12" in str(error.value)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[materials.steel]\nbinder_percent = 12", "materials.steel needs either"),
        ("[materials.hard_carbide]\nchipping = 2", "materials.hard_carbide.chipping"),
        ("[materials.hard_carbide]\nsafety = 0.5", "materials.hard_carbide.safety"),
        ("[materials.steel]\ngrain_um = 1", "materials.steel needs binder_percent and grain_um"),
    ],
)
def test_a_material_of_the_shop_file_says_what_it_stands_for(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "shop.toml"
    path.write_text(text)
    with pytest.raises(ShopError, match=said):
        load_shop(path)


def test_a_shops_own_grade_is_met_exactly(tmp_path: Path) -> None:
    """A rule of its own at 12 % bends the lines there and nowhere beyond its neighbours."""
    numbers = "\n".join(
        f"{name} = {value!r}"
        for name, value in vars(SHOP.rule(carbide(12))).items()
        if isinstance(value, int | float) and name not in ("feed_scale", "binder_percent")
    )
    path = tmp_path / "shop.toml"
    path.write_text(
        f"[materials.mine]\nbinder_percent = 12\nfeed_scale = 0.3\ncutters = 'none'\n"
        f"processes = ['wire']\n{numbers}"
    )
    shop = load_shop(path)
    assert shop.rule(carbide(12)).feed_scale == 0.3
    assert shop.rule(carbide(11)).feed_scale == pytest.approx(0.25)
    assert shop.rule(carbide(20)) == SHOP.rule(carbide(20))

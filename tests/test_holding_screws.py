"""What a screw pulls and what bears it: published tables and closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from featurize.standards.threads import parse
from routing.plan.holding.screws import (
    floor_mpa,
    proof_load_n,
    ring_mpa,
    stress_area_mm2,
    stresses,
    strip_area_mm2,
)


# ISO 898-1, table of stress areas and proof loads of class 8.8 (from memory).
@pytest.mark.parametrize(
    ("name", "area", "proof_n"),
    [
        ("M3", 5.03, 2920),
        ("M4", 8.78, 5100),
        ("M5", 14.2, 8230),
        ("M6", 20.1, 11600),
        ("M8", 36.6, 21200),
        ("M10", 58.0, 33700),
        ("M12", 84.3, 48900),
        ("M20", 245, 147000),
    ],
)
def test_stress_area_and_proof_load_by_the_standard(name: str, area: float, proof_n: float) -> None:
    size, _ = parse(name)
    assert stress_area_mm2(size) == pytest.approx(area, rel=0.005)
    assert proof_load_n(size, "8.8") == pytest.approx(proof_n, rel=0.008)


def test_a_thread_is_shorn_over_seven_eighths_of_its_cylinder() -> None:
    """d - D2 = 3/8 sqrt(3) P, so 1/2 + 3/8 sqrt(3)/sqrt(3) = 7/8, whatever the size."""
    for name in ("M3", "M6x0.75", "M12"):
        size, _ = parse(name)
        assert strip_area_mm2(size, 10.0) == pytest.approx(7 / 8 * math.pi * size.major_mm * 10)


def test_ring_between_a_thin_tube_and_a_hole_in_much_metal() -> None:
    """Barlow's p r / t for a thin tube; p itself about a hole in an endless body (Lame)."""
    assert ring_mpa(10.0, 50.0, 0.1) == pytest.approx(10 * 50.05 / 0.1, rel=1e-3)
    assert ring_mpa(10.0, 1.0, 1e6) == pytest.approx(10.0)
    assert ring_mpa(10.0, 2.5, 0.0) == math.inf


def test_floor_is_a_clamped_plate() -> None:
    """Timoshenko: 3/4 q (a/t)^2 at the rim of a clamped round plate under even pressure q."""
    q, a, t = 5.0, 3.0, 1.2
    assert floor_mpa(q * math.pi * a**2, t) == pytest.approx(0.75 * q * (a / t) ** 2)


numbers = st.floats(0.2, 20)


@given(numbers, numbers, numbers, numbers, st.booleans())
def test_a_thicker_wall_never_bears_less(
    a: float, b: float, full: float, floor: float, brittle: bool
) -> None:
    size, _ = parse("M5")
    thin, thick = (
        stresses(
            size, full, w, floor, pull_n=4000, cut_n=300, tensile_mpa=1000, safety=6, brittle=brittle
        ).used
        for w in sorted((a, b))
    )
    assert thick <= thin + 1e-12


@given(st.floats(0.1, 30), st.floats(0.1, 30))
def test_more_thread_never_bears_less(a: float, b: float) -> None:
    size, _ = parse("M6")
    for brittle in (False, True):
        short, long = (
            stresses(
                size, full, 3.0, math.inf, pull_n=4000, cut_n=0, tensile_mpa=1000, safety=6, brittle=brittle
            ).used
            for full in sorted((a, b))
        )
        assert long <= short + 1e-9


def test_steel_shares_out_what_carbide_cannot() -> None:
    size, _ = parse("M5")
    steel = stresses(size, 7.5, 2, 3, pull_n=4000, cut_n=0, tensile_mpa=1000, safety=5, brittle=False)
    carbide = stresses(size, 7.5, 2, 3, pull_n=4000, cut_n=0, tensile_mpa=1000, safety=5, brittle=True)
    # 7.5 / 0.8 turns, a third of the pull on the first.
    assert carbide.strip_mpa == pytest.approx(steel.strip_mpa * 7.5 / 0.8 / 3)
    assert steel.strip_mpa == pytest.approx(4000 / (7 / 8 * math.pi * 5 * 7.5))
    assert replace(steel, ring_mpa=0.0).used == pytest.approx(steel.strip_mpa / 120)

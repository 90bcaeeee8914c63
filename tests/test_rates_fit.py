"""The shop's own factors from what jobs took: a simulated shop, what must not pull them, and the shop file.

The simulated shop is the check from outside: its true factors are known by construction.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import cadquery as cq
import numpy as np
import pytest

from routing.inputs.choices import Choices
from routing.inputs.shop import ShopError, load_shop
from routing.inputs.shop.adopt import adopt
from routing.plan.estimate.fit import Case, fit
from routing.plan.make import make_plan
from routing.processes.shop import OwnFactors, Range
from tests.support.routed import block, recognised

RATES = load_shop().rates
STEPS = (
    ("surface grind", "square", 32),
    ("mill", "drill", 20),
    ("mill", "thread", 16),
    ("wire", "start hole", 25),
    ("wire", "wire", 90),
    ("surface grind", "grind", 40),
    ("mill", "rough", 50),
    ("mill", "finish", 35),
    ("sink-erode", "erode", 120),
    ("bench", "edges", 9),
    ("inspect", "inspect", 20),
)
Own = Callable[[str, str, str], float]
OVERNIGHT_MIN = 14 * 60.0


def _slow(process: str, family: str, step: str) -> float:
    return 1.4


def _uneven(process: str, family: str, step: str) -> float:
    """40 % slower on the whole, and not by the same at everything."""
    own = {"wire": 1.2, "mill": 0.9}.get(process, 1.0) * (1.1 if family == "carbide" else 0.95)
    return 1.4 * own * (0.8 if step == "thread" else 1.0)


def jobs(
    rng: np.random.Generator, count: int, own: Own, noise: float = 0.2, outliers: float = 0.05
) -> list[Case]:
    """Steps of so many jobs with lognormal noise; some are left running overnight."""
    made = []
    for job in range(count):
        family = str(rng.choice(["steel", "carbide"]))
        for process, step, minutes in STEPS:
            if rng.random() < 0.25:
                continue
            estimated = minutes * math.exp(rng.normal(0, 0.5))
            taken = estimated * own(process, family, step) * math.exp(rng.normal(0, noise))
            taken += OVERNIGHT_MIN * (rng.random() < outliers)
            made.append(Case(f"j{job}", process, family, step, estimated, taken))
    return made


def errors(cases: list[Case], factors: OwnFactors) -> np.ndarray:
    """(n,) of the estimates of whole jobs, as shares of what they took."""
    sums: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])
    for c in cases:
        sums[c.job][0] += c.estimated_min * factors.of(c.process, c.family, c.step)
        sums[c.job][1] += c.taken_min
    return np.array([(a - b) / b for a, b in sums.values()])


@pytest.mark.parametrize("own", [_slow, _uneven])
@pytest.mark.parametrize("seed", range(3))
def test_after_thirty_jobs_of_a_shop_forty_percent_slower_new_estimates_err_under_12_percent(
    own: Own, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    fitted = fit(jobs(rng, 30, own), RATES)
    new = jobs(rng, 200, own, outliers=0.0)
    assert np.abs(errors(new, OwnFactors(1, {}, {}, {}, {}))).mean() > 0.25  # what it is without
    off = errors(new, fitted.factors)
    assert np.abs(off).mean() < 0.12
    assert abs(off.mean()) < 0.05  # sums are neither high nor low


def test_steps_left_running_overnight_do_not_pull() -> None:
    """One in ten is; a mean of the ratios would be out by several times."""
    clean = fit(jobs(np.random.default_rng(5), 60, _slow, outliers=0.0), RATES)
    spoilt_cases = jobs(np.random.default_rng(5), 60, _slow, outliers=0.1)
    spoilt = fit(spoilt_cases, RATES)
    assert np.mean([c.taken_min / c.estimated_min for c in spoilt_cases]) > 2.5
    for process, step, _ in STEPS:
        a, b = (f.factors.of(process, "steel", step) for f in (clean, spoilt))
        assert b == pytest.approx(a, rel=0.12)
    assert sum(s.set_aside for s in spoilt.scatter) > 20
    assert sum(s.set_aside for s in clean.scatter) == 0


def test_the_range_holds_nine_jobs_of_ten() -> None:
    """Of new jobs of the same shop, each process by itself."""
    rng = np.random.default_rng(11)
    fitted = fit(jobs(rng, 60, _slow), RATES)
    new = jobs(rng, 300, _slow, outliers=0.0)
    for process, span in fitted.factors.range.items():
        off = errors([c for c in new if c.process == process], fitted.factors)
        inside = [span.low <= 1 / (1 + e) <= span.high for e in off]
        assert 0.85 <= np.mean(inside) <= 1.0, process
    bench = fitted.factors.range["bench"]
    assert bench.high / bench.low < 0.7 * RATES.range["bench"].high / RATES.range["bench"].low


def test_few_cases_move_little_and_many_all_the_way() -> None:
    def of(count: int) -> float:
        cases = [Case(f"j{n}", "wire", "steel", "wire", 60, 120) for n in range(count)]
        return fit(cases, RATES).factors.of("wire", "steel", "wire")

    assert fit([], RATES).factors == OwnFactors(1.0, {}, {}, {}, {})
    assert 1.0 < of(1) < of(5) < of(500)
    assert of(500) == pytest.approx(2.0, rel=0.02)
    other = fit([Case(f"j{n}", "wire", "steel", "wire", 60, 120) for n in range(50)], RATES).factors
    assert 1.0 < other.of("mill", "steel", "rough") < 1.6  # a slow shop is likely slow there too


def test_a_shop_that_is_as_the_file_says_stays_there() -> None:
    fitted = fit(jobs(np.random.default_rng(2), 40, lambda *_: 1.0), RATES)
    for process, step, _ in STEPS:
        assert fitted.factors.of(process, "steel", step) == pytest.approx(1.0, abs=0.15)


FACTORS = OwnFactors(
    1.35, {"wire": 1.1}, {"wire": {"carbide": 0.9}}, {"start hole": 1.2}, {"wire": Range(0.8, 1.25)}
)


def test_the_factors_are_in_every_minute_of_an_estimate(tmp_path: Path) -> None:
    """Closed form: each line is its figure without them, times the product of its own."""
    path = tmp_path / "shop.toml"
    path.write_text("", encoding="utf-8")
    adopt(path, FACTORS, "by a test")
    found = recognised(block().cut(cq.Workplane().circle(4).extrude(20)))
    plain, own = (make_plan(found, load_shop(p), Choices()).estimate for p in (None, path))
    assert len(plain.lines) == len(own.lines) > 3
    for a, b in zip(plain.lines, own.lines, strict=True):
        factor = FACTORS.of(a.process, "steel", a.what) if a.process not in ("material", "scrap") else 1.35
        for name in ("set_up_min", "run_min", "idle_min", "minutes"):
            assert getattr(b, name) == pytest.approx(getattr(a, name) * factor)
        if a.process == "wire":
            assert (b.minutes_low / b.minutes, b.minutes_high / b.minutes) == pytest.approx((0.8, 1.25))
            assert b.factor == pytest.approx(factor)
            assert a.factor == 1.0
    assert {b.what for b in own.lines} >= {"wire"}


def test_they_are_written_into_the_shop_file_and_nothing_else_of_it_changes(tmp_path: Path) -> None:
    path = tmp_path / "shop.toml"
    dear = '# ours\n[rates.per_hour]\n"wire" = 70 # dear\n\n'
    text = dear + '[rates.factor]\nall = 2.0\n\n[toolroom]\nname = "T"\n'
    path.write_text(text, encoding="utf-8")
    adopt(path, FACTORS, "first")
    adopt(path, FACTORS, "second")
    now = path.read_text(encoding="utf-8")
    assert "# ours" in now
    assert "# dear" in now
    assert "first" not in now
    assert now.count("[rates.factor]") == 1
    shop = load_shop(path)
    assert shop.rates.factor == FACTORS
    assert (shop.rates.per_hour["wire"], shop.toolroom.name) == (70, "T")
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("text", ["[rates]\nfactor.all = 2.0\n", "rates.factor = { all = 2.0 }\n", "x = [\n"])
def test_a_file_that_they_cannot_be_written_into_is_left_as_it_is(tmp_path: Path, text: str) -> None:
    path = tmp_path / "shop.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ShopError) as told:
        adopt(path, FACTORS, "by a test")
    assert "\n" not in str(told.value)
    assert path.read_text(encoding="utf-8") == text
    assert list(tmp_path.iterdir()) == [path]
